package mixture

import (
	"math"
	"time"
)

// How the delay is looked for (common practice, no source).
const (
	swingFirst, swingLast, swingStep = 0 * time.Millisecond, 1500 * time.Millisecond, 20 * time.Millisecond
	swingLags                        = int((swingLast-swingFirst)/swingStep) + 1
	leastSwing                       = 15 * time.Second // of one stretch at one operating point
	mostSwing                        = 60 * time.Second
	swingPoint                       = 0.10 // part by which speed and flow may move
	swingDepth                       = 0.003
	swingMatch                       = 0.6 // correlation
	swingCorrelated                  = 2.0 // readings of what disturbs the mixture that are worth one
)

// passed is one look at the delay.
type passed struct {
	lagged bool    // it shows the lag, too; otherwise the dead time alone
	cycle  float64 // 90 s over the engine speed; 0 where it shows the lag alone
	gas    float64 // flow^-1.125; 0 likewise
	delay  float64 // s
	sigma  float64 // s
}

// delayFinder looks for the delay in three ways: where the command swings about a steady operating point, by how much the reading
// has to be moved to match it; where the command steps or the fuel is cut, by when the reading first moves; and where it then
// moves to another level on the scale, by how long it takes to get there.
type delayFinder struct {
	seen []passed

	on       bool
	since    time.Duration
	until    time.Duration
	rpm      float64 // of the stretch
	flow     float64
	cycle    float64 // sums over the stretch
	gas      float64
	frames   float64
	commands []said
	sums     [swingLags]sums

	told     said // that command
	hasTold  bool
	status   said // of the fuel system
	hasState bool
	waiting  []edge
	lastEdge time.Duration
}

func (d *delayFinder) feed(f *frame, past *past) {
	d.stretch(f)
	d.command(f)
	d.fuelStatus(f)
	for len(d.commands) > 0 && d.commands[0].at+swingLast < f.at {
		d.match(past)
	}
	for len(d.waiting) > 0 && d.waiting[0].to+edgeWait <= f.at {
		d.arrival(d.waiting[0], past)
		d.waiting = d.waiting[:copy(d.waiting, d.waiting[1:])]
	}
}

// stretch watches whether the operating point stays.
func (d *delayFinder) stretch(f *frame) {
	status, ok := f.get(FuelStatus)
	flow, known := f.exhaustFlow()
	rpm := f.is[EngineSpeed]
	steady := ok && status == 2 && known && f.state == Valid
	if d.on && (!steady || math.Abs(rpm-d.rpm) > swingPoint*d.rpm || math.Abs(flow-d.flow) > swingPoint*d.flow || f.at-d.since > mostSwing) {
		d.finish()
	}
	if !steady {
		return
	}
	if !d.on {
		d.on, d.since, d.rpm, d.flow = true, f.at, rpm, flow
		d.cycle, d.gas, d.frames = 0, 0, 0
		d.sums = [swingLags]sums{}
	}
	d.until = f.at
	d.cycle += 90 / rpm
	d.gas += math.Pow(flow, gasExponent)
	d.frames++
}

// command takes in what is commanded.
func (d *delayFinder) command(f *frame) {
	if !f.known[CommandedLambda] || d.hasTold && f.since[CommandedLambda] <= d.told.at {
		return
	}
	now := said{f.since[CommandedLambda], f.is[CommandedLambda]}
	if d.on && now.at >= d.since {
		d.commands = append(d.commands, now)
	}
	if gap := now.at - d.told.at; d.hasTold && gap <= fresh && math.Abs(now.value-d.told.value) >= stepDepth {
		cut, known := f.cut()
		if !(known && cut) || now.value > d.told.value {
			d.await(edge{from: d.told.at, to: now.at, timed: true})
		}
	}
	d.told, d.hasTold = now, true
}

// match compares the oldest command with the readings after it.
func (d *delayFinder) match(past *past) {
	c := d.commands[0]
	d.commands = d.commands[:copy(d.commands, d.commands[1:])]
	if !d.on || c.at < d.since || !past.all(c.at, c.at+swingLast, Valid) {
		return
	}
	for i := range d.sums {
		if volts, ok := past.volts(c.at + swingFirst + time.Duration(i)*swingStep); ok {
			d.sums[i].add(c.value, volts)
		}
	}
}

// finish makes a look of a stretch in which the command swung enough.
func (d *delayFinder) finish() {
	if !d.on {
		return
	}
	d.on = false
	if d.until-d.since < leastSwing {
		return
	}
	p, ok := peak(&d.sums)
	if !ok {
		return
	}
	p.lagged, p.cycle, p.gas = true, d.cycle/d.frames, d.gas/d.frames
	d.seen = append(d.seen, p)
}

// peak is where commands and readings match best, and how well that is known: the residuals of the match over the slope of the
// swing, by what is independent of them.
func peak(all *[swingLags]sums) (p passed, ok bool) {
	best, most := 0, 0.0
	for i := range all {
		if r := match(&all[i]); r > most {
			best, most = i, r
		}
	}
	if best == 0 || best == swingLags-1 || most < swingMatch {
		return p, false
	}
	_, _, sxx, _, _ := all[best].moments()
	if math.Sqrt(sxx) < swingDepth {
		return p, false
	}
	// A parabola through places some steps to both sides: next to the peak the noise weighs more than the curve.
	reach := min(5, best, swingLags-1-best)
	h := float64(reach) * swingStep.Seconds()
	a, b, c := match(&all[best-reach]), most, match(&all[best+reach])
	bend := 2*b - a - c
	if !(bend > 0) {
		return p, false
	}
	p.delay = (swingFirst + time.Duration(best)*swingStep).Seconds() + h/2*(c-a)/bend
	sharpness := bend / (h * h) / most // mean square slope of the swing over its variance
	n := max(1, all[best].n/swingCorrelated)
	p.sigma = math.Sqrt((1 - most*most) / (most * most) / (n * sharpness))
	return p, true
}

// match is a correlation; whether volts rise with λ or fall is the same to it.
func match(s *sums) float64 {
	if s.n < 10 {
		return 0
	}
	return math.Abs(s.correlation())
}
