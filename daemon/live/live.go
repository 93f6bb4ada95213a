// Package live keeps the newest reading of every channel, and how often it is read, for whoever looks at the daemon while it
// runs.
package live

import (
	"slices"
	"sync"
	"time"

	"underdash/store"
)

// Board is safe for concurrent use. The zero value is empty and ready.
type Board struct {
	mu       sync.Mutex // guards channels
	channels map[uint16]*channel
}

type channel struct {
	newest store.Sample
	pace   pace
}

// Put keeps s if nothing newer is known of its channel. It never blocks for longer than a map access.
func (b *Board) Put(s store.Sample) {
	b.mu.Lock()
	defer b.mu.Unlock()
	c, ok := b.channels[s.Channel]
	if !ok {
		if b.channels == nil {
			b.channels = make(map[uint16]*channel)
		}
		c = &channel{newest: s, pace: newPace(s.At)}
		b.channels[s.Channel] = c
	}
	if s.At >= c.newest.At {
		c.newest = s
	}
	c.pace.add(s.At)
}

// Newest returns a copy of what is known, in the channels' order.
func (b *Board) Newest() []store.Sample {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := make([]store.Sample, 0, len(b.channels))
	for _, c := range b.channels {
		all = append(all, c.newest)
	}
	slices.SortFunc(all, func(x, y store.Sample) int { return int(x.Channel) - int(y.Channel) })
	return all
}

// Rates returns, by channel, how many readings a second came in the last ten seconds before an instant of the readings' clock; there is
// none of a channel that began less than two seconds ago.
func (b *Board) Rates(now time.Duration) map[uint16]float64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := make(map[uint16]float64, len(b.channels))
	for n, c := range b.channels {
		if r, ok := c.pace.rate(now); ok {
			all[n] = r
		}
	}
	return all
}
