package mixture

import (
	"math"
	"time"
)

// When closed loop is a reference for λ = 1 (the windows of published trim monitors and common practice).
const (
	warmCoolant   = 75.0 // °C
	warmRun       = 180.0
	settleLoop    = 2 * time.Second  // after the gate opened
	afterCut      = 10 * time.Second // the catalyst is filled up again, rich
	leastWindow   = 30 * time.Second
	longestWindow = 60 * time.Second // a longer stretch becomes several windows

	idleSpan   = 50.0 // 1/min about the mean
	cruiseSpan = 100.0
	cruiseRoad = 40.0 // km/h
	kPaSpan    = 3.0
	loadSpan   = 3.0 // percent
	angleSpan  = 1.5 // percent
	trimMost   = 5.0 // percent, short-term, on average
	offTarget  = 0.01
)

// loop finds settled stretches of closed loop, in which the engine's computer holds λ at what it commands.
type loop struct {
	idle    bool // which of the two states it looks for
	slope   float64
	windows []window

	lastCut  time.Duration
	seenCut  bool
	on       bool
	since    time.Duration
	steady   situation // running means of what must be steady
	blocks   []float64
	block    float64 // sum of the block that is being filled
	blockN   int
	next     time.Duration
	commands []said
	trim     float64
	trimN    float64
	rough    float64
	roughN   int
}

// window is one settled stretch.
type window struct {
	at, length time.Duration
	known      float64 // λ
	seen       estimate
	noise      float64 // of single readings, volts
}

func (l *loop) feed(f *frame) {
	if cut, known := f.cut(); known && cut {
		l.lastCut, l.seenCut = f.at, true
	}
	if !l.gate(f) {
		l.finish(f.at)
		l.on = false
		return
	}
	if !l.on {
		*l = loop{idle: l.idle, slope: l.slope, windows: l.windows, lastCut: l.lastCut, seenCut: l.seenCut, on: true, since: f.at, steady: f.situation}
	}
	if f.at-l.since < settleLoop {
		l.follow(f, 0.02)
		return
	}
	l.follow(f, 0.002)
	l.add(f)
	if f.at-l.since-settleLoop >= longestWindow {
		l.finish(f.at)
		l.begin(f.at - settleLoop)
	}
}

func (l *loop) begin(since time.Duration) {
	l.since, l.blocks, l.commands = since, l.blocks[:0], l.commands[:0]
	l.block, l.blockN, l.next = 0, 0, 0
	l.trim, l.trimN, l.rough, l.roughN = 0, 0, 0, 0
}

// gate tells whether a frame is in settled closed loop.
func (l *loop) gate(f *frame) bool {
	if f.state != Valid || l.seenCut && f.at-l.lastCut < afterCut {
		return false
	}
	status, ok := f.get(FuelStatus)
	if !ok || status != 2 {
		return false
	}
	if c, ok := f.get(Coolant); !ok || c < warmCoolant {
		return false
	}
	if r, ok := f.get(RunTime); ok && r < warmRun {
		return false
	}
	if t, ok := f.get(LongTrim); ok && l.on && t == 0 && math.Abs(l.steady.is[LongTrim]) > 1 {
		return false // a self-test sets it aside for a while
	}
	rpm, ok1 := f.get(EngineSpeed)
	road, ok2 := f.get(VehicleSpeed)
	if !ok1 || !ok2 || rpm < runningSpeed {
		return false
	}
	span := cruiseSpan
	if l.idle {
		span = idleSpan
		if road >= 1 {
			return false
		}
	} else if road < cruiseRoad {
		return false
	}
	return !l.on || l.within(f, EngineSpeed, span) && l.within(f, ManifoldPressure, kPaSpan) &&
		l.within(f, EngineLoad, loadSpan) && l.within(f, Throttle, angleSpan)
}

