package mixture

import (
	"math"
	"time"
)

// What the tracker takes for a plateau and for its end (common practice, no source).
const (
	settleTime   = 500 * time.Millisecond // a level held so long is a plateau
	debounceTime = 300 * time.Millisecond // readings must be off the plateau so long before it counts as left
	hotTime      = time.Second            // readings must be elsewhere on the scale so long before no warm-up is expected
	levelTime    = time.Second            // a plateau must last so long to be a known level
	levelCount   = 10                     // and have so many readings
	holdVolts    = 0.060                  // readings of one plateau stay so close to its running mean
	levelSigma   = 0.030                  // volts; noisier is no fixed level
)

type phase uint8

// The phases: deciding → warming ⇄ measuring, and deciding → measuring for a controller that is hot already. Whenever nothing
// drove the input, deciding begins anew.
const (
	deciding phase = iota
	warming
	measuring
)

// Tracker tells, for each reading of a wideband input, whether it means a λ. It looks at readings only as they come, so
// that it says the same while recording and when a session is read back, and it errs towards Warming: with a
// warm-up level configured nothing is Valid until that level was seen and left, or until the output was elsewhere
// on its scale for a second.
//
// A return to the warm-up level, when the controller restarts, is told only where that level lies outside the law's
// volts: inside, a mixture may put out the same volts.
type Tracker struct {
	levels Levels
	chain  Chain // in force: given by Use or learnt from the plateau
	given  bool

	phase phase
	last  time.Duration
	run   plateau // the readings at one level that may be, or are, the warm-up level
	kept  plateau // the newest plateau that is fit to be a known level

	elsewhere timer // deciding: readings are on the scale; warming: readings are off the plateau
	evidence  evidence
	limit     *Limit
	line      line
	fault     fault
}

// NewTracker gives a tracker for a controller with these levels.
func NewTracker(l Levels) *Tracker {
	return &Tracker{levels: l, limit: NewLimit(l), line: newLine(l)}
}

// Use puts a given chain in force instead of the one that the warm-up level would tell.
func (k *Tracker) Use(c Chain) { k.chain, k.given = c, true }

// Chain is the chain in force: the given one, or the one-level correction that the warm-up level told, or no correction.
func (k *Tracker) Chain() Chain { return k.chain }

// Engine notes at t whether the engine burns fuel, as its own computer says: it runs, and not in a fuel cut. Then there is no
// air at the sensor, and a level held near the top of the scale is no free air. A tracker that is never told does without.
func (k *Tracker) Engine(t time.Duration, burning bool) { k.evidence.engine(t, burning) }

// Level is the warm-up level as a known level: known is what the controller puts out and seen the mean of what the plug
// showed, with the standard deviation sigma of its n readings, all in volts. It is not ok before a plateau has lasted a second.
// A level that an end of the scale explains as well as a loss on the line does is a known level only where something tells
// that the sensor was not in free air, which looks so with a hot controller: it followed upon 0 V, so the controller had just
// been given power, or the engine burnt fuel meanwhile. One within the scale is a known level only where power had just come:
// a quiet mixture after a hot start may lie there as well. The newest plateau counts.
func (k *Tracker) Level() (known, seen, sigma float64, n int, ok bool) {
	p := &k.kept
	if k.phase == warming && k.fit(&k.run) {
		p = &k.run
	}
	if p.n == 0 {
		return 0, 0, 0, 0, false
	}
	return k.levels.WarmupVolts, p.mean, p.sigma(), p.n, true
}

// Feed takes the next reading, the volts seen at the plug at t after any fixed instant, and says what it means. Readings come in
// the order of t. A reading that is not a finite number is Unknown and changes nothing.
func (k *Tracker) Feed(t time.Duration, seen float64) State {
	if math.IsNaN(seen) || math.IsInf(seen, 0) {
		return Unknown
	}
	t = max(t, k.last)
	k.last = t
	state := k.mean(t, seen)
	if line := k.line.feed(t, seen, state == Valid); line != Valid {
		if line != Stuck && k.levels.HasWarmup {
			k.phase, k.run, k.elsewhere = deciding, plateau{}, timer{}
		}
		return line
	}
	if state != Warming && k.fault.feed(t, k.offScale(seen)) {
		return Fault
	}
	return state
}

// mean says what a reading means if it comes from a controller that is well.
func (k *Tracker) mean(t time.Duration, seen float64) State {
	k.evidence.reading(t, seen)
	if !k.levels.HasWarmup {
		return k.limit.Feed(k.chain.True(seen))
	}
	switch k.phase {
	case deciding:
		return k.decide(t, seen)
	case warming:
		return k.warm(t, seen)
	default:
		return k.measure(t, seen)
	}
}

