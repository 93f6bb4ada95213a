package mixture

import (
	"math"
	"time"
)

// Observed is a known level that a drive showed by itself.
type Observed struct {
	Level
	At     time.Duration // its end
	Length time.Duration // of what it is the mean of
	Sigma  float64       // standard deviation of single readings, volts
}

// Observer finds, in the readings of a drive as they come, the levels that are known without a bench: the warm-up level, λ = 1 in
// settled closed loop, the top of the output in a fuel cut, the rich side by the car's own wide-range sensor. It also finds how
// long the mixture takes to the reading. It keeps sums and short pasts only, and the same readings always give the same levels,
// while recording and when a session is read back.
type Observer struct {
	levels Levels
	joiner joiner
	last   time.Duration

	past past

	warmup Observed
	warm   bool
	cruise loop
	idle   loop
	cuts   cuts
	own    pairs
	delay  delayFinder
}

// NewObserver gives an observer for a controller with these levels.
func NewObserver(l Levels) *Observer {
	return &Observer{levels: l, cuts: newCuts(l.Law), idle: loop{idle: true}}
}

// Converter tells between which volts at the plug the converter can read: what lies at either end is no known level. The newest
// word holds.
func (o *Observer) Converter(e Ends) { o.cuts.ends = e }

// Engine notes what the engine's computer said: a quantity's value that was true at t. The values of one quantity come in order
// of t, and no later than a second and a half after the converter's readings of that time if they are to count.
func (o *Observer) Engine(t time.Duration, q Quantity, value float64) { o.joiner.engine(t, q, value) }

// Reading notes a reading in volts at the plug at t, and what it meant to the Tracker. Readings come in order of t.
func (o *Observer) Reading(t time.Duration, volts float64, s State) {
	o.last = max(o.last, t)
	o.joiner.reading(t, volts, s, o.frame)
}

// Warmup notes the warm-up level as Tracker.Level tells it, when the tracker has left it at t.
func (o *Observer) Warmup(t time.Duration, known, seen, sigma float64, n int) {
	random := sigma / 3 // noise averages away over the readings, a level that wanders does not
	o.warmup = Observed{At: t, Sigma: sigma, Level: Level{Kind: WarmupKind, Known: known, Seen: seen, Random: random, Tolerance: warmupTolerance}}
	o.warm = n > 0
}

// Finish takes in what still waits, at the end of a drive. Readings may follow.
func (o *Observer) Finish() {
	o.joiner.flush(o.frame)
	o.cruise.finish(o.last)
	o.idle.finish(o.last)
	o.cruise.on, o.idle.on = false, false
	o.cuts.finish()
	o.delay.finish()
}

func (o *Observer) frame(f *frame) {
	o.past.add(f)
	o.cruise.feed(f)
	o.idle.feed(f)
	o.cuts.feed(f)
	o.own.feed(f, &o.past)
	o.delay.feed(f, &o.past)
}

// Levels are what the drive has shown so far, one level a kind. What a kind saw several times is combined.
func (o *Observer) Levels() []Observed {
	var all []Observed
	noise := max(o.cruise.noise(), o.idle.noise())
	if o.warm && !o.cuts.ends.clip(o.warmup.Seen, o.warmup.Sigma, noise) {
		all = append(all, o.warmup)
	}
	if l, ok := o.cruise.level(o.levels.Law); ok {
		all = append(all, l)
	}
	if l, ok := o.idle.level(o.levels.Law); ok {
		all = append(all, l)
	}
	if l, ok := o.cuts.level(o.levels, noise); ok {
		all = append(all, l)
	}
	if l, ok := o.own.level(o.levels.Law, o.last); ok {
		all = append(all, l)
	}
	for i := range all {
		all[i].Random = math.Hypot(all[i].Random, Repeatability)
	}
	return all
}

// Found is how many windows, plateaus and pairs the drive has shown so far. It grows whenever Levels may have changed.
func (o *Observer) Found() int {
	_, s := o.own.best()
	n := len(o.cruise.windows) + len(o.idle.windows) + len(o.cuts.plateaus) + int(s.richN)/leastRich
	if o.warm {
		n++
	}
	return n
}

// Delay is the model of the way to the sensor as fitted to the drive so far, or the stated default.
func (o *Observer) Delay() DelayFit { return o.delay.fit() }

// Burning tells whether the engine burns fuel, as its computer said last; not known where it did not say enough.
func (o *Observer) Burning() (yes, known bool) {
	s := o.joiner.now()
	return s.burning()
}
