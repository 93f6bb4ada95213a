package plot

import (
	"context"
	"errors"
	"runtime"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/derive"
)

// counted counts how often a session is opened, and how many are open.
type counted struct {
	given
	opened, open, most atomic.Int32
	err                error
}

func (g *counted) opener(ctx context.Context) (*derive.Session, func() error, error) {
	g.opened.Add(1)
	if g.err != nil {
		return nil, nil, g.err
	}
	g.most.Store(max(g.most.Load(), g.open.Add(1)))
	s, _, err := g.given.open(ctx)
	return s, func() error { g.open.Add(-1); return nil }, err
}

func TestWrongRequests(t *testing.T) {
	g := reference(time.Second)
	for _, row := range []struct {
		name string
		q    Request
		want string
	}{
		{"too few points", Request{Points: 49}, "49 points: a plot has 50 to 4000"},
		{"too many", Request{Points: 4001}, "4001 points: a plot has 50 to 4000"},
		{"backwards", Request{From: 2 * time.Second, To: time.Second}, "the range ends at 1s, not after its start at 2s"},
		{"a channel that is not there", Request{Channels: []string{"RPN"}}, `the session has no channel "RPN", it has "LOAD_PCT", `},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := New(Options{}).Plot(t.Context(), "a", g.open, row.q)
			var wrong *RequestError
			require.ErrorAs(t, err, &wrong)
			assert.Contains(t, err.Error(), row.want)
		})
	}
}

// Ranges off the session, and sessions with hardly anything in them, have an answer.
func TestOddRanges(t *testing.T) {
	empty := given{meta: store.Meta{Channels: []store.Channel{linear("p")}}}
	one := empty
	one.samples = []store.Sample{{At: -5 * ms, Code: 7}}
	const far = 1<<63 - 1
	for _, row := range []struct {
		name string
		g    given
		q    Request
		want int
	}{
		{"nothing was read", empty, Request{}, 0},
		{"nothing was read, a range", empty, Request{From: time.Second, To: time.Minute}, 0},
		{"one reading, before the clock's start", one, Request{}, 1},
		{"before it", one, Request{From: -far, To: -far + 1}, 1},
		{"behind it", one, Request{From: far - 1, To: far}, 1},
		{"everything there is", one, Request{From: -far, To: far}, 1},
		{"from behind to the end", one, Request{From: time.Hour}, 1},
	} {
		t.Run(row.name, func(t *testing.T) {
			p := ask(t, New(Options{}), row.g, row.q)
			require.Len(t, p.Series, 1)
			assert.Len(t, p.Series[0].Columns, row.want)
			_, err := p.MarshalJSON()
			require.NoError(t, err)
		})
	}
}

func TestASessionIsDecodedOnce(t *testing.T) {
	g := &counted{given: reference(20 * time.Second)}
	c := New(Options{})
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			_, err := c.Plot(t.Context(), "a", g.opener, Request{Points: 50 + i})
			assert.NoError(t, err)
		})
	}
	all.Wait()
	assert.EqualValues(t, 1, g.opened.Load())
	_, err := c.Plot(t.Context(), "another key", g.opener, Request{})
	require.NoError(t, err)
	assert.EqualValues(t, 2, g.opened.Load())
	assert.Zero(t, g.open.Load())
}

func TestOneDecodeAtATime(t *testing.T) {
	g := &counted{given: reference(2 * time.Minute)}
	c := New(Options{Limit: 60 << 10}) // hardly anything is kept
	var all sync.WaitGroup
	for i := range 6 {
		all.Go(func() {
			_, err := c.Plot(t.Context(), "a", g.opener, Request{From: time.Duration(i) * 10 * time.Second, To: time.Duration(i+2) * 10 * time.Second})
			assert.NoError(t, err)
		})
	}
	all.Wait()
	assert.EqualValues(t, 1, g.most.Load())
	assert.Greater(t, g.opened.Load(), int32(1))
	assert.LessOrEqual(t, c.size(), c.o.Limit)
}

