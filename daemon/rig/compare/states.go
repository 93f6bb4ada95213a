package compare

import (
	"math"
	"slices"
	"time"

	"underdash/daemon/rig"
)

// states collects mixture readings by driving state, from the steady parts only: while the mixture at the sensor
// still moves, an error of some milliseconds in an instant looks like one in λ.
type states struct {
	phases []rig.Phase
	order  []string
	by     map[string]*stateTally
}

type stateTally struct {
	length       time.Duration
	lambda, true float64
	differences  []float64
}

func newStates(truth *rig.Truth) *states {
	s := &states{by: make(map[string]*stateTally)}
	for _, p := range truth.Phases() {
		if !p.Steady {
			continue
		}
		s.phases = append(s.phases, p)
		t := s.by[p.Name]
		if t == nil {
			t = &stateTally{}
			s.by[p.Name] = t
			s.order = append(s.order, p.Name)
		}
		t.length += p.To - p.From
	}
	return s
}

func (s *states) add(at time.Duration, lambda, truth float64) {
	i := slices.IndexFunc(s.phases, func(p rig.Phase) bool { return at >= p.From && at < p.To })
	if i < 0 {
		return
	}
	t := s.by[s.phases[i].Name]
	t.lambda += lambda
	t.true += truth
	t.differences = append(t.differences, lambda-truth)
}

func (s *states) result() []State {
	var out []State
	for _, name := range s.order {
		t := s.by[name]
		n := float64(len(t.differences))
		r := State{Name: name, Length: t.length, Readings: len(t.differences)}
		if n > 0 {
			r.Lambda, r.True = t.lambda/n, t.true/n
			r.Error = r.Lambda - r.True
			for i, d := range t.differences {
				t.differences[i] = math.Abs(d)
			}
			slices.Sort(t.differences)
			r.P95 = t.differences[min(len(t.differences)-1, int(0.95*n))]
		}
		out = append(out, r)
	}
	return out
}
