// Package session decides when a drive begins and ends, and records it.
package session

import "time"

// EngineOptions say when an engine counts as running. The zero value has the defaults.
type EngineOptions struct {
	StopAfter time.Duration // how long the engine must stand before the drive is over; default 10 s
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

// The verdicts. Begin and End are each said once a drive.
//
//	        Begin                          End
//	standing ────▶ running ── stands for StopAfter, or nothing heard ──▶ standing
const (
	Nothing Verdict = iota
	Begin
	End
)

// Engine decides from what the sources report whether the engine runs. An engine speed above zero says so. Where
// the car is silent (no adapter, adapter without an answer), a wideband controller that is past its warm-up and
// reads a mixture within its scale says so too: exhaust gas is there. In plain air it sits at the scale's lean end.
// It is pure: all instants come from its caller, on one clock.
type Engine struct {
	o       EngineOptions
	running bool
	start   time.Duration // when the Engine began to listen, so that silence has a beginning
	speed   heard         // an engine speed was reported
	turns   bool          // the newest report was above zero
	stood   time.Duration // when the present run of reports of a standing engine began
	mixture heard         // a mixture within the scale was read
	first   time.Duration // when the present uninterrupted run of mixture readings began
}

type heard struct {
	at time.Duration
	ok bool
}

func (h heard) within(now, span time.Duration) bool { return h.ok && now-h.at <= span }

// mixtureHold is how long mixture readings must come without a break before they stand for a running engine, and
// how long a break may be: a single plausible reading while a controller starts up is not a drive.
const mixtureHold = 2 * time.Second

// longestCut is how long a running engine may put out nothing within the scale: fuel cuts of 26 to 46 s were measured
// on one car's overrun (a public log analysis of a 3.7 l V6), and a mountain pass has longer ones.
const longestCut = 60 * time.Second

// NewEngine returns an Engine that listens from now on.
func NewEngine(now time.Duration, o EngineOptions) *Engine {
	return &Engine{o: o.withDefaults(), start: now}
}

// Running reports whether a drive is on.
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
}

// Mixture takes in that a valid mixture was read.
func (e *Engine) Mixture(at time.Duration) {
	if !e.mixture.within(at, mixtureHold) {
		e.first = at
	}
	e.mixture = heard{at, true}
}

// Decide says whether a drive begins or ends now.
func (e *Engine) Decide(now time.Duration) Verdict {
	runs := e.o.Always || e.runs(now)
	switch {
	case runs && !e.running:
		e.running = true
		return Begin
	case !runs && e.running:
		e.running = false
		return End
	}
	return Nothing
}

func (e *Engine) runs(now time.Duration) bool {
	switch {
	case e.speed.within(now, e.o.Silent) && e.turns:
		return true
	case e.speed.within(now, e.o.Silent):
		return e.running && now-e.stood < e.o.StopAfter // a stall, or the end
	case now-e.start < e.o.Silent:
		return false // the car may be about to talk
	case e.running:
		return e.mixture.within(now, max(e.o.StopAfter, longestCut))
	}
	return e.mixture.within(now, mixtureHold) && e.mixture.at-e.first >= mixtureHold
}
