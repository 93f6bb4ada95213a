// Package live keeps the newest reading of every channel, for whoever looks at the daemon while it runs.
package live

import (
	"slices"
	"sync"

	"underdash/store"
)

// Board is safe for concurrent use. The zero value is empty and ready.
type Board struct {
	mu     sync.Mutex // guards newest
	newest map[uint16]store.Sample
}

// Put keeps s if nothing newer is known of its channel. It never blocks for longer than a map access.
func (b *Board) Put(s store.Sample) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.newest == nil {
		b.newest = make(map[uint16]store.Sample)
	}
	if old, ok := b.newest[s.Channel]; !ok || s.At >= old.At {
		b.newest[s.Channel] = s
	}
}

// Newest returns a copy of what is known, in the channels' order.
func (b *Board) Newest() []store.Sample {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := make([]store.Sample, 0, len(b.newest))
	for _, s := range b.newest {
		all = append(all, s)
	}
	slices.SortFunc(all, func(x, y store.Sample) int { return int(x.Channel) - int(y.Channel) })
	return all
}
