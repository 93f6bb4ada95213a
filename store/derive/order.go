package derive

import (
	"cmp"
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
		var q queue
		var newest time.Duration
		for s, err := range samples {
			if err != nil {
				if !yield(store.Sample{}, err) {
					return
				}
				continue
			}
			if q.count == 0 || s.At > newest {
				newest = s.At
			}
			q.push(s)
			for len(q.heap) > windowCount || q.heap[0].At <= newest-Window {
				if !yield(q.pop(), nil) {
					return
				}
			}
		}
		for len(q.heap) > 0 {
			if !yield(q.pop(), nil) {
				return
			}
		}
	}
}

// queue is a binary heap of samples. It is written out because container/heap allocates for every one.
type queue struct {
	heap  []queued
	count uint64
}

type queued struct {
	store.Sample
	place uint64
}

func before(a, b *queued) bool {
	return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Half, b.Half), cmp.Compare(a.place, b.place)) < 0
}

func (q *queue) push(s store.Sample) {
	q.heap = append(q.heap, queued{s, q.count})
	q.count++
	for i := len(q.heap) - 1; i > 0; {
		parent := (i - 1) / 2
		if !before(&q.heap[i], &q.heap[parent]) {
			return
		}
		q.heap[i], q.heap[parent] = q.heap[parent], q.heap[i]
		i = parent
	}
}

func (q *queue) pop() store.Sample {
	top := q.heap[0].Sample
	last := len(q.heap) - 1
	q.heap[0] = q.heap[last]
	q.heap = q.heap[:last]
	for i := 0; ; {
		child := 2*i + 1
		if child >= last {
			return top
		}
		if child+1 < last && before(&q.heap[child+1], &q.heap[child]) {
			child++
		}
		if !before(&q.heap[child], &q.heap[i]) {
			return top
		}
		q.heap[i], q.heap[child] = q.heap[child], q.heap[i]
		i = child
	}
}
