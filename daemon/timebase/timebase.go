// Package timebase is the one clock of the daemon. Every reading is placed on a monotonic clock that starts with
// the daemon and that no correction of the wall clock can move; the wall clock is known through anchors only: at
// this monotonic instant it was this time of day, known this well. A board without a battery-backed clock starts
// in the past and jumps when it meets a network, so a time of day is a property of a session and never orders it.
//
// The clock also knows where it stands on the clock of the system's boot, which runs on when the daemon is started
// again: what one anchor says is then true of all that was recorded since the boot.
package timebase

import (
	"errors"
	"fmt"
	"sync"
	"time"
)

// StepLimit is the smallest difference between the wall clock and the monotonic clock that counts as a step. A
// slewed clock gains at most 500 ppm (common practice, from memory), so two looks a minute apart differ by 30 ms.
const StepLimit = 50 * time.Millisecond

// Drift is how much a crystal may gain or lose, as a share (100 ppm, common practice, from memory): what an anchor
// says becomes less sure by that much with the distance from it.
const Drift = 100e-6

// Anchor ties one monotonic instant to a time of day.
type Anchor struct {
	At       time.Duration // since the clock started
	UTC      time.Time     // without a monotonic part
	Source   string        // Synchronised, Client or System
	MaxError time.Duration // 0 = not known
}

// The sources of an anchor, best first.
const (
	Synchronised = "synchronised" // the operating system says its clock follows a reference
	Client       = "client"       // somebody who asked the daemon something told the time: a phone, a laptop
	System       = "system"       // the operating system's clock, of unknown quality
)

func rank(source string) int {
	switch source {
	case Synchronised:
		return 2
	case Client:
		return 1
	}
	return 0
}

// Options are the clock's seams to the system. The zero value is the system itself.
type Options struct {
	Wall         func() time.Time             // the wall clock; a test's steps. Default: time.Now
	Synchronised func() (bool, time.Duration) // whether the wall clock follows a reference, and how far off it may be
}

// Clock counts from its start. It is safe for concurrent use.
type Clock struct {
	start time.Time
	o     Options
	boot  boot

	mu      sync.Mutex // guards what follows
	offered *Anchor    // the best that a client has told
}

// New starts a clock at the given instant, which must come from time.Now so that it carries a monotonic reading. It
// knows nothing of the boot.
func New(start time.Time) *Clock {
	return &Clock{start: start, o: Options{Synchronised: synchronised}}
}

// Start starts a clock now, and looks where that is on the boot's clock.
func Start(o Options) *Clock {
	c := New(time.Now())
	if o.Synchronised != nil {
		c.o.Synchronised = o.Synchronised
	}
	c.o.Wall = o.Wall
	c.boot = lookAtBoot()
	return c
}

// At returns how long after the clock's start the instant t was; negative before it.
func (c *Clock) At(t time.Time) time.Duration { return t.Sub(c.start) }

// Now returns how long the clock has been running.
func (c *Clock) Now() time.Duration { return c.At(time.Now()) }

// BootID names the system's boot; empty if it is not known.
func (c *Clock) BootID() string { return c.boot.id }

// SinceBoot is an instant of this clock, of the present or of the recent past, on the boot's clock, which counts the
// time that the system was suspended too. It means nothing without a BootID.
func (c *Clock) SinceBoot(at time.Duration) time.Duration {
	return c.boot.start + at + (suspended() - c.boot.suspended)
}

// Anchor looks at both clocks at once. Where the wall clock follows no reference, and a client has told the time, that
// is what it says.
func (c *Clock) Anchor() Anchor {
	now := time.Now()
	a := Anchor{At: c.At(now), UTC: now.Round(0).UTC(), Source: System}
	if c.o.Wall != nil {
		a.UTC = c.o.Wall().Round(0).UTC()
	}
	if ok, most := c.o.Synchronised(); ok {
		a.Source, a.MaxError = Synchronised, most
		return a
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.offered != nil {
		return c.offered.carried(a.At)
	}
	return a
}

// carried is what an anchor says of another instant.
func (a Anchor) carried(at time.Duration) Anchor {
	distance := at - a.At
	a.At, a.UTC = at, a.UTC.Add(distance)
	a.MaxError += time.Duration(float64(distance.Abs()) * Drift)
	return a
}

// What a client may say, as far as can be told without a clock.
var (
	earliest = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC) // this program is younger
	latest   = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

// longestError is how far off a client's clock may be to be of use.
const longestError = time.Minute

// ErrOffer says that what a client told cannot be the time.
var ErrOffer = errors.New("that is no time to go by")

// Offer takes in what a client's clock says now, and how far that may be off: at least half of what its question
// took. It is taken only while the system's own clock follows no reference, and if it is more exact than what another
// client told. The error wraps ErrOffer.
func (c *Clock) Offer(utc time.Time, maxError time.Duration) (taken bool, err error) {
	switch {
	case utc.Before(earliest), utc.After(latest):
		return false, fmt.Errorf("%w: %s is not between %d and %d: set the clock that told it", ErrOffer, utc.UTC().Format(time.DateTime), earliest.Year(), latest.Year())
	case maxError < 0, maxError > longestError:
		return false, fmt.Errorf("%w: it may be off by %v, at most %v is of use", ErrOffer, maxError, longestError)
	}
	if ok, _ := c.o.Synchronised(); ok {
		return false, nil
	}
	offer := Anchor{At: c.Now(), UTC: utc.Round(0).UTC(), Source: Client, MaxError: max(maxError, time.Millisecond)}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.offered != nil && c.offered.carried(offer.At).MaxError <= offer.MaxError {
		return false, nil
	}
	c.offered = &offer
	return true, nil
}

// Step returns by how much the wall clock was moved between two anchors, forward counted positive, and whether
// that is more than slewing and scheduling explain.
func Step(earlier, later Anchor) (time.Duration, bool) {
	moved := later.UTC.Sub(earlier.UTC) - (later.At - earlier.At)
	return moved, moved.Abs() > StepLimit
}

// Better reports whether b says more about the time of day than a: a clock that follows a reference beats a client's,
// that one of unknown quality, and among equals the later look is kept.
func Better(a, b Anchor) bool { return rank(b.Source) >= rank(a.Source) }
