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
}

// complete adds how the inputs are corrected. Nothing is added of a session that cannot be read.
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
		kept = rowKept{seal: i.SHA256, inputs: store.Meta{ID: m.ID, Number: m.Number, Origin: m.Origin, Channels: m.Channels, Calibrations: m.Calibrations, Fuel: m.Fuel}}
		c.mu.Lock()
		if c.rows == nil {
			c.rows = make(map[string]rowKept)
		}
		c.rows[i.ID] = kept
		c.mu.Unlock()
	}
	row.Read = summary.ReadBy(kept.inputs, applied)
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

// mostDrives is how many whole sessions' descriptions are kept; each is some kilobytes.
const mostDrives = 8

// drives keeps the last few sessions that were looked at whole, since that reads all readings. One is read at a time.
type drives struct {
	turn  sync.Mutex // held while a session is read
	mu    sync.Mutex // guards what follows
	order []string   // keys, the newest last
	kept  map[string]summary.Drive
}

func (d *drives) get(ctx context.Context, key string, read func() (summary.Drive, error)) (summary.Drive, error) {
	if got, ok := d.find(key); ok {
		return got, nil
	}
	d.turn.Lock()
	defer d.turn.Unlock()
	if got, ok := d.find(key); ok {
		return got, nil
	}
	if err := ctx.Err(); err != nil {
		return summary.Drive{}, err
	}
	got, err := read()
	if err != nil {
		return got, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.kept == nil {
		d.kept = make(map[string]summary.Drive)
	}
	d.kept[key] = got
	d.order = append(d.order, key)
	if len(d.order) > mostDrives {
		delete(d.kept, d.order[0])
		d.order = d.order[1:]
	}
	return got, nil
}

func (d *drives) find(key string) (summary.Drive, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	got, ok := d.kept[key]
	return got, ok
}
