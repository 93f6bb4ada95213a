package session

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"underdash/store"
)

// goOn ends a drive's session, whose file takes no more, at its last reading, and lets the drive go on in another one:
// with what waits, and with the whole description on that one's clock. Should it fail it is called again.
func (r *Recorder) goOn(d *drive) error {
	s := d.session
	last := s.Info().Length
	channels := r.channels()
	r.mu.Lock()
	meta := r.currentLocked(d, channels)
	r.mu.Unlock()
	meta.Events = eventsUntil(meta.Events, last)
	err := s.Update(func(m *store.Meta) {
		meta.Channels, meta.Rates = m.Channels, m.Rates // those at hand count what waits
		copyDescription(m, meta)
	})
	if err != nil && !errors.Is(err, store.ErrLargest) && !errors.Is(err, store.ErrEnded) {
		return fmt.Errorf("update session %s: %w", s.ID(), err)
	}
	if err := s.End(last, "its file was as large as it may be: the drive goes on in the next session"); err != nil {
		return fmt.Errorf("end session %s: %w", s.ID(), err)
	}

	r.mu.Lock()
	defer r.mu.Unlock()
	next := d.after(last)
	if r.drive == d {
		r.drive = next
	} else {
		r.ended[slices.Index(r.ended, d)] = next // it ended meanwhile
	}
	return nil
}

// after is what a drive goes on as after the last reading that its session took, from that instant on.
func (d *drive) after(last time.Duration) *drive {
	next := &drive{meta: d.meta, zero: d.zero + last, paused: d.paused, pausedAt: d.pausedAt}
	for _, s := range d.batch {
		next.zero = min(next.zero, s.At)
		next.take(s)
	}
	next.rated = next.zero
	by := next.zero - d.zero
	startLater(&next.meta, by)
	next.meta.Events = nil
	next.event(store.Event{At: next.zero, Until: next.zero, Kind: "note",
		Text: fmt.Sprintf("the drive goes on from session %s, whose file was as large as it may be", d.session.ID())})
	for _, e := range d.meta.Events {
		if until := max(e.At, e.Until); until > last {
			e.At, e.Until = max(0, e.At-by), until-by
			next.meta.Events = append(next.meta.Events, e)
		}
	}
	if d.end != nil {
		next.end = &store.End{At: d.end.At - by, Reason: d.end.Reason}
	}
	return next
}

// eventsUntil is what had happened by an instant.
func eventsUntil(all []store.Event, last time.Duration) (until []store.Event) {
	for _, e := range all {
		if e.At > last {
			continue
		}
		if e.Until == store.StillOpen || e.Until > last {
			e.Until = last
		}
		until = append(until, e)
	}
	return until
}
