package mixture

import (
	"math"
	"slices"
	"time"
)

// Filtering that keeps edges, for readings taken faster than they are wanted: single-sample spikes are dropped (Spikes), and what is
// left is averaged over cells of equal length (Mean). A mean over a cell weighs all its readings alike, the boxcar filter, the shortest
// that has linear phase: an edge is smeared over one cell, without overshoot, and comes neither early nor late, since the
// mean stands at the middle of the instants that it is made of.

// Spikes tells readings that stand alone from signal. A reading is a spike if it lies beyond both its neighbours, on the same side, by
// far more than the noise and by far more than the signal moved from reading to reading around it. An edge, a pulse of two readings, or a peak of a signal that
// moves is none. The zero value is ready.
type Spikes struct {
	// Floor is the least that a spike stands out by, in the readings' unit.
	Floor float64

	n      int     // readings since the last break
	moved  float64 // from the reading before that to the reading before the newest
	before float64 // the reading before the newest
	newest float64
	odds   [spikeMemory]float64 // how far readings lay from the middle of their neighbours
	count  int
	sorted []float64 // scratch
}

const (
	spikeMemory = 31  // readings that the noise is told from
	spikeSigmas = 6.0 // of the noise
	spikeApart  = 3.0 // times what the signal moves
)

// Next takes the next reading, and tells whether the one before it was a spike. What it told is not taken back.
func (s *Spikes) Next(v float64) (spike bool) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = s.newest
	}
	if s.n >= 2 {
		out := s.newest - (s.before+v)/2
		stands := min(math.Abs(s.newest-s.before), math.Abs(s.newest-v))
		beyond := (s.newest-s.before)*(s.newest-v) > 0
		spike = beyond && stands > max(s.Floor, spikeSigmas*s.noise()) && stands > spikeApart*max(math.Abs(v-s.before), s.moved)
		s.odds[s.count%spikeMemory] = math.Abs(out)
		s.count++
	}
	if spike {
		s.newest = v // its neighbours are neighbours now
		return true
	}
	s.moved = 0
	if s.n >= 2 {
		s.moved = math.Abs(s.newest - s.before)
	}
	s.n, s.before, s.newest = s.n+1, s.newest, v
	return false
}

// Break forgets the neighbours, after a gap or where the readings begin to mean something else. The noise is remembered.
func (s *Spikes) Break() { s.n = 0 }

// noise is the standard deviation of the readings about their neighbours' middle, by the median, which a spike does not move: for
// normally distributed noise the median of the absolute value is 0.6745 σ, and that of a reading less the mean of two others is
// √1.5 of a reading's.
func (s *Spikes) noise() float64 {
	n := min(s.count, spikeMemory)
	if n < 5 {
		return 0
	}
	s.sorted = append(s.sorted[:0], s.odds[:n]...)
	slices.Sort(s.sorted)
	return s.sorted[n/2] / 0.6745 / math.Sqrt(1.5)
}

// Cell is the number of the cell that an instant falls into, where rate cells make a second. Cell 0 begins at 0.
func Cell(t time.Duration, rate float64) int64 {
	return int64(math.Floor(t.Seconds() * rate))
}

// Mean is the mean of a cell's readings in the making. The zero value has none.
type Mean struct {
	n       int
	since   time.Duration // the first reading's instant
	after   float64       // seconds: mean of the instants after since
	half    float64       // seconds: mean of the bounds
	value   float64
	squares float64
}

// Add takes a reading: its instant, the half width of what the instant may be off by, and its value.
func (m *Mean) Add(t, half time.Duration, v float64) {
	if m.n == 0 {
		*m = Mean{since: t}
	}
	m.n++
	w := 1 / float64(m.n)
	m.after += w * ((t - m.since).Seconds() - m.after)
	m.half += w * (half.Seconds() - m.half)
	d := v - m.value
	m.value += w * d
	m.squares += d * (v - m.value)
}

// N is how many readings there are.
func (m *Mean) N() int { return m.n }

// First is the first reading's instant.
func (m *Mean) First() time.Duration { return m.since }

// At is the middle of the readings' instants: where the mean belongs, however unevenly they came.
func (m *Mean) At() time.Duration {
	return m.since + time.Duration(math.Round(m.after*float64(time.Second)))
}

// Half is what At may be off by: the mean of the readings' bounds, since they may all be off to the same side.
func (m *Mean) Half() time.Duration { return time.Duration(math.Ceil(m.half * float64(time.Second))) }

// Value is the mean.
func (m *Mean) Value() float64 { return m.value }

// Sigma is the standard deviation of the readings; 0 for fewer than two.
func (m *Mean) Sigma() float64 {
	if m.n < 2 {
		return 0
	}
	return math.Sqrt(m.squares / float64(m.n-1))
}
