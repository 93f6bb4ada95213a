package derive

import (
	"iter"

	"underdash/store"
)

// Snapshot is a Source that is held in memory: the newest reading of every channel, or a description without any reading,
// to which channels and corrections do not owe their names.
type Snapshot struct {
	Description store.Meta
	Readings    []store.Sample
}

// Meta implements Source.
func (s Snapshot) Meta() store.Meta { return s.Description }

// Samples implements Source.
func (s Snapshot) Samples() iter.Seq2[store.Sample, error] {
	return func(yield func(store.Sample, error) bool) {
		for _, x := range s.Readings {
			if !yield(x, nil) {
				return
			}
		}
	}
}
