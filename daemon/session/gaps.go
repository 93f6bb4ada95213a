package session

import (
	"time"

	"underdash/store"
)

// Gap notes that a source has had nothing to say since an instant, and why. A later reason for the same gap takes
// the earlier one's place.
func (r *Recorder) Gap(source string, since time.Duration, why string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if g, open := r.gaps[source]; open {
		if g.Text == why {
			return
		}
		since = g.At
	}
	r.gaps[source] = store.Event{At: since, Kind: "gap", Source: source, Text: why}
	if r.drive != nil && !r.drive.paused {
		r.drive.dirty = true
	}
}

// GapOver notes that the source reads again.
func (r *Recorder) GapOver(source string, at time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, open := r.gaps[source]; open {
		r.closeGapLocked(source, at)
		delete(r.gaps, source)
	}
}

// closeGapLocked puts a gap into the drive, as far as the drive was on.
func (r *Recorder) closeGapLocked(source string, until time.Duration) {
	d := r.drive
	if d == nil {
		return
	}
	g := r.gaps[source]
	g.At, g.Until = max(d.zero, g.At), until
	if d.paused {
		g.Until = min(until, d.pausedAt)
	}
	if g.At <= g.Until {
		d.event(g)
	}
}
