package plot

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"underdash/store/derive"
)

// DefaultLimit is how many bytes a Cache keeps if it is not told otherwise: of an hour with thirty channels at 100 readings a second of
// a wideband, which take 9 MB, every reading is kept.
const DefaultLimit = 32 << 20

// decodes is how many sessions are read at once: what is being read is not bounded by the limit.
const decodes = 2

// Options are a Cache's. The zero value works.
type Options struct {
	Limit int // bytes of all that is kept; 0 stands for DefaultLimit
}

// Cache holds the last few sessions that were plotted, decoded, within a limit of bytes; the one whose plot is longest
// ago goes first. A session that would take more than half of the limit is kept in coarser columns, and one range of it
// with every reading, which is decoded again when another is asked for. Its methods may be called at the same time.
type Cache struct {
	o     Options
	slots chan struct{}

	mu      sync.Mutex
	entries map[string]*entry
	calls   uint64 // of Plot, to tell which entry was used last
}

// entry is one session. Tables do not change, so who has one may go on with it when it is kept no more.
type entry struct {
	turn chan struct{} // held by who decodes

	// Guarded by the cache.
	users         int
	used          uint64
	whole, window *table // nil until they are there
}

// Open opens a session, whose values are then read once at most, and says how to close it.
type Open func(ctx context.Context) (s *derive.Session, done func() error, err error)

// New makes an empty cache.
func New(o Options) *Cache {
	if o.Limit <= 0 {
		o.Limit = DefaultLimit
	}
	return &Cache{o: o, slots: make(chan struct{}, decodes), entries: make(map[string]*entry)}
}

// Plot answers a request for a session. The key stands for what its values are: it must be another one when the
// session's digest is, for a session that is being recorded whenever more is to be seen, and when another list of
// calibrations or other options are read with. The session is opened only where its decoded columns do not do; of one
// session only one call decodes at a time, others wait for it. A decode ends with the context of the call that it is
// done for, and the next call that waits begins anew.
//
// The error is a *RequestError if the request is wrong, wraps the context's if that ended, and is else what opening or
// reading the session gave. Damaged blocks are no error: see Plot.Damage.
func (c *Cache) Plot(ctx context.Context, key string, open Open, q Request) (Plot, error) {
	q, err := q.check()
	if err != nil {
		return Plot{}, err
	}
	if err := ctx.Err(); err != nil {
		return Plot{}, fmt.Errorf("plot: %w", err)
	}
	e := c.enter(key)
	defer c.leave(e)
	whole, t, v, err := c.find(e, q)
	if err == nil && t == nil {
		whole, t, v, err = c.decode(ctx, e, open, q)
	}
	if err != nil {
		return Plot{}, err
	}
	p := t.plot(v)
	p.Damage = whole.damage
	if whole.first <= whole.last {
		p.First, p.Last = seconds(whole.first), seconds(whole.last)
	}
	return p, nil
}

func (c *Cache) enter(key string) *entry {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := c.entries[key]
	if e == nil {
		e = &entry{turn: make(chan struct{}, 1)}
		c.entries[key] = e
	}
	c.calls++
	e.used = c.calls
	e.users++
	return e
}

func (c *Cache) leave(e *entry) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e.users--
	for key, e := range c.entries {
		if e.users == 0 && e.whole == nil { // not kept, or never there
			delete(c.entries, key)
		}
	}
}

// find looks for a table that serves the request. There is none if t is nil, and nothing at all if whole is.
func (c *Cache) find(e *entry, q Request) (whole, t *table, v view, err error) {
	c.mu.Lock()
	whole, window := e.whole, e.window
	c.mu.Unlock()
	if whole == nil {
		return nil, nil, v, nil
	}
	if v, err = whole.view(q); err != nil {
		return nil, nil, v, err
	}
	for _, t := range []*table{window, whole} {
		if t != nil && t.serves(v, whole.first, whole.last) {
			return whole, t, v, nil
		}
	}
	return whole, nil, v, nil
}

// decode reads the session, or a range of it, so that the request is served.
func (c *Cache) decode(ctx context.Context, e *entry, open Open, q Request) (whole, t *table, v view, err error) {
	if err := take(ctx, e.turn); err != nil {
		return nil, nil, v, err
	}
	defer func() { <-e.turn }()
	whole, t, v, err = c.find(e, q) // another call may have done it
	if err != nil || t != nil {
		return whole, t, v, err
	}
	if whole == nil {
		if whole, err = c.read(ctx, open, c.all()); err != nil {
			return nil, nil, v, err
		}
		c.keep(e, whole, nil)
		if v, err = whole.view(q); err != nil {
			return nil, nil, v, err
		}
		if whole.serves(v, whole.first, whole.last) {
			return whole, whole, v, nil
		}
	}
	for _, p := range c.ranges(whole, v) {
		if t, err = c.read(ctx, open, p); err != nil {
			return nil, nil, v, err
		}
		if !slices.Equal(t.channels, whole.channels) {
			return nil, nil, v, errors.New("the session has other channels than when it was read before: its key must change with it")
		}
		if t.serves(v, whole.first, whole.last) {
			break
		}
	}
	if t.size <= c.o.Limit/4 {
		c.keep(e, whole, t)
	}
	return whole, t, v, nil
}

// all is the plan for a session that was not read yet.
func (c *Cache) all() plan {
	return plan{from: math.MinInt64, to: math.MaxInt64, every: c.o.Limit / 2, grain: 1e6, binBytes: c.o.Limit / 4}
}

// ranges are the plans for a part of a session that is kept too coarse for a view, to be tried in this order: every
// reading of the range and of as much around it as there is room for, and, where even the range takes too much, the
// very columns.
func (c *Cache) ranges(whole *table, v view) (all []plan) {
	from, to := v.cells(v.width)
	room := int64(float64(c.o.Limit) * 3 / 16 / max(whole.density, 1e-9))
	if pad := (room - (to - from)) / 2; pad > 0 {
		all = append(all, plan{from: from - pad, to: to + pad, every: c.o.Limit / 4})
	}
	want := make([]bool, len(whole.channels))
	for _, i := range v.channels {
		want[i] = true
	}
	return append(all, plan{from: from, to: to, grain: v.width, want: want})
}

// read opens the session and decodes it by a plan.
func (c *Cache) read(ctx context.Context, open Open, p plan) (t *table, err error) {
	if err := take(ctx, c.slots); err != nil {
		return nil, err
	}
	defer func() { <-c.slots }()
	s, done, err := open(ctx)
	if err != nil {
		return nil, fmt.Errorf("open the session: %w", err)
	}
	defer func() {
		if e := done(); e != nil && err == nil {
			t, err = nil, fmt.Errorf("close the session: %w", e)
		}
	}()
	return decode(ctx, s, p)
}

func take(ctx context.Context, slots chan struct{}) error {
	select {
	case slots <- struct{}{}:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("wait for a session to be read: %w", ctx.Err())
	}
}

// keep keeps an entry's tables, and others no longer than there is room.
func (c *Cache) keep(e *entry, whole, window *table) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e.whole, e.window = whole, window
	for c.size() > c.o.Limit {
		var oldest *entry
		for _, x := range c.entries {
			if x.whole != nil && (oldest == nil || x.used < oldest.used) {
				oldest = x
			}
		}
		oldest.whole, oldest.window = nil, nil
	}
}

// size is what the tables take, in bytes. The cache is locked.
func (c *Cache) size() (n int) {
	for _, e := range c.entries {
		if e.whole != nil {
			n += e.whole.size
		}
		if e.window != nil {
			n += e.window.size
		}
	}
	return n
}