func TestErrorsAreNotKept(t *testing.T) {
	g := &counted{given: reference(time.Second), err: errors.New("gone")}
	c := New(Options{})
	_, err := c.Plot(t.Context(), "a", g.opener, Request{})
	require.ErrorIs(t, err, g.err)
	assert.Empty(t, c.entries)
	g.err = nil
	g.errs = map[int]error{5: errors.New("unreadable")}
	_, err = c.Plot(t.Context(), "a", g.opener, Request{})
	require.ErrorIs(t, err, g.errs[5])
	g.errs = nil
	_, err = c.Plot(t.Context(), "a", g.opener, Request{})
	require.NoError(t, err)
}

// Who gives up while another call decodes does so at once; who gives up decoding leaves it to the next.
func TestGivingUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := reference(time.Second)
		c := New(Options{})
		first, stop := context.WithCancel(t.Context())
		slow := func(ctx context.Context) (*derive.Session, func() error, error) {
			<-ctx.Done()
			return nil, nil, ctx.Err()
		}
		var all sync.WaitGroup
		all.Go(func() {
			_, err := c.Plot(first, "a", slow, Request{})
			assert.ErrorIs(t, err, context.Canceled)
		})
		synctest.Wait()
		short, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := c.Plot(short, "a", g.open, Request{})
		require.ErrorIs(t, err, context.DeadlineExceeded)
		all.Go(func() {
			_, err := c.Plot(t.Context(), "a", g.open, Request{})
			assert.NoError(t, err)
		})
		synctest.Wait()
		stop()
		all.Wait()
	})
}

func TestADecodeEndsWithItsContext(t *testing.T) {
	g := reference(time.Minute)
	ctx, cancel := context.WithCancel(t.Context())
	_, err := New(Options{}).Plot(ctx, "a", func(c context.Context) (*derive.Session, func() error, error) {
		cancel()
		return g.open(c)
	}, Request{})
	require.ErrorIs(t, err, context.Canceled)
}

// The cache keeps what was used last, and what it says to take is what the heap holds.
func TestTheOldestGoes(t *testing.T) {
	g := &counted{given: reference(4 * time.Minute)}
	c := New(Options{})
	before := heap()
	_, err := c.Plot(t.Context(), "0", g.opener, Request{})
	require.NoError(t, err)
	one := c.size()
	assert.InDelta(t, one, heap()-before, 0.35*float64(one), "bytes counted and held")
	c.o.Limit = 5 * one / 2 // room for two
	for _, key := range []int{1, 0, 2, 0, 2} {
		_, err := c.Plot(t.Context(), strconv.Itoa(key), g.opener, Request{})
		require.NoError(t, err)
		assert.LessOrEqual(t, c.size(), c.o.Limit)
	}
	assert.EqualValues(t, 3, g.opened.Load(), "1 went for 2")
	assert.Len(t, c.entries, 2)
	_, err = c.Plot(t.Context(), "1", g.opener, Request{})
	require.NoError(t, err)
	assert.EqualValues(t, 4, g.opened.Load())
}

func heap() int {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int(m.HeapAlloc)
}

// Of a session that is kept coarsely, one range is kept with every reading: moving about in it decodes nothing.
func TestARangeIsKept(t *testing.T) {
	g := &counted{given: reference(4 * time.Minute)}
	c := New(Options{Limit: 400 << 10})
	for _, row := range []struct {
		name   string
		q      Request
		opened int32
	}{
		{"all of it", Request{Points: 50}, 1},
		{"all of it again", Request{Points: 55}, 1},
		{"two seconds", Request{From: 100 * time.Second, To: 102 * time.Second}, 2},
		{"moved", Request{From: 101 * time.Second, To: 103 * time.Second}, 2},
		{"closer", Request{From: 101 * time.Second, To: 101*time.Second + 100*ms}, 2},
		{"all of it once more", Request{Points: 50}, 2},
		{"elsewhere", Request{From: 200 * time.Second, To: 202 * time.Second}, 3},
	} {
		_, err := c.Plot(t.Context(), "a", g.opener, row.q)
		require.NoError(t, err, row.name)
		assert.EqualValues(t, row.opened, g.opened.Load(), row.name)
	}
}
