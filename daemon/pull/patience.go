package pull

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Waits between tries: they double from the first to the longest.
const (
	firstWait   = 500 * time.Millisecond
	longestWait = 15 * time.Second
)

// leastTry is what a try gets at the end of the patience.
const leastTry = time.Second

// away is how long the daemon has been out of reach.
type away struct {
	since time.Time // when the first try that failed began, or last heard of it; zero: it is in reach
	wait  time.Duration
	heard time.Time // when the present try began, or last heard of it
}

// left is for how long there is patience yet, from now on.
func (p *Puller) left() time.Duration {
	if p.away.since.IsZero() {
		return p.o.Patience
	}
	return p.o.Patience - time.Since(p.away.since)
}

// persist tries until it succeeds, fails for good, or nothing was reached for as long as there is patience.
func (p *Puller) persist(ctx context.Context, try func(context.Context) error) error {
	for {
		p.away.heard = time.Now()
		p.client.patience = max(p.left(), leastTry)
		err := try(ctx)
		again := (*againError)(nil)
		if err == nil {
			p.reached()
		}
		if err == nil || ctx.Err() != nil || !errors.As(err, &again) {
			return err
		}
		if err := p.waitFor(ctx, again); err != nil {
			return err
		}
	}
}

// reached notes that something came.
func (p *Puller) reached() {
	if !p.away.since.IsZero() {
		p.o.Told(fmt.Sprintf("%s is back after %v", p.base.Host, time.Since(p.away.since).Round(100*time.Millisecond)))
	}
	p.away = away{heard: time.Now()}
	p.client.patience = max(p.left(), leastTry)
}

func (p *Puller) waitFor(ctx context.Context, why *againError) error {
	first := p.away.since.IsZero()
	if first {
		p.away.since, p.away.wait = p.away.heard, firstWait
		if long := time.Now().Add(-answerTime); p.away.since.Before(long) { // an export that did not begin
			p.away.since = long
		}
	}
	left := p.left()
	if first && left > 0 {
		p.o.Told(fmt.Sprintf("%s: %v; it is tried again for %v", p.base.Host, why, left.Round(100*time.Millisecond)))
	}
	if left <= 0 {
		return fatalError{fmt.Errorf("%s was out of reach for %v (%w): what has arrived is kept, and the next run goes on from there", p.base.Host, p.o.Patience, why)}
	}
	wait := min(max(p.away.wait, why.after), left)
	p.away.wait = min(2*p.away.wait, longestWait)
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-t.C:
		return nil
	}
}
