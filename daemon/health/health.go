// Package health keeps what the daemon's parts say of themselves: which state each source and the store is in,
// since when and why, and how often things went wrong. It decides nothing.
package health

import (
	"maps"
	"slices"
	"sync"
	"time"
)

// State is what a part of the daemon is doing.
type State string

// The states of a source and of the store.
//
//	Starting ──▶ Working ◀──▶ Waiting, Stopped
//	    └──────────────────────▲
//
// Waiting means that something outside is missing or wrong and that the daemon tries again by itself. Stopped means
// the same of the store, and that nothing is being recorded.
const (
	Starting State = "starting"
	Working  State = "working"
	Waiting  State = "waiting"
	Stopped  State = "stopped"
)

// Part is one part's own report.
type Part struct {
	Name   string            `json:"name"`
	State  State             `json:"state"`
	Since  time.Time         `json:"since"`            // when this state and reason were entered
	Why    string            `json:"why,omitempty"`    // one sentence; empty while all is well
	Counts map[string]uint64 `json:"counts,omitempty"` // what happened how often since the daemon started
}

// Board is safe for concurrent use. The zero value is empty and ready.
type Board struct {
	mu    sync.Mutex // guards parts
	parts map[string]*Part
}

// Set says that the part is in a state for a reason, and reports whether that is news: a fault that is met again
// every few seconds is entered and logged once.
func (b *Board) Set(name string, state State, why string) (changed bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	p := b.partLocked(name)
	if p.State == state && p.Why == why {
		return false
	}
	p.State, p.Why, p.Since = state, why, time.Now()
	return true
}

// Count adds n to one of the part's counters.
func (b *Board) Count(name, what string, n uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	p := b.partLocked(name)
	if p.Counts == nil {
		p.Counts = make(map[string]uint64)
	}
	p.Counts[what] += n
}

// Parts returns a copy of every part's report, by name.
func (b *Board) Parts() []Part {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]Part, 0, len(b.parts))
	for _, name := range slices.Sorted(maps.Keys(b.parts)) {
		p := *b.parts[name]
		p.Counts = maps.Clone(p.Counts)
		out = append(out, p)
	}
	return out
}

func (b *Board) partLocked(name string) *Part {
	if b.parts == nil {
		b.parts = make(map[string]*Part)
	}
	p := b.parts[name]
	if p == nil {
		p = &Part{Name: name, State: Starting, Since: time.Now()}
		b.parts[name] = p
	}
	return p
}
