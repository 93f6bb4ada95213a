package poll

import (
	"context"
	"errors"
	"time"

	"underdash/obd"
)

// Do queues f, to be run between two polls: on Run's goroutine, so that nobody else talks to the car meanwhile. That is
// how to ask a car something else while it is polled, such as its trouble codes. Errands are run in the order in which
// they were queued, one after a poll, so that many small ones hold the polling up less than a long one does. f gets Run's
// context and the poller's Car; an answer's payloads are valid until its next request. If f returns an error that is not
// obd.ErrNoAnswer, the link is taken to have failed and Run returns that error (wrapped).
//
// Do returns at once and may be called from any goroutine, in f and in emit too. f runs with the next Run if none is
// running, and never if none comes: who waits for it has to end waiting when it stops running the poller.
func (p *Poller) Do(f func(ctx context.Context, car Car) error) {
	p.mu.Lock()
	p.errands = append(p.errands, f)
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default: // Run has been told and has not looked yet
	}
}

// errand runs the oldest errand, if there is one and ctx has not ended. The time that it takes does not count as
// the car's silence.
func (r *round) errand(ctx context.Context) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	f := r.p.takeErrand()
	if f == nil {
		return nil
	}
	before := time.Now()
	if err := f(ctx, r.p.car); err != nil && !errors.Is(err, obd.ErrNoAnswer) {
		return r.p.failure(ctx, err)
	}
	r.heard = r.heard.Add(time.Since(before))
	return nil
}

func (p *Poller) takeErrand() func(ctx context.Context, car Car) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.errands) == 0 {
		return nil
	}
	f := p.errands[0]
	p.errands = p.errands[1:]
	return f
}
