package mixture

import (
	"math"
	"time"
)

// frameTime is the grid on which readings and what the engine's computer said are brought together.
const frameTime = 20 * time.Millisecond

// holdTime is how long readings wait for what the engine's computer says: its answers come later than the converter's codes.
const holdTime = 1500 * time.Millisecond

// frame is the readings of a short span, and the situation at their mean instant.
type frame struct {
	situation
	volts  float64 // mean
	n      int     // of readings
	state  State   // of all of them; Unknown where they differ
	rough  float64 // sum of the readings' squared second differences
	roughN int
}

// noise is the standard deviation of white noise that makes the given sum of squared second differences: their variance is
// six times its own. What changes slowly adds next to nothing.
func noise(rough float64, n int) float64 {
	if n == 0 {
		return 0
	}
	return math.Sqrt(rough / 6 / float64(n))
}

// joiner brings both sources' readings together.
type joiner struct {
	heard   [quantities]history
	open    frame
	opened  bool
	cell    int64 // of the grid, that open is in
	waiting []frame
	gone    int     // of waiting, handed out already
	v1, v2  float64 // the last two readings
	s1, s2  State
	newest  time.Duration
}

func (j *joiner) engine(t time.Duration, q Quantity, value float64) {
	if q < quantities && !math.IsNaN(value) && !math.IsInf(value, 0) {
		j.heard[q].add(said{t, value})
	}
}

// reading adds a reading and hands out the frames that have waited long enough.
func (j *joiner) reading(t time.Duration, volts float64, state State, out func(*frame)) {
	if math.IsNaN(volts) || math.IsInf(volts, 0) || t < j.newest {
		return
	}
	j.newest = t
	cell := int64(math.Floor(t.Seconds() / frameTime.Seconds()))
	if j.opened && cell != j.cell {
		j.close()
	}
	if !j.opened {
		j.open, j.opened, j.cell = frame{situation: situation{at: t}, state: state}, true, cell
	}
	f := &j.open
	f.n++
	f.at += (t - f.at) / time.Duration(f.n)
	f.volts += (volts - f.volts) / float64(f.n)
	if state != f.state {
		f.state = Unknown
	}
	if j.s1 == state && j.s2 == state {
		d := volts - 2*j.v1 + j.v2
		f.rough += d * d
		f.roughN++
	}
	j.v2, j.v1, j.s2, j.s1 = j.v1, volts, j.s1, state
	j.release(t-holdTime, out)
}

func (j *joiner) close() {
	j.waiting = append(j.waiting, j.open)
	j.opened = false
}

// release hands out the frames up to t.
func (j *joiner) release(t time.Duration, out func(*frame)) {
	for j.gone < len(j.waiting) && j.waiting[j.gone].at <= t {
		f := &j.waiting[j.gone]
		for q := range j.heard {
			if s, ok := j.heard[q].before(f.at); ok {
				f.is[q], f.since[q], f.known[q] = s.value, s.at, true
			}
		}
		out(f)
		j.gone++
	}
	// Moving what still waits is put off until it is worth its while.
	if j.gone > 4*int(holdTime/frameTime) || j.gone == len(j.waiting) {
		j.waiting = j.waiting[:copy(j.waiting, j.waiting[j.gone:])]
		j.gone = 0
	}
}

func (j *joiner) flush(out func(*frame)) {
	if j.opened {
		j.close()
	}
	j.release(math.MaxInt64, out)
}

// now is the situation by the newest of what was heard.
func (j *joiner) now() situation {
	s := situation{}
	for q := range j.heard {
		if last, ok := j.heard[q].before(math.MaxInt64); ok {
			s.is[q], s.since[q], s.known[q] = last.value, last.at, true
			s.at = max(s.at, last.at)
		}
	}
	return s
}

// mostApart is how far apart two frames may lie for what is between them to be told: a slow converter's readings.
const mostApart = 150 * time.Millisecond

// past is the newest frames.
type past struct{ frames []frame }

// pastTime is how far back they go at least.
const pastTime = 4 * time.Second

func (p *past) add(f *frame) {
	const keep = int(pastTime / frameTime)
	if len(p.frames) >= 2*keep {
		p.frames = p.frames[:copy(p.frames, p.frames[len(p.frames)-keep:])]
	}
	p.frames = append(p.frames, *f)
}

// index is the place of the last frame that is not after t; -1 if there is none.
func (p *past) index(t time.Duration) int {
	if len(p.frames) == 0 || t < p.frames[0].at {
		return -1
	}
	// Frames may be missing where the converter is slow, so this is the latest place it can be at, give or take one.
	i := min(len(p.frames)-1, int((t-p.frames[0].at)/frameTime)+1)
	for p.frames[i].at > t {
		i--
	}
	return i
}

// volts are those of an instant, between the frames on both sides of it; not ok if they are too far apart.
func (p *past) volts(t time.Duration) (volts float64, ok bool) {
	i := p.index(t)
	if i < 0 || i+1 >= len(p.frames) {
		return 0, false
	}
	a, b := &p.frames[i], &p.frames[i+1]
	if b.at-a.at > mostApart {
		return 0, false
	}
	return a.volts + (b.volts-a.volts)*float64(t-a.at)/float64(b.at-a.at), true
}

// all tells whether all frames between two instants, at least one, are of one state.
func (p *past) all(from, to time.Duration, s State) bool {
	i := p.index(to)
	if i < 0 {
		return false
	}
	for ; i >= 0 && p.frames[i].at >= from; i-- {
		if p.frames[i].state != s {
			return false
		}
	}
	return true
}
