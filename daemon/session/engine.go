// Package session decides when a drive begins and ends, and records it.
package session

import "time"

// EngineOptions say when an engine counts as running. The zero value has the defaults.
type EngineOptions struct {
	StopAfter time.Duration // how long the engine must stand before it counts as stopped; default 10 s
	Bridge    time.Duration // how long a stop may last and be one drive; up to StopAfter: a stop is the drive's end
	Silent    time.Duration // how long without an engine speed the car counts as silent; default 10 s
	Always    bool          // record whenever the daemon runs
}

func (o EngineOptions) withDefaults() EngineOptions {
	if o.StopAfter <= 0 {
		o.StopAfter = 10 * time.Second
	}
	if o.Silent <= 0 {
		o.Silent = 10 * time.Second
	}
	return o
}

// Verdict is what an Engine says after it has heard something new.
type Verdict uint8

// The verdicts, each said once at its change of state. Without a Bridge there is no pause, and End comes in Pause's
// place.
//
//	             Begin             Pause: it stands for StopAfter, or nothing is heard
//	no drive ───────────▶ running ─────────────────────────────────────────────────────▶ paused
//	    ▲                    ▲──────────────────────────── Resume ─────────────────────────│
//	    └────────────────────────────── End: it stands for Bridge ─────────────────────────┘
const (
	Nothing Verdict = iota
	Begin
	Pause
	Resume
	End
)

// Engine decides from what the sources report whether the engine runs. An engine speed above zero says so. Where
// the car is silent (no adapter, adapter without an answer), two other things do: a wideband controller that is past
// its warm-up and reads a mixture within its scale, since exhaust gas is there (in plain air it sits at the scale's
// lean end), and a charging voltage. The voltage begins no drive, and resumes none, of a car that has told its engine's speed before: such a
// car is silent because it is parked, and chargers, and cars that charge their own battery at night, look the same. It
// carries on a drive that the car falls silent in. Plain air, too, carries a drive on for as long as a fuel cut lasts, unless
// the battery rests. It is pure: all instants come from its caller, on one clock.
type Engine struct {
	o        EngineOptions
	running  bool          // a drive is on
	paused   bool          // and the engine stands
	start    time.Duration // when the Engine began to listen, so that silence has a beginning
	speed    heard         // an engine speed was reported
	turns    bool          // the newest report was above zero
	stood    time.Duration // when the present run of reports of a standing engine began
	mixture  run           // mixtures within the scale
	lean     heard         // readings at the scale's lean end: a fuel cut, or plain air
	charging run           // charging voltages
	resting  heard         // voltages that are none
	turned   time.Duration // when the engine was last known to turn
}

type heard struct {
	at time.Duration
	ok bool
}

func (h heard) within(now, span time.Duration) bool { return h.ok && now-h.at <= span }

// run is readings without a break longer than breaks.
type run struct {
	heard
	first time.Duration
}

func (r *run) add(at, breaks time.Duration) {
	if !r.within(at, breaks) {
		r.first = at
	}
	r.heard = heard{at, true}
}

// holds reports whether the run goes on and is that long.
func (r *run) holds(now, breaks, length time.Duration) bool {
	return r.within(now, breaks) && r.at-r.first >= length
}

// mixtureHold is how long mixture readings must come without a break before they stand for a running engine, and
// how long a break may be: a single plausible reading while a controller starts up is not a drive.
const mixtureHold = 2 * time.Second

// ChargingVolts is a voltage, at the battery, that only a running engine's alternator keeps up: a full battery at rest
// has 12.7 V, an alternator puts out 13.5 to 14.8 V (common practice, no source).
const ChargingVolts = 13.2

// How long a charging voltage must last before it stands for a running engine, and how long a break may be.
const (
	chargingHold   = 5 * time.Second
	chargingBreaks = 10 * time.Second
)

// longestCut is how long a running engine may put out nothing but plain air: fuel cuts of 26 to 46 s were measured
// on one car's overrun (a public log analysis of a 3.7 l V6), and a mountain pass has longer ones. A charging voltage may
// be away for as long: some cars charge by turns.
const longestCut = 60 * time.Second

// NewEngine returns an Engine that listens from now on.
func NewEngine(now time.Duration, o EngineOptions) *Engine {
	return &Engine{o: o.withDefaults(), start: now}
}

// Running reports whether a drive is on, paused or not.
func (e *Engine) Running() bool { return e.running }

// Standing reports whether a drive is on and the engine was last heard to stand: the drive's end, or a stall.
func (e *Engine) Standing() bool { return e.running && e.speed.ok && !e.turns }

// Speed takes in an engine speed in 1/min.
func (e *Engine) Speed(at time.Duration, rpm float64) {
	if rpm <= 0 && (e.turns || !e.speed.ok) {
		e.stood = at
	}
	e.turns = rpm > 0
	e.speed = heard{at, true}
	if e.turns {
		e.turned = at
	}
}

// Mixture takes in that a valid mixture was read.
func (e *Engine) Mixture(at time.Duration) {
	e.mixture.add(at, mixtureHold)
	e.turnsBesides(at)
}

// Lean takes in that a mixture at the scale's lean end was read, or leaner.
func (e *Engine) Lean(at time.Duration) { e.lean = heard{at, true} }

// Volts takes in the voltage of the battery of a 12 V car; half of a 24 V one's.
func (e *Engine) Volts(at time.Duration, volts float64) {
	if volts < ChargingVolts {
		e.resting = heard{at, true}
		return
	}
	e.charging.add(at, chargingBreaks)
	e.turnsBesides(at)
}

// turnsBesides notes what says of a drive that is on that the engine turns, beside the car's own word, which counts more.
func (e *Engine) turnsBesides(at time.Duration) {
	if e.running && !e.paused && !e.speed.within(at, e.o.Silent) {
		e.turned = at
	}
}

// Decide says whether a drive begins, pauses, goes on or ends now.
func (e *Engine) Decide(now time.Duration) Verdict {
	runs := e.o.Always || e.runs(now)
	switch {
	case runs && !e.running:
		e.running, e.turned = true, now
		return Begin
	case runs && e.paused:
		e.paused, e.turned = false, now
		return Resume
	case !runs && e.running && !e.paused && e.o.Bridge > e.o.StopAfter:
		e.paused = true
		return Pause
	case !runs && e.running && !e.paused,
		e.paused && now-e.turned >= e.o.Bridge:
		e.running, e.paused = false, false
		return End
	}
	return Nothing
}

func (e *Engine) runs(now time.Duration) bool {
	on := e.running && !e.paused
	switch {
	case e.speed.within(now, e.o.Silent) && e.turns:
		return true
	case e.speed.within(now, e.o.Silent):
		return on && now-e.stood < e.o.StopAfter // a stall, or the end
	case now-e.start < e.o.Silent:
		return false // the car may be about to talk
	case on:
		longest := max(e.o.StopAfter, longestCut)
		since := !e.speed.ok || e.charging.at > e.speed.at // what was measured before is older than the car's own word
		cut := e.lean.within(now, mixtureHold) && !(e.resting.within(now, e.o.Silent) && e.resting.at > e.mixture.at)
		return e.mixture.within(now, e.o.StopAfter) || cut && e.mixture.within(now, longest) || since && e.charging.within(now, longest)
	case e.mixture.holds(now, mixtureHold, mixtureHold):
		return true
	}
	return !e.speed.ok && e.charging.holds(now, chargingBreaks, chargingHold)
}
