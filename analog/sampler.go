package analog

import (
	"context"
	"fmt"
	"math"
	"time"
)

// Sampler reads one converter at a steady rate.
type Sampler struct {
	converter Converter
	rate      float64
}

// DefaultRate is the rate, in readings per second, of a Sampler that was given none.
const DefaultRate = 100

// NewSampler gives a sampler that reads c rate times a second. A rate that is not a positive number stands for DefaultRate. It
// touches nothing; the converter stays the caller's to close.
func NewSampler(c Converter, rate float64) *Sampler {
	if !(rate > 0) || math.IsInf(rate, 0) {
		rate = DefaultRate
	}
	return &Sampler{c, rate}
}

// Run reads until ctx ends and then returns ctx's error, or until the converter fails and then returns its error,
// wrapped. It calls emit on its own goroutine, so emit must be quick.
//
// Readings are due on a fixed grid from the start of Run, so that a late one does not move those after it. Grid points that
// passed during a slow read are left out, never made up for in a burst: readings bunched together would look like a higher
// rate and say nothing new.
//
// A converter holds its newest finished conversion, which was finished up to one Period ago and is the mean of the input over
// the Period before that. So a reading's instant, the middle of what it is the mean of, is the middle of the read less one
// period, known to half the time that the read took and half a period.
//
// A read that blocks is not interrupted by ctx: closing the converter does that.
func (s *Sampler) Run(ctx context.Context, emit func(Reading)) error {
	start := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for tick := int64(0); ; tick = s.next(tick, time.Since(start)) {
		timer.Reset(time.Until(start.Add(s.due(tick))))
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
		if err != nil {
			if ctx.Err() != nil { // at shutdown a closed converter is no fault
				return ctx.Err()
			}
			return fmt.Errorf("reading the analog input: %w", err)
		}
		period := s.converter.Period()
		emit(Reading{
			Code: code,
			At:   before.Add(took/2 - period),
			Half: took/2 + period/2,
		})
	}
}

// due is when a tick is due after the start. It is computed from the tick's number, so that no rounding adds up.
func (s *Sampler) due(tick int64) time.Duration {
	return time.Duration(float64(tick) / s.rate * float64(time.Second))
}

// next is the first tick after the one just read that has not passed yet.
func (s *Sampler) next(tick int64, passed time.Duration) int64 {
	next := int64(math.Ceil(passed.Seconds() * s.rate))
	if s.due(next) < passed { // rounding
		next++
	}
	return max(tick+1, next)
}
