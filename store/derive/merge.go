package derive

import (
	"iter"
	"math"
	"slices"
	"time"
)

// mergeCount is how many values are collected before any is passed on, so that a pass is worth its while.
const mergeCount = 256

// merge puts the aligned values, which come late by their delay, between the others.
type merge struct {
	s              *Session
	plain, aligned []Value // each in order
	newest         time.Duration
	come           int // since the last release
}

// merged yields the values of readings in the order of instants.
func (s *Session) merged(readings iter.Seq2[[]Value, error]) iter.Seq2[Value, error] {
	return func(yield func(Value, error) bool) {
		m := merge{s: s, newest: math.MinInt64}
		for values, err := range readings {
			if err != nil {
				if !yield(Value{}, err) {
					return
				}
				continue
			}
			m.take(values)
			if m.come >= mergeCount && !m.release(m.newest-s.late, yield) {
				return
			}
		}
		m.release(math.MaxInt64, yield)
	}
}

func (m *merge) take(values []Value) {
	for _, v := range values {
		if m.s.channels[v.Channel].Kind != Aligned {
			m.plain = append(m.plain, v)
			m.come++
			m.newest = max(m.newest, v.At)
			continue
		}
		i := len(m.aligned)
		for i > 0 && later(m.aligned[i-1], v) {
			i--
		}
		m.aligned = slices.Insert(m.aligned, i, v)
	}
}

// release yields what was true until an instant, and reports whether more is wanted.
func (m *merge) release(until time.Duration, yield func(Value, error) bool) bool {
	i, k := 0, 0
	m.come = 0
	defer func() {
		m.plain, m.aligned = append(m.plain[:0], m.plain[i:]...), append(m.aligned[:0], m.aligned[k:]...)
	}()
	for i < len(m.plain) || k < len(m.aligned) {
		from, next := &m.plain, &i
		if i >= len(m.plain) || k < len(m.aligned) && later(m.plain[i], m.aligned[k]) {
			from, next = &m.aligned, &k
		}
		v := (*from)[*next]
		if v.At > until {
			return true
		}
		*next++
		if !yield(v, nil) {
			return false
		}
	}
	return true
}
