package plot

import (
	"math"
	"slices"
)

// word is what a state or a status says.
type word struct{ state, text string }

// words are those of a session, each once.
type words struct {
	list   []word
	places map[word]int32 // only while the session is read
}

// mostWords bounds them. A status that says more different things than that keeps its numbers, without a text.
const mostWords = 4096

func (w *words) place(x word) int32 {
	i, ok := w.places[x]
	if !ok {
		if len(w.list) >= mostWords && x.text != "" {
			return w.place(word{state: x.state})
		}
		i = int32(len(w.list))
		w.list = append(w.list, x)
		w.places[x] = i
	}
	return i
}

func (w *words) size() (n int) {
	for _, x := range w.list {
		n += 100 + len(x.text)
	}
	return n
}

// run is a time that a channel said the same.
type run struct {
	from, to int64
	number   float64 // of a status
	word     int32
}

const runSize = 32

// runs are a channel's. Plain measurements have none.
type runs struct {
	status bool
	list   []run
	open   bool // the last of list goes on
}

// add takes a reading in; broken after a gap.
func (r *runs) add(at int64, x float64, says int32, broken bool, w *words) {
	if r.open && !broken {
		last := &r.list[len(r.list)-1]
		last.to = max(last.to, at)
		if last.word == says && (!r.status || same(last.number, x)) {
			return
		}
	}
	if r.open = r.status || w.list[says].state != ""; !r.open {
		return
	}
	if !r.status {
		x = math.NaN()
	}
	r.list = append(r.list, run{from: at, to: at, number: x, word: says})
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

// thin keeps the longest of those that begin in the same cell of a grid.
func thin(list []run, width int64) []run {
	kept := list[:0]
	for _, x := range list {
		n := len(kept)
		if n == 0 || floorDiv(kept[n-1].from, width) != floorDiv(x.from, width) {
			kept = append(kept, x)
		} else if x.to-x.from > kept[n-1].to-kept[n-1].from {
			kept[n-1] = x
		}
	}
	return kept
}

// within are copies of those that touch [from, to), at most so many.
func (r *runs) within(from, to int64, most int) []run {
	var all []run
	for _, x := range r.list {
		if x.to >= from && x.from < to {
			all = append(all, x)
		}
	}
	for width := max((to-from)/int64(most), 1); len(all) > most; width *= 2 {
		all = thin(all, width)
	}
	return slices.Clip(all)
}
