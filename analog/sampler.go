package analog

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"
)

// Sampler reads one converter at a steady rate.
type Sampler struct {
	converter Converter
	rate      float64
}

var _ Source = (*Sampler)(nil)

// DefaultRate is the rate, in readings per second, of a Sampler that was given none.
const DefaultRate = 100

// patience is how long a converter may have no conversion ready before that is a fault. The slowest have 3 conversions a second.
const patience = 2 * time.Second

// rateTolerance is how far a converter's own rate may be from the one that it is said to have: the oscillator in a delta-sigma
// converter is good for ±10 % (Texas Instruments ADS1115, data rate).
const rateTolerance = 0.10

// NewSampler gives a sampler that reads c rate times a second. A rate that is not a positive number stands for DefaultRate. It
// touches nothing; the converter stays the caller's to close.
func NewSampler(c Converter, rate float64) *Sampler {
	if !(rate > 0) || math.IsInf(rate, 0) {
		rate = DefaultRate
	}
	return &Sampler{c, rate}
}

// From is the way to read a converter: by itself if it is a Source, else by a Sampler that reads it rate times a second.
func From(c Converter, rate float64) Source {
	if s, ok := c.(Source); ok {
		return s
	}
	return NewSampler(c, rate)
}

// Rate is how many readings a second the sampler takes: what was asked for, and no more than the converter has conversions. It
// would give the same one again, and nothing tells that from a level that stands still.
func (s *Sampler) Rate() float64 {
	if period := s.converter.Period(); period > 0 {
		return min(s.rate, 1/period.Seconds())
	}
	return s.rate
}

// Run reads until ctx ends and then returns ctx's error, or until the converter fails and then returns its error,
// wrapped. It calls emit on its own goroutine, so emit must be quick.
//
// Readings are due on a fixed grid from the start of Run, so that a late one does not move those after it. Grid points that
// passed during a slow read are left out, never made up for in a burst: readings bunched together would look like a higher
// rate and say nothing new. A grid point at which the converter has nothing ready is left out too; two seconds of them are a
// fault.
//
// A converter holds its newest finished conversion, which was finished up to one Period ago and is the mean of the input over
// the Period before that. So a reading's instant, the middle of what it is the mean of, is the middle of the read less one
// period. It is known to half the time that the read took, half a period, and what the period itself may be off by.
//
// A read that blocks is not interrupted by ctx: closing the converter does that.
func (s *Sampler) Run(ctx context.Context, emit func(Reading)) error {
	start, rate := time.Now(), s.Rate()
	ready := start
	timer := time.NewTimer(0)
	defer timer.Stop()
	for tick := int64(0); ; tick = next(tick, time.Since(start), rate) {
		timer.Reset(time.Until(start.Add(due(tick, rate))))
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
		}
		if ctx.Err() != nil { // both were ready, and select chose the timer
			return ctx.Err()
		}
		before := time.Now()
		code, err := s.converter.Read()
		took := time.Since(before)
		switch {
		case err == nil:
			ready = before
			emit(reading(code, before, took, s.converter.Period()))
		case ctx.Err() != nil: // at shutdown a closed converter is no fault
			return ctx.Err()
		case errors.Is(err, ErrNotReady) && time.Since(ready) < patience:
		default:
			return fmt.Errorf("reading the analog input: %w", err)
		}
	}
}

// reading dates a code by when its read began, how long it took and how long a conversion takes.
func reading(code int32, before time.Time, took, period time.Duration) Reading {
	// The conversion may have lasted longer than its nominal period, and have ended so much earlier.
	unsure := time.Duration(1.5 * rateTolerance * float64(period))
	return Reading{Code: code, At: before.Add(took/2 - period), Half: took/2 + period/2 + unsure}
}

// due is when a tick is due after the start. It is computed from the tick's number, so that no rounding adds up.
func due(tick int64, rate float64) time.Duration {
	return time.Duration(float64(tick) / rate * float64(time.Second))
}

// next is the first tick after the one just read that has not passed yet.
func next(tick int64, passed time.Duration, rate float64) int64 {
	next := int64(math.Ceil(passed.Seconds() * rate))
	if due(next, rate) < passed { // rounding
		next++
	}
	return max(tick+1, next)
}
