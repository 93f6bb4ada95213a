package mixture

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// spikes gives the places of the readings that are told to be spikes.
func spikes(s *Spikes, readings []float64) (places []int) {
	for i, v := range append(readings, readings[len(readings)-1]) {
		if s.Next(v) {
			places = append(places, i-1)
		}
	}
	return places
}

func TestSpikes(t *testing.T) {
	repeat := func(n int, v float64) (all []float64) {
		for range n {
			all = append(all, v)
		}
		return all
	}
	join := func(parts ...[]float64) (all []float64) {
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	one := func(v ...float64) []float64 { return v }
	ramp := func(from, step float64, n int) (all []float64) {
		for i := range n {
			all = append(all, from+float64(i)*step)
		}
		return all
	}
	for _, row := range []struct {
		name     string
		readings []float64
		want     []int
	}{
		{"nothing", repeat(20, 2.5), nil},
		{"up", join(repeat(10, 2.5), one(4), repeat(10, 2.5)), []int{10}},
		{"down to 0 V", join(repeat(10, 2.5), one(0), repeat(10, 2.5)), []int{10}},
		{"two apart", join(repeat(10, 2.5), one(4, 2.5, 4), repeat(10, 2.5)), []int{10, 12}},
		{"one after another on opposite sides", join(repeat(10, 2.5), one(4, 1), repeat(10, 2.5)), nil},
		{"a step", join(repeat(10, 2.5), repeat(10, 4)), nil},
		{"a step that overshoots", join(repeat(10, 2.5), one(4.3), repeat(10, 4)), nil},
		{"a pulse of two readings", join(repeat(10, 2.5), one(4, 4), repeat(10, 2.5)), nil},
		{"a ramp with a spike", join(ramp(1, 0.05, 15), one(4), ramp(1.8, 0.05, 10)), []int{15}},
		{"a sharp peak of a signal that moves", join(ramp(1, 0.1, 10), ramp(2, -0.1, 10)), nil},
		{"less than the floor", join(repeat(10, 2.5), one(2.515), repeat(10, 2.5)), nil},
		{"the first reading", join(one(4), repeat(10, 2.5)), nil},
		{"no number", join(repeat(10, 2.5), one(math.NaN()), repeat(10, 2.5)), nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.Equal(t, row.want, spikes(&Spikes{Floor: 0.02}, row.readings))
		})
	}
	// After a break the neighbours on both sides belong to different signals.
	s := &Spikes{Floor: 0.02}
	spikes(s, repeat(10, 2.5))
	s.Break()
	assert.False(t, s.Next(4))
	assert.False(t, s.Next(2.5), "what is before the break is nobody's neighbour")
}

// Among readings with normally distributed noise every spike of ten σ is found, and fewer than one reading in a thousand is taken for one.
func TestSpikesInNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	const n, sigma = 20000, 0.005
	put := map[int]bool{}
	readings := make([]float64, n)
	for i := range readings {
		readings[i] = 2.5 + 0.3*math.Sin(float64(i)/40) + sigma*r.NormFloat64()
		if i%100 == 57 {
			readings[i] += 20 * sigma * float64(1-2*(i/100%2))
			put[i] = true
		}
	}
	found, wrong := 0, 0
	for _, i := range spikes(&Spikes{}, readings) {
		if put[i] {
			found++
		} else {
			wrong++
		}
	}
	assert.GreaterOrEqual(t, found, len(put)*98/100)
	assert.Less(t, wrong, n/1000)
}

// averaged is a series after the whole filter.
func averaged(at []time.Duration, v []float64, rate float64) (means []Mean) {
	s := Spikes{Floor: 0.02}
	var m Mean
	cell := Cell(at[0], rate)
	for i := range v {
		spike := false
		if i+1 < len(v) {
			// The filter hears of the next reading first.
			if i == 0 {
				s.Next(v[0])
			}
			spike = s.Next(v[i+1])
		}
		if c := Cell(at[i], rate); c != cell && m.N() > 0 {
			means, m, cell = append(means, m), Mean{}, c
		}
		if !spike {
			m.Add(at[i], 2*time.Millisecond, v[i])
		}
	}
	return append(means, m)
}

// A step through the filter stays where it was, to a tenth of a cell, is smeared over one cell and does not overshoot, also where the
// readings come unevenly and a spike stands beside it.
func TestTheFilterKeepsEdges(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const rate, edge = 10.0, 4.237
	var at []time.Duration
	var v []float64
	for i := range 1000 {
		x := (float64(i) + 0.3*(r.Float64()-0.5)) / 100
		if i > 500 && i < 520 {
			continue // a gap
		}
		at = append(at, time.Duration(x*float64(time.Second)))
		level := 1.25
		if x >= edge {
			level = 3.75
		}
		if i == 430 {
			level = 0
		}
		v = append(v, level)
	}
	means := averaged(at, v, rate)
	between := 0
	area := 0.0 // of the step: its place, by its integral
	for i, m := range means {
		require.GreaterOrEqual(t, m.Value(), 1.25)
		require.LessOrEqual(t, m.Value(), 3.75)
		if m.Value() > 1.26 && m.Value() < 3.74 {
			between++
		}
		if i > 0 {
			require.Greater(t, m.At(), means[i-1].At())
		}
		assert.Equal(t, 2*time.Millisecond, m.Half())
		if m.At() < 5*time.Second {
			area += (m.Value() - 1.25) / 2.5 / rate
		}
	}
	assert.LessOrEqual(t, between, 1)
	assert.InDelta(t, 5-edge, area, 0.01)
	assert.InDelta(t, 98, len(means), 1, "nothing is made up in the gap")
}

// Linear phase: a slow sine comes out of the filter at the instants at which it had those values.
func TestTheFilterHasNoDelay(t *testing.T) {
	wave := func(t time.Duration) float64 { return 2 + math.Sin(2*math.Pi*0.5*t.Seconds()) }
	var at []time.Duration
	var v []float64
	for i := range 2500 {
		at = append(at, time.Duration(i)*4*time.Millisecond)
		v = append(v, wave(at[i]))
	}
	// A mean over T of a sine is smaller by sin(πfT)/(πfT), which is 0.996 here, and not late.
	for _, m := range averaged(at, v, 10) {
		assert.InDelta(t, wave(m.At()), m.Value(), 0.005)
	}
}

func TestMean(t *testing.T) {
	var m Mean
	assert.Zero(t, m.N())
	assert.Zero(t, m.Sigma())
	m.Add(time.Second, time.Millisecond, 1)
	m.Add(2*time.Second, 3*time.Millisecond, 2)
	m.Add(6*time.Second, 2*time.Millisecond, 6)
	assert.Equal(t, 3*time.Second, m.At())
	assert.Equal(t, 2*time.Millisecond, m.Half())
	assert.InDelta(t, 3, m.Value(), 1e-12)
	assert.InDelta(t, math.Sqrt(7), m.Sigma(), 1e-12)
	for at, want := range map[time.Duration]int64{0: 0, 99 * time.Millisecond: 0, 100 * time.Millisecond: 1, -time.Millisecond: -1} {
		assert.Equal(t, want, Cell(at, 10), "at %v", at)
	}
}

func BenchmarkSpikes(b *testing.B) {
	s := Spikes{Floor: 0.02}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		s.Next(2.5 + float64(i%7)*0.001)
	}
}
