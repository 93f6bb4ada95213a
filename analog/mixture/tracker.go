package mixture

import (
	"math"
	"time"
)

// Levels are what is known beforehand of a controller's output.
type Levels struct {
	Law         Law
	WarmupVolts float64 // what the controller puts out while it heats its sensor
	HasWarmup   bool    // false: the controller has no such level, and WarmupVolts means nothing
}

// State says what a reading of a wideband input means.
type State uint8

const (
	// Unknown is a reading before it was decided whether the controller is warming up.
	Unknown State = iota
	// Warming is a reading of the fixed warm-up level, or one so near to its end that it may still be.
	Warming
	// Valid is a reading that means a λ.
	Valid
	// LowLimit is a reading at or beyond the scale's end of lowest λ: the mixture is there or richer.
	LowLimit
	// HighLimit is a reading at or beyond the scale's end of highest λ: the mixture is there or leaner, as in a fuel cut.
	HighLimit
)

// String is the state in lower-case words: "unknown", "warming", "valid", "low limit", "high limit".
func (s State) String() string {
	switch s {
	case Warming:
		return "warming"
	case Valid:
		return "valid"
	case LowLimit:
		return "low limit"
	case HighLimit:
		return "high limit"
	}
	return "unknown"
}

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

// The phases: deciding → warming ⇄ measuring, and deciding → measuring for a controller that is hot already.
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
	limit     State // measuring: the limit that the last reading was at, or Valid
}

// timer notes since when something has been so.
type timer struct {
	on    bool
	since time.Duration
}

func (w *timer) start(t time.Duration) {
	if !w.on {
		*w = timer{true, t}
	}
}

// NewTracker gives a tracker for a controller with these levels.
func NewTracker(l Levels) *Tracker {
	return &Tracker{levels: l, limit: Valid}
}

// Use puts a given chain in force instead of the one that the warm-up level would tell.
func (k *Tracker) Use(c Chain) { k.chain, k.given = c, true }

// Chain is the chain in force: the given one, or the one-level correction that the warm-up level told, or no correction.
func (k *Tracker) Chain() Chain { return k.chain }

// Level is the warm-up level as a known level: known is what the controller puts out and seen the mean of what the plug
// showed, with the standard deviation sigma of its n readings, all in volts. It is not ok before a plateau has lasted a second,
// and never where the seen level is as well explained by an end of the scale: a hot controller in free air
// looks so, and a gain taken from it would be wrong. The newest plateau counts.
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
	if !k.levels.HasWarmup {
		return k.atLimit(seen)
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
	if k.mayBeWarmup(seen) {
		k.run.extend(t, seen)
		if k.run.length() >= settleTime {
			k.phase, k.elsewhere = warming, timer{}
			return Warming
		}
	} else {
		k.run = plateau{}
	}
	// An end of the scale says nothing yet: before the controller has power its output is at 0 V.
	if k.atLimit(seen) != Valid {
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
		k.elsewhere = timer{}
		return Warming
	}
	k.elsewhere.start(t)
	if t-k.elsewhere.since < debounceTime {
		return Warming
	}
	if k.fit(&k.run) {
		k.kept = k.run
		// A level that no line loss explains leaves the chain as it was; whoever reads Level learns why.
		if c, err := OneLevel(k.levels.WarmupVolts, k.kept.mean); err == nil && !k.given {
			k.chain = c
		}
	}
	k.phase, k.run, k.limit = measuring, plateau{}, Valid
	return k.measure(t, seen)
}

func (k *Tracker) measure(t time.Duration, seen float64) State {
	volts := k.chain.True(seen)
	if k.outside() && k.mayBeWarmup(volts) && k.nearerWarmup(volts) {
		k.run.extend(t, seen)
		if k.run.length() >= settleTime {
			k.phase, k.elsewhere = warming, timer{}
			return Warming
		}
	} else {
		k.run = plateau{}
	}
	return k.atLimit(seen)
}

// atLimit tells whether seen, corrected, is at or beyond an end of the scale. The bands are 1 % of the scale to get in
// and 2 % to get out, so that noise does not make it flicker.
func (k *Tracker) atLimit(seen float64) State {
	low, high := k.levels.Law.span()
	enter := max(0.020, 0.01*(high-low))
	atLow, atHigh := LowLimit, HighLimit
	if k.levels.Law.Slope() < 0 {
		atLow, atHigh = HighLimit, LowLimit
	}
	band := func(s State) float64 {
		if k.limit == s {
			return 2 * enter
		}
		return enter
	}
	switch volts := k.chain.True(seen); {
	case volts <= low+band(atLow):
		k.limit = atLow
	case volts >= high-band(atHigh):
		k.limit = atHigh
	default:
		k.limit = Valid
	}
	return k.limit
}

// mayBeWarmup tells whether volts can be the warm-up level at any gain that a line loss explains, give or take an offset.
func (k *Tracker) mayBeWarmup(volts float64) bool {
	w, give := k.levels.WarmupVolts, 0.050
	if math.Abs(w) < minKnown && k.outside() {
		// A level near 0 V has no gain to speak of, but an offset; it may reach half way to the scale.
		give = max(give, min(0.25, math.Abs(w-k.nearestEnd())/2))
	}
	a, b := MinGain*w, MaxGain*w
	return volts >= min(a, b)-give && volts <= max(a, b)+give
}

// nearerWarmup tells whether the warm-up level explains seen volts with a gain no further from one than the nearest end of the
// scale would. A warm-up level inside the scale has no such rival.
func (k *Tracker) nearerWarmup(seen float64) bool {
	if !k.outside() {
		return true
	}
	w, end := k.levels.WarmupVolts, k.nearestEnd()
	if w < minKnown || end < minKnown {
		return math.Abs(seen-w) <= math.Abs(seen-end)
	}
	return math.Abs(seen/w-1) <= math.Abs(seen/end-1)
}

func (k *Tracker) outside() bool {
	low, high := k.levels.Law.span()
	return k.levels.WarmupVolts < low || k.levels.WarmupVolts > high
}

func (k *Tracker) nearestEnd() float64 {
	low, high := k.levels.Law.span()
	if math.Abs(k.levels.WarmupVolts-low) < math.Abs(k.levels.WarmupVolts-high) {
		return low
	}
	return high
}

// fit tells whether a plateau can be a known level.
func (k *Tracker) fit(p *plateau) bool {
	return p.n >= levelCount && p.length() >= levelTime && p.sigma() <= levelSigma && k.nearerWarmup(p.mean)
}
