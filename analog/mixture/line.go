package mixture

import (
	"math"
	"time"
)

// What the line is told by (common practice, no source).
const (
	deadVolts     = 0.050                  // nothing drives an input so close to 0 V
	deadTime      = time.Second            // if 0 V is outside the scale
	deadTimeScale = 10 * time.Second       // if it is the scale's rich end: no mixture stays there for so long
	deadTimeLean  = 2 * time.Minute        // if it is its lean end: no fuel cut lasts so long, half a minute is usual downhill
	deadLeave     = 300 * time.Millisecond // off 0 V for so long something drives it again

	wildVolts = 0.25             // second differences of a sensor's output stay below this, save at single edges
	wildEnter = 0.5              // share of the last second's readings beyond it that a floating input has
	wildLeave = 0.1              // and below which it is driven again
	wildTime  = time.Second      //
	wildCount = 10               // readings that it takes at least
	wildStep  = time.Second / 8  // further apart a mixture's own swing moves as far from reading to reading
	sameTime  = 10 * time.Second // one and the same code for so long, somewhere on the scale
	sameCount = 50               // and in so many readings
)

// line tells by noise and level whether anything drives the input, and whether the converter is alive.
type line struct {
	dead  time.Duration // hold time at 0 V before the input counts as not driven; 0: never, since 0 V means something else
	level float64       // volts that count as 0
	held  State         // what such a hold means: Disconnected, or Fault where the controller puts out 0 V for one

	n          int
	last       time.Duration
	v1, v2     float64 // the last two readings
	wild       float64 // share of the last second's readings with a wild second difference
	zero, away timer   // readings are at 0 V; are away from it again
	same       timer   // readings are all the same
	sameN      int
	changes    int // since stuck

	state State // Valid, Disconnected or Stuck
}

// TellsFault says whether the fault's level can be told from a mixture's: it lies off the scale, or at 0 V where that is a scale's rich
// end, at which no mixture stays for long.
func (l Levels) TellsFault() bool {
	low, high := l.span()
	return l.FaultVolts < low || l.FaultVolts > high || l.Law.Slope() > 0 && low <= 2*deadVolts && l.FaultVolts <= 2*deadVolts
}

// newLine prepares for a controller's levels.
func newLine(l Levels) line {
	low, _ := l.span()
	hold, level := deadTime, min(0.15, max(deadVolts, 0.3*low)) // with a ground offset, too
	held, onScale := Disconnected, low <= 2*deadVolts
	switch {
	case onScale && l.Law.Slope() < 0:
		hold = deadTimeLean
	case onScale:
		hold = deadTimeScale
	}
	near := func(has bool, volts float64) bool { return has && math.Abs(volts) < level+3*deadVolts }
	if near(l.HasFault, l.FaultVolts) {
		held = Fault
	}
	if near(l.HasWarmup, l.WarmupVolts) || held == Fault && !onScale { // off the scale it is told at once, by its level
		hold = 0
	}
	return line{dead: hold, level: level, held: held, state: Valid}
}

// feed takes the next reading. onScale tells that it is neither at an end of the scale nor at a fixed level.
func (n *line) feed(t time.Duration, seen float64, onScale bool) State {
	n.noise(t, seen)
	n.repeat(t, seen, onScale)
	n.ground(t, seen)
	n.last, n.v2, n.v1 = t, n.v1, seen
	n.n++
	floating := n.n >= wildCount && (n.wild >= wildEnter || n.state == Disconnected && n.wild >= wildLeave)
	grounded := n.dead > 0 && n.zero.on && t-n.zero.since >= n.dead
	switch {
	case floating:
		n.state = Disconnected
	case grounded:
		n.state = n.held
	case n.sameN >= sameCount && t-n.same.since >= sameTime:
		n.state, n.changes = Stuck, 0
	case n.state == Stuck && n.changes < 2:
	default:
		n.state = Valid
	}
	return n.state
}

func (n *line) noise(t time.Duration, seen float64) {
	if n.n < 2 {
		return
	}
	share := 0.0
	if t-n.last <= wildStep && math.Abs(seen-2*n.v1+n.v2) > wildVolts {
		share = 1
	}
	forget := min(1, max(1.0/float64(n.n), (t-n.last).Seconds()/wildTime.Seconds()))
	n.wild += min(forget, 1.0/wildCount) * (share - n.wild)
}

func (n *line) repeat(t time.Duration, seen float64, onScale bool) {
	if n.n > 0 && seen == n.v1 && onScale {
		n.same.start(n.last)
		n.sameN++
		return
	}
	if n.n > 0 && seen != n.v1 {
		n.changes++
	}
	n.same, n.sameN = timer{}, 0
}

func (n *line) ground(t time.Duration, seen float64) {
	if math.Abs(seen) <= n.level {
		n.zero.start(t)
		n.away = timer{}
		return
	}
	n.away.start(t)
	if !n.zero.on || n.state != n.held || t-n.away.since >= deadLeave {
		n.zero = timer{}
	}
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
