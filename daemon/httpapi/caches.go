package httpapi

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"sync"

	"underdash/store"
	"underdash/store/summary"
)

func digest(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// rowCache keeps of every sealed session what a listing takes a look into its file for.
type rowCache struct {
	mu   sync.Mutex // guards rows
	rows map[string]rowKept
}

type rowKept struct {
	seal   string
	inputs store.Meta // as much of it as summary.ReadBy looks at
	worry  []string
}

// complete adds how the inputs are corrected, and what is to be looked at. Nothing is added of a session that cannot be read.
func (c *rowCache) complete(row *summary.Row, i store.Info, applied []store.Applied, open func() (*store.Reader, error)) {
	c.mu.Lock()
	kept, ok := c.rows[i.ID]
	c.mu.Unlock()
	if !ok || i.SHA256 == "" || kept.seal != i.SHA256 {
		r, err := open()
		if err != nil {
			return
		}
		m := r.Meta()
		_ = r.Close()
		kept = rowKept{seal: i.SHA256, worry: summary.Worries(m), inputs: store.Meta{ID: m.ID, Number: m.Number, Origin: m.Origin, Channels: m.Channels, Calibrations: m.Calibrations, Fuel: m.Fuel}}
		c.mu.Lock()
		if c.rows == nil {
			c.rows = make(map[string]rowKept)
		}
		c.rows[i.ID] = kept
		c.mu.Unlock()
	}
	row.Read, row.Worries = summary.ReadBy(kept.inputs, applied), kept.worry
}

// forget drops sessions that are gone.
func (c *rowCache) forget(infos []store.Info) {
	there := make(map[string]bool, len(infos))
	for _, i := range infos {
		there[i.ID] = true
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for id := range c.rows {
		if !there[id] {
			delete(c.rows, id)
		}
	}
}

// mostKept is how many whole sessions' descriptions are kept, and how many checks; each is some kilobytes.
const mostKept = 8

// lately keeps the last few of what takes long to find out, since that reads all readings. One is found out at a time.
type lately[T any] struct {
	turn  chan struct{} // held while something is found out
	mu    sync.Mutex    // guards what follows
	order []string      // keys, the newest last
	kept  map[string]T
}

func newLately[T any]() lately[T] {
	return lately[T]{turn: make(chan struct{}, 1), kept: make(map[string]T)}
}

func (d *lately[T]) get(ctx context.Context, key string, read func() (T, error)) (got T, err error) {
	if got, ok := d.find(key); ok {
		return got, nil
	}
	select {
	case d.turn <- struct{}{}:
		defer func() { <-d.turn }()
	case <-ctx.Done():
		return got, ctx.Err()
	}
	if got, ok := d.find(key); ok {
		return got, nil
	}
	if got, err = read(); err != nil {
		return got, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.kept[key] = got
	d.order = append(d.order, key)
	if len(d.order) > mostKept {
		delete(d.kept, d.order[0])
		d.order = d.order[1:]
	}
	return got, nil
}

func (d *lately[T]) find(key string) (T, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	got, ok := d.kept[key]
	return got, ok
}
