package rig

import (
	"slices"
	"time"
)

// Sent is one parameter's value as an engine computer sent it.
type Sent struct {
	At   time.Duration // of the drive, when the values were sampled
	From uint32        // identifier of the answer, 7E8 or 7E9
	PID  byte          // of service 01
	Data []byte        // exactly the data bytes; not to be changed
}

// Truth is what was true in the drive. It may be read at any time from any goroutine.
type Truth struct{ car *Car }

// Truth returns the drive's truth.
func (c *Car) Truth() *Truth { return &Truth{c} }

// Length is the drive's.
func (t *Truth) Length() time.Duration { return t.car.o.Length }

// Began is when the drive's clock started, or the zero time when it stands still. With it an instant becomes a time
// of the drive: at.Sub(Began()).
func (t *Truth) Began() time.Time {
	select {
	case <-t.car.begun:
		return t.car.began
	default:
		return time.Time{}
	}
}

// At is the car at a time of the drive.
func (t *Truth) At(at time.Duration) State { return t.car.drive.at(at) }

// Code is what the converter holds at a time of the drive. It shows in the file up to one refresh later.
func (t *Truth) Code(at time.Duration) int32 { return t.car.drive.code(at) }

// Warm is when the controller leaves its warm-up level.
func (t *Truth) Warm() time.Duration { return t.car.drive.warm }

// Phases are the drive's stretches in order, without gaps.
func (t *Truth) Phases() []Phase { return slices.Clone(t.car.drive.phases) }

// OBD is every value of service 01 that was sent so far, bitmaps included, in the order of the requests.
func (t *Truth) OBD() []Sent {
	t.car.mu.Lock()
	defer t.car.mu.Unlock()
	return slices.Clone(t.car.sent)
}
