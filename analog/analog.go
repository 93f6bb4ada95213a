// Package analog reads one analog input at a steady rate. It knows integer codes and instants; what a code means
// in volts or in λ is decided later, when somebody reads the session.
package analog

import (
	"context"
	"errors"
	"time"
)

// Reading is one conversion.
type Reading struct {
	Code int32         // the converter's integer, before offset and scale
	At   time.Time     // best estimate of when the input had this level
	Half time.Duration // half width of the span At may be wrong by
}

// Converter is an analog-to-digital converter's one channel.
type Converter interface {
	// Read blocks for one reading. After Close it returns an error that wraps ErrClosed. An error that wraps ErrNotReady means
	// that asking again is worth while.
	Read() (code int32, err error)
	// Period is the time one conversion takes: a code is the mean over a Period that ended up to a Period before it was
	// read; 0 if unknown.
	Period() time.Duration
	// Close ends all reading; closing twice is allowed.
	Close() error
}

// Source delivers readings in a rhythm of its own, such as a Sampler, or a converter that times its conversions by itself.
type Source interface {
	// Run delivers readings until ctx ends and then returns ctx's error, or until the source fails and then returns its error. It
	// calls emit on its own goroutine, so emit must be quick.
	Run(ctx context.Context, emit func(Reading)) error
}

// What a Converter's errors wrap.
var (
	// ErrClosed is returned by a Converter after its Close.
	ErrClosed = errors.New("analog input closed")
	// ErrNotReady is returned by a Converter that has no conversion to give yet.
	ErrNotReady = errors.New("no conversion ready")
)
