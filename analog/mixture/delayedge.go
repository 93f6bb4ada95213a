package mixture

import (
	"math"
	"time"
)

// How steps of the mixture are looked for (common practice, no source).
const (
	stepDepth  = 0.05                    // λ: a change of the command that counts as a step
	edgeWait   = 1500 * time.Millisecond // for a step to arrive
	edgeBefore = time.Second             // of level before it
	edgeAfter  = 300 * time.Millisecond  // of level on both sides of a step
	edgeSigmas = 5.0
	edgeBias   = 0.010 // s from the arrival until a lagging sensor shows it
	strokes    = 0.020 // s: within so long a mixture steps, not at once
	longestLag = 0.5   // s
)

// Parts of a step. A first-order lag has passed on the second, 1 − 1/e, after as long as the lag.
const quarter, reached = 0.25, 1 - 1/math.E

// edge is a step of the mixture that is waited for.
type edge struct {
	from, to time.Duration // it happened in between
	timed    bool          // the command told it; otherwise only a fuel cut is known to have happened then
}

// fuelStatus takes in the status of the fuel system: open loop by load or fuel cut may begin with a step.
func (d *delayFinder) fuelStatus(f *frame) {
	if !f.known[FuelStatus] || d.hasState && f.since[FuelStatus] <= d.status.at {
		return
	}
	before, had := d.status, d.hasState
	d.status, d.hasState = said{f.since[FuelStatus], f.is[FuelStatus]}, true
	if had && d.status.value == 4 && before.value != 4 && d.status.at-before.at <= fresh {
		d.await(edge{from: before.at, to: d.status.at})
	}
}

// await waits for a step to arrive. Where command and status tell of one step, it happened when both may be right.
func (d *delayFinder) await(e edge) {
	if e.to-d.lastEdge > edgeWait {
		d.waiting = append(d.waiting, e)
		d.lastEdge = e.to
		return
	}
	if n := len(d.waiting); n > 0 {
		last := &d.waiting[n-1]
		if from, to := max(last.from, e.from), min(last.to, e.to); from < to {
			*last = edge{from, to, last.timed || e.timed}
		}
	}
}

// arrival looks for the instant at which the reading leaves its level. A level at an end of the scale tells none: the reading
// leaves it long after the mixture did.
func (d *delayFinder) arrival(e edge, past *past) {
	begin, end := past.index(e.from-edgeBefore), past.index(e.to+edgeWait)
	if begin < 0 || end < begin {
		return
	}
	frames := past.frames[begin : end+1]
	var values []float64
	for i := range frames {
		if f := &frames[i]; f.at <= e.from {
			if f.state != Valid {
				return
			}
			values = append(values, f.volts)
		}
	}
	if len(values) < 2 {
		return
	}
	level, variance := meanVariance(values)
	sigma := max(0.010, math.Sqrt(variance))
	limit := edgeSigmas * sigma
	for i := 0; i+2 < len(frames); i++ {
		f := &frames[i]
		if f.at <= e.from || math.Abs(f.volts-level) < limit || math.Abs(frames[i+2].volts-level) < limit {
			continue
		}
		if e.timed || goesLean(frames[i:]) {
			d.look(e, frames, i)
		}
		d.lag(frames, i, sigma)
		return
	}
}

// goesLean tells whether readings reach the lean end of the scale in a fuel cut.
func goesLean(frames []frame) bool {
	for i := range frames {
		if cut, known := frames[i].cut(); known && cut && frames[i].state == HighLimit {
			return true
		}
	}
	return false
}

// look makes a look of a step that arrived with frame i. Speed and flow are the middle ones of the way, of what is certainly a part of
// it: as the fuel is cut the flow falls, and for a moment the flow from before is the last that was told. Of steps that are known to
// half a second some seem to arrive before they happened; without them the rest would be late on average.
func (d *delayFinder) look(e edge, frames []frame, i int) {
	middle := e.from + (e.to-e.from)/2
	under := middle
	if e.to < frames[i].at {
		under = e.to
	}
	p := passed{delay: (frames[i].at - middle).Seconds() - edgeBias,
		sigma: math.Hypot((e.to-e.from).Seconds()/math.Sqrt(12), edgeBias)}
	var cycles, flows []float64
	for j := range frames[:i+1] {
		if flow, ok := frames[j].exhaustFlow(); ok && frames[j].at >= under {
			cycles, flows = append(cycles, 90/frames[j].is[EngineSpeed]), append(flows, flow)
		}
	}
	if len(flows) == 0 {
		return
	}
	p.cycle, p.gas = median(cycles), math.Pow(median(flows), gasExponent)
	d.seen = append(d.seen, p)
}

// lag makes a look at the lag of a step from one level on the scale to another, which arrived about frame i: of a first-order lag
// a quarter of the step has passed after 0.29 of the lag and 63 % after the lag itself.
func (d *delayFinder) lag(frames []frame, i int, sigma float64) {
	var before, after []float64
	arrived, last := frames[i].at, frames[len(frames)-1].at
	for j := range frames {
		f := &frames[j]
		switch {
		case j >= i && f.state != Valid:
			return // clipped
		case f.at < arrived && f.at > arrived-edgeAfter:
			before = append(before, f.volts)
		case f.at > last-edgeAfter:
			after = append(after, f.volts)
		}
	}
	level, _ := meanVariance(before)
	final, variance := meanVariance(after)
	step := final - level
	if len(before) < 2 || len(after) < 2 || math.Sqrt(variance) > 0.1*math.Abs(step) || sigma > 0.1*math.Abs(step) {
		return
	}
	late, gap, ok := crossing(frames, level, step, reached)
	early, _, ok2 := crossing(frames, level, step, quarter)
	if !ok || !ok2 {
		return
	}
	rest := 1 + math.Log(1-quarter) // of the lag, between both
	p := passed{lagged: true, delay: (late - early).Seconds() / rest}
	moved := sigma / math.Abs(step) * p.delay // by the level's own scatter
	p.sigma = math.Hypot(math.Hypot(moved, gap.Seconds()/math.Sqrt(6)), strokes) / rest
	if p.delay < longestLag {
		d.seen = append(d.seen, p)
	}
}

// crossing is the instant from which on a part of a step has passed, and how far apart the frames on both sides are.
func crossing(frames []frame, level, step, part float64) (at, gap time.Duration, ok bool) {
	for j := len(frames) - 1; j > 0; j-- {
		a, b := (frames[j-1].volts-level)/step, (frames[j].volts-level)/step
		if a < part && b >= part {
			gap = frames[j].at - frames[j-1].at
			return frames[j-1].at + time.Duration(float64(gap)*(part-a)/(b-a)), gap, true
		}
	}
	return 0, 0, false
}
