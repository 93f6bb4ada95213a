package derive

import (
	"errors"
	"fmt"
	"math"
	"time"

	"underdash/store"
)

// Rate is how one channel was read over the session.
type Rate struct {
	Readings  int
	Missing   int           // of them with a state instead of a plain measurement, see Value.State
	PerSecond float64       // readings a second between the first and the last; 0 for fewer than two
	WorstGap  time.Duration // between two neighbours

	Min, Mean, Max float64 // of plain measurements; NaN if there is none, and for a Status
}

// Rates reads the session once and returns how each of its channels was read, in their order. Damaged blocks are left
// out; the error, if any, wraps the first *store.BlockError then, and the rates are those of the rest. After any other
// error they are those of what came before it.
func (s *Session) Rates() ([]Rate, error) {
	rates := make([]Rate, len(s.channels))
	first, last := make([]time.Duration, len(rates)), make([]time.Duration, len(rates))
	plain := make([]int, len(rates))
	for i := range rates {
		rates[i].Min, rates[i].Mean, rates[i].Max = math.NaN(), math.NaN(), math.NaN()
	}
	var damage error
	for v, err := range s.Values() {
		if err != nil {
			if damage == nil {
				damage = fmt.Errorf("read the session: %w", err)
			}
			if !errors.As(err, new(*store.BlockError)) {
				break
			}
			continue
		}
		r := &rates[v.Channel]
		if r.Readings == 0 {
			first[v.Channel] = v.At
		} else {
			r.WorstGap = max(r.WorstGap, v.At-last[v.Channel])
		}
		r.Readings++
		last[v.Channel] = v.At
		switch {
		case v.State != "" && s.channels[v.Channel].Kind != Volts:
			r.Missing++
		case s.channels[v.Channel].Kind != Status:
			r.take(v.Number, plain[v.Channel])
			plain[v.Channel]++
		}
	}
	for i := range rates {
		if span := (last[i] - first[i]).Seconds(); span > 0 {
			rates[i].PerSecond = float64(rates[i].Readings-1) / span
		}
	}
	return rates, damage
}

// take takes in one plain measurement after n others. The mean is brought along so that a long session loses no digits.
func (r *Rate) take(x float64, n int) {
	if n == 0 {
		r.Min, r.Mean, r.Max = x, x, x
		return
	}
	r.Min, r.Max = min(r.Min, x), max(r.Max, x)
	r.Mean += (x - r.Mean) / float64(n+1)
}