// within tells whether a quantity, where it is known, stays near its mean.
func (l *loop) within(f *frame, q Quantity, span float64) bool {
	v, ok := f.get(q)
	return !ok || !l.steady.known[q] || math.Abs(v-l.steady.is[q]) <= span
}

// follow moves the running means.
func (l *loop) follow(f *frame, share float64) {
	for q := range quantities {
		if !f.known[q] {
			continue
		}
		if !l.steady.known[q] {
			l.steady.is[q], l.steady.known[q] = f.is[q], true
		}
		l.steady.is[q] += share * (f.is[q] - l.steady.is[q])
	}
}

func (l *loop) add(f *frame) {
	if l.next == 0 {
		l.next = f.at + blockSpan
	}
	if f.at >= l.next {
		if l.blockN > 0 {
			l.blocks = append(l.blocks, l.block/float64(l.blockN))
		} else if n := len(l.blocks); n > 0 { // a slow converter: the grid is kept
			l.blocks = append(l.blocks, l.blocks[n-1])
		}
		l.block, l.blockN = 0, 0
		l.next += blockSpan
	}
	l.block += f.volts * float64(f.n)
	l.blockN += f.n
	if c, ok := f.get(CommandedLambda); ok {
		if n := len(l.commands); n == 0 || l.commands[n-1].at != f.since[CommandedLambda] {
			l.commands = append(l.commands, said{f.since[CommandedLambda], c})
		}
	}
	if t, ok := f.get(ShortTrim); ok {
		l.trim += t
		l.trimN++
	}
	l.rough += f.rough
	l.roughN += f.roughN
}

const blockSpan = 100 * time.Millisecond

// finish makes a window of what was collected, if it is one.
func (l *loop) finish(t time.Duration) {
	length := time.Duration(len(l.blocks)) * blockSpan
	if !l.on || length < leastWindow {
		return
	}
	if l.trimN > 0 && math.Abs(l.trim/l.trimN) > trimMost {
		return
	}
	e := average(l.blocks)
	begin := l.since + settleLoop
	known, ok := l.commanded(begin+time.Duration(e.from)*blockSpan, begin+time.Duration(e.to)*blockSpan)
	if !ok {
		return
	}
	l.windows = append(l.windows, window{at: t, length: length, known: known, seen: e, noise: noise(l.rough, l.roughN)})
}

// commanded is the mean λ that was commanded between two instants; 1 where it is not told. Not ok if it is no λ of closed loop.
func (l *loop) commanded(from, to time.Duration) (float64, bool) {
	sum, n := 0.0, 0.0
	for _, c := range l.commands {
		if c.at >= from && c.at < to {
			sum += c.value
			n++
		}
	}
	if n == 0 {
		return 1, true
	}
	mean := sum / n
	return mean, math.Abs(mean-1) <= offTarget
}

// noise is that of single readings in the windows so far, in volts; 0 if there is none.
func (l *loop) noise() float64 {
	most := 0.0
	for _, w := range l.windows {
		most = max(most, w.noise)
	}
	return most
}

// level combines the windows.
func (l *loop) level(law Law) (Observed, bool) {
	if len(l.windows) == 0 {
		return Observed{}, false
	}
	// Windows at slightly different λ are brought to λ = 1 by the law before they are averaged.
	one := law.Volts(1)
	var values, sigmas []float64
	o := Observed{Level: Level{Kind: CruiseKind, Known: one, ClosedLoop: ClosedLoopTolerance / math.Abs(law.Slope())}}
	for _, w := range l.windows {
		values = append(values, w.seen.mean-(law.Volts(w.known)-one))
		sigmas = append(sigmas, w.seen.sigma)
		o.At, o.Length, o.Sigma = w.at, o.Length+w.length, max(o.Sigma, w.noise)
	}
	o.Seen, o.Random = weighted(values, sigmas)
	if l.idle {
		o.Kind, o.Tolerance = IdleKind, IdleTolerance/math.Abs(law.Slope())
	}
	return o, true
}
