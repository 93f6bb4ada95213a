// Package analog reads one analog input at a steady rate. It knows integer codes and instants; what a code means
// in volts or in λ is decided later, when somebody reads the session.
package analog

import (
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
	// Read blocks for one reading. After Close it returns an error that wraps ErrClosed.
	Read() (code int32, err error)
	// Period is the time one conversion takes: a code is the mean over a Period that ended up to a Period before it was
	// read; 0 if unknown.
	Period() time.Duration
	// Close ends all reading; closing twice is allowed.
	Close() error
}

// ErrClosed is returned by a Converter after its Close.
var ErrClosed = errors.New("analog input closed")