func (k *Tracker) decide(t time.Duration, seen float64) State {
	if k.mayBeWarmup(seen, wideGive) {
		k.extend(t, seen)
		if k.run.length() >= settleTime {
			k.phase, k.elsewhere = warming, timer{}
			return Warming
		}
	} else {
		k.run = plateau{}
	}
	// An end of the scale says nothing yet: before the controller has power its output is at 0 V.
	if k.limit.Feed(k.chain.True(seen)) != Valid {
		k.elsewhere = timer{}
		return Unknown
	}
	k.elsewhere.start(t)
	// A level that is just being held may turn out as the plateau, so it is waited for.
	if t-k.elsewhere.since >= hotTime && k.run.n <= 1 {
		k.phase, k.run = measuring, plateau{}
		return Valid
	}
	return Unknown
}

func (k *Tracker) warm(t time.Duration, seen float64) State {
	if k.run.holds(seen) {
		k.run.add(t, seen)
		k.run.certain = k.run.certain || !k.within() && k.evidence.burnt(k.run.since, t) // a mixture may lie within
		k.elsewhere = timer{}
		return Warming
	}
	k.elsewhere.start(t)
	if t-k.elsewhere.since < debounceTime {
		return Warming
	}
	if k.fit(&k.run) {
		k.kept = k.run
		k.learn()
	}
	k.phase, k.run = measuring, plateau{}
	k.limit.Reset()
	return k.measure(t, seen)
}

// learn puts the chain in force that the kept plateau tells. A level that no line loss explains leaves the chain as it was;
// whoever reads Level learns why.
func (k *Tracker) learn() {
	if k.given {
		return
	}
	f, err := FitChain([]Level{{Kind: WarmupKind, Known: k.levels.WarmupVolts, Seen: k.kept.mean}})
	if err != nil {
		return
	}
	if c, err := f.Correction(); err == nil {
		k.chain = c
	}
}

func (k *Tracker) measure(t time.Duration, seen float64) State {
	volts := k.chain.True(seen)
	if k.outside() && k.mayBeWarmup(volts, narrowGive) && k.nearerWarmup(volts) {
		k.extend(t, seen)
		if k.run.length() >= settleTime {
			k.phase, k.elsewhere = warming, timer{}
			return Warming
		}
	} else {
		k.run = plateau{}
	}
	return k.limit.Feed(volts)
}

// extend adds a reading to the run, or begins a new one with it.
func (k *Tracker) extend(t time.Duration, seen float64) {
	k.run.extend(t, seen)
	if k.run.n == 1 {
		k.run.certain = k.evidence.powered(t)
	}
}

// How far beyond what gains alone explain a level may lie and still be the warm-up level, in volts: a plausible offset while
// nothing is known of the chain, and what a known chain leaves.
const narrowGive, wideGive = 0.050, 0.200

// mayBeWarmup tells whether volts can be the warm-up level at any gain that a line loss explains, give or take an offset.
func (k *Tracker) mayBeWarmup(volts, give float64) bool {
	w := k.levels.WarmupVolts
	if math.Abs(w) < minKnown && k.outside() {
		// A level near 0 V has no gain to speak of, but an offset; it may reach half way to the scale.
		give = max(narrowGive, min(0.25, math.Abs(w-k.nearestEnd())/2))
	}
	a, b := MinGain*w, MaxGain*w
	return volts >= min(a, b)-give && volts <= max(a, b)+give
}

// nearerWarmup tells whether a warm-up level that does not lie within the scale explains seen volts with a gain no further from one
// than the nearest end of the scale would.
func (k *Tracker) nearerWarmup(seen float64) bool {
	w, end := k.levels.WarmupVolts, k.nearestEnd()
	if w < minKnown || end < minKnown {
		return math.Abs(seen-w) <= math.Abs(seen-end)
	}
	return math.Abs(seen/w-1) <= math.Abs(seen/end-1)
}

func (k *Tracker) outside() bool {
	low, high := k.levels.span()
	return k.levels.WarmupVolts < low || k.levels.WarmupVolts > high
}

// within tells whether a mixture may put out the warm-up level, too; at an end of the scale it is a known level all the same.
func (k *Tracker) within() bool {
	low, high := k.levels.span()
	return low < k.levels.WarmupVolts && k.levels.WarmupVolts < high
}

func (k *Tracker) nearestEnd() float64 {
	low, high := k.levels.span()
	if math.Abs(k.levels.WarmupVolts-low) < math.Abs(k.levels.WarmupVolts-high) {
		return low
	}
	return high
}

// fit tells whether a plateau can be a known level.
func (k *Tracker) fit(p *plateau) bool {
	if p.n < levelCount || p.length() < levelTime || p.sigma() > levelSigma {
		return false
	}
	return p.certain || !k.within() && k.mayBeWarmup(p.mean, narrowGive) && k.nearerWarmup(p.mean)
}
