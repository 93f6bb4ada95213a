// Package timebase is the one clock of the daemon. Every reading is placed on a monotonic clock that starts with
// the daemon and that no correction of the wall clock can move; the wall clock is known through anchors only: at
// this monotonic instant it was this time of day, known this well. A board without a battery-backed clock starts
// in the past and jumps when it meets a network, so a time of day is a property of a session and never orders it.
package timebase

import "time"

// StepLimit is the smallest difference between the wall clock and the monotonic clock that counts as a step. A
// slewed clock gains at most 500 ppm (common practice, from memory), so two looks a minute apart differ by 30 ms.
const StepLimit = 50 * time.Millisecond

// Anchor ties one monotonic instant to a time of day.
type Anchor struct {
	At       time.Duration // since the clock started
	UTC      time.Time     // without a monotonic part
	Source   string        // Synchronised or System
	MaxError time.Duration // 0 = not known
}

// The sources of an anchor, best first.
const (
	Synchronised = "synchronised" // the operating system says its clock follows a reference
	System       = "system"       // the operating system's clock, of unknown quality
)

// Clock counts from its start. It is safe for concurrent use: it never changes after New.
type Clock struct {
	start time.Time
	sync  func() (bool, time.Duration)
}

// New starts a clock at the given instant, which must come from time.Now so that it carries a monotonic reading.
func New(start time.Time) *Clock { return &Clock{start: start, sync: synchronised} }

// At returns how long after the clock's start the instant t was; negative before it.
func (c *Clock) At(t time.Time) time.Duration { return t.Sub(c.start) }

// Now returns how long the clock has been running.
func (c *Clock) Now() time.Duration { return c.At(time.Now()) }

// Anchor looks at both clocks at once.
func (c *Clock) Anchor() Anchor {
	now := time.Now()
	a := Anchor{At: c.At(now), UTC: now.Round(0).UTC(), Source: System}
	if ok, most := c.sync(); ok {
		a.Source, a.MaxError = Synchronised, most
	}
	return a
}

// Step returns by how much the wall clock was moved between two anchors, forward counted positive, and whether
// that is more than slewing and scheduling explain.
func Step(earlier, later Anchor) (time.Duration, bool) {
	moved := later.UTC.Sub(earlier.UTC) - (later.At - earlier.At)
	return moved, moved.Abs() > StepLimit
}

// Better reports whether b says more about the time of day than a: a synchronised clock beats one of unknown
// quality, and among equals the later look is kept.
func Better(a, b Anchor) bool { return b.Source == Synchronised || a.Source != Synchronised }
