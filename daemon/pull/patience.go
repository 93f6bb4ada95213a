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

// away is how long the daemon has been out of reach.
type away struct {
	since time.Time // of the first failure; zero: it is in reach
	wait  time.Duration
}

// persist tries until it succeeds, fails for good, or nothing was reached for as long as there is patience.
func (p *Puller) persist(ctx context.Context, try func(context.Context) error) error {
	for {
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
	p.away = away{}
}

func (p *Puller) waitFor(ctx context.Context, why *againError) error {
	now := time.Now()
	if p.away.since.IsZero() {
		p.away = away{since: now, wait: firstWait}
		p.o.Told(fmt.Sprintf("%s: %v; it is tried again for %v", p.base.Host, why, p.o.Patience))
	}
	left := p.o.Patience - now.Sub(p.away.since)
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
