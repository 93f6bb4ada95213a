package derive

import (
	"iter"
	"time"

	"underdash/store"
)

// Window is how late a reading may be stored and still be yielded in order. An OBD reading's instant lies before the
// answer's last byte, by a few seconds where the adapter was slow, while the analog readings went on.
const Window = 10 * time.Second

// windowCount bounds what is held back, whatever the instants are.
const windowCount = 1 << 16

// inOrder yields samples by instant, then half width, then as they came.
func inOrder(samples iter.Seq2[store.Sample, error]) iter.Seq2[store.Sample, error] {
	return func(yield func(store.Sample, error) bool) {
		var w window
		var newest time.Duration
		first := true
		for s, err := range samples {
			if err != nil {
				if !yield(store.Sample{}, err) {
					return
				}
				continue
			}
			if first || s.At > newest {
				newest, first = s.At, false
			}
			w.push(&s)
			for w.count() > windowCount || w.least().At <= newest-Window {
				if !yield(w.pop(), nil) {
					return
				}
			}
		}
		for w.count() > 0 {
			if !yield(w.pop(), nil) {
				return
			}
		}
	}
}

// window holds samples back. Nearly all come in order and queue in line; only what is late needs sorting in.
type window struct {
	line  []queued // in order, from head on
	head  int
	late  heap
	place uint64
}

type queued struct {
	store.Sample
	place uint64 // in which it came
}

func before(a, b *queued) bool {
	switch {
	case a.At != b.At:
		return a.At < b.At
	case a.Half != b.Half:
		return a.Half < b.Half
	}
	return a.place < b.place
}

func (w *window) count() int { return len(w.line) - w.head + len(w.late) }

func (w *window) push(s *store.Sample) {
	w.place++
	if n := len(w.line); n > w.head {
		if last := &w.line[n-1]; s.At < last.At || s.At == last.At && s.Half < last.Half {
			w.late.push(queued{*s, w.place})
			return
		}
	}
	if w.head > 4096 && w.head > len(w.line)/2 {
		w.line = w.line[:copy(w.line, w.line[w.head:])]
		w.head = 0
	}
	w.line = append(w.line, queued{*s, w.place})
}

// lateIsLeast says whether the next one is among the late ones.
func (w *window) lateIsLeast() bool {
	return len(w.late) > 0 && (w.head == len(w.line) || before(&w.late[0], &w.line[w.head]))
}

// least is the one that pop will return; there must be one.
func (w *window) least() *queued {
	if w.lateIsLeast() {
		return &w.late[0]
	}
	return &w.line[w.head]
}

func (w *window) pop() store.Sample {
	if w.lateIsLeast() {
		return w.late.pop()
	}
	w.head++
	return w.line[w.head-1].Sample
}

// heap is a binary heap of samples. It is written out because container/heap allocates for every one.
type heap []queued

func (h *heap) push(q queued) {
	*h = append(*h, q)
	all := *h
	for i := len(all) - 1; i > 0; {
		parent := (i - 1) / 2
		if !before(&all[i], &all[parent]) {
			return
		}
		all[i], all[parent] = all[parent], all[i]
		i = parent
	}
}

func (h *heap) pop() store.Sample {
	all := *h
	top := all[0].Sample
	last := len(all) - 1
	all[0] = all[last]
	*h = all[:last]
	for i := 0; ; {
		child := 2*i + 1
		if child >= last {
			return top
		}
		if child+1 < last && before(&all[child+1], &all[child]) {
			child++
		}
		if !before(&all[child], &all[i]) {
			return top
		}
		all[i], all[child] = all[child], all[i]
		i = child
	}
}
