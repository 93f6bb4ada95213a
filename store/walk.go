package store

import (
	"bytes"
	"fmt"
	"math"
)

// walk goes through a tree's keys in order. It visits no page twice and goes on behind what is damaged.
type walk struct {
	t     *tree
	seen  map[uint64]uint64 // pages visited: number and how many belong to it
	fault func(error)       // what is wrong, as it is met
}

func (t *tree) walk(fault func(error)) *walk {
	return &walk{t: t, seen: make(map[uint64]uint64), fault: fault}
}

// keys visits the keys below a page.
func (w *walk) keys(number uint64, visit func(e element)) {
	var last []byte
	first := true
	w.descend(number, 0, func(p *page, e element) {
		if !first && bytes.Compare(last, e.key) >= 0 {
			w.fault(w.t.damaged(p.number, "its keys are out of order"))
		}
		last, first = append(last[:0], e.key...), false
		visit(e)
	})
}

func (w *walk) descend(number uint64, depth int, visit func(*page, element)) {
	if _, twice := w.seen[number]; twice || depth > deepest {
		w.fault(w.t.damaged(number, "it is used twice"))
		return
	}
	p, err := w.t.page(number)
	if err != nil {
		w.fault(err)
		return
	}
	w.seen[number] = p.pages
	switch p.flags {
	case flagLeaf:
		w.leaf(p, func(e element) { visit(p, e) })
	case flagBranch:
		for i := range p.count {
			e, err := w.t.element(p, i)
			if err != nil {
				w.fault(err)
				continue
			}
			w.descend(e.child, depth+1, visit)
		}
	default:
		w.fault(w.t.damaged(number, "it should hold keys, and says it is of kind %#x", p.flags))
	}
}

func (w *walk) leaf(p *page, visit func(element)) {
	if p.flags != flagLeaf {
		w.fault(w.t.damaged(p.number, "a bucket in it says it is of kind %#x", p.flags))
		return
	}
	for i := range p.count {
		e, err := w.t.element(p, i)
		if err != nil {
			w.fault(err)
			continue
		}
		visit(e)
	}
}

// buckets visits the keys of every bucket of the root. What is no bucket there is none of ours.
func (w *walk) buckets(visit func(bucket string, e element)) {
	w.bucketsIf(func(string) bool { return true }, visit)
}

// bucketsIf leaves out the buckets that are not wanted.
func (w *walk) bucketsIf(wanted func(name string) bool, visit func(bucket string, e element)) {
	type found struct {
		name string
		at   place
		page uint64
	}
	var all []found
	w.descend(w.t.root, 0, func(p *page, e element) {
		if e.bucket && wanted(string(e.key)) {
			all = append(all, found{string(e.key), e.value, p.number})
		}
	})
	for _, b := range all {
		var head [16]byte
		if b.at.length < int64(len(head)) {
			w.fault(w.t.damaged(b.page, "a bucket in it is too short"))
			continue
		}
		if _, err := w.t.r.ReadAt(head[:], b.at.at); err != nil {
			w.fault(fmt.Errorf("page %d: %w", b.page, err))
			continue
		}
		if root := order.Uint64(head[:]); root != 0 {
			w.keys(root, func(e element) { visit(b.name, e) })
			continue
		}
		p, err := w.t.inline(b.page, place{b.at.at + 16, b.at.length - 16})
		if err != nil {
			w.fault(err)
			continue
		}
		w.leaf(p, func(e element) { visit(b.name, e) })
	}
}

// accounts checks that every page in use is either reachable, as the walk found, or in the list of free ones: bbolt
// gives out what is in that list.
func (w *walk) accounts() {
	t := w.t
	used := make([]bool, min(t.high, uint64(t.size/t.pageSize)))
	mark := func(number, count uint64) {
		for i := number; i < number+count; i++ {
			if i >= uint64(len(used)) || used[i] {
				w.fault(t.damaged(i, "it is used twice, or lies beyond the end"))
				return
			}
			used[i] = true
		}
	}
	mark(0, 2)
	for number, count := range w.seen {
		mark(number, count)
	}
	p, err := t.page(t.freelist)
	if err != nil || p.flags != flagFreelist {
		w.fault(t.damaged(t.freelist, "it should be the list of free pages: %v", err))
		return
	}
	mark(p.number, p.pages)
	n, at := int64(p.count), int64(pageHeader)
	if n == math.MaxUint16 { // more than fit into the count: the first entry says how many
		b, err := t.read(p, at, 8)
		if err != nil {
			w.fault(err)
			return
		}
		n, at = int64(min(order.Uint64(b), math.MaxInt32)), at+8
	}
	if at+8*n > p.length {
		w.fault(t.damaged(p.number, "%d free pages do not fit into it", n))
		return
	}
	b, err := t.read(p, at, 8*n)
	if err != nil {
		w.fault(err)
		return
	}
	for i := range n {
		mark(order.Uint64(b[8*i:]), 1)
	}
	for i, u := range used {
		if !u {
			w.fault(t.damaged(uint64(i), "it is neither used nor free"))
		}
	}
}
