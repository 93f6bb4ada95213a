package session

import (
	"time"

	"underdash/store"
)

// gap is one that is open.
type gap struct {
	store.Event
	silent bool // the source is well, and what it asks says nothing
}

// Gap notes that a source has had nothing to say since an instant, and why. A later reason for the same gap takes
// the earlier one's place.
func (r *Recorder) Gap(source string, since time.Duration, why string) {
	r.gap(source, since, why, false)
}

// Silence is a Gap of a source that is well itself, while what it asks does not answer. Where the drive ends without another word it
// is no gap but the drive's end: engine computers fall silent when the ignition is switched off.
func (r *Recorder) Silence(source string, since time.Duration, why string) {
	r.gap(source, since, why, true)
}

func (r *Recorder) gap(source string, since time.Duration, why string, silent bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if g, open := r.gaps[source]; open {
		if g.Text == why && g.silent == silent {
			return
		}
		since = g.At
	}
	r.gaps[source] = gap{store.Event{At: since, Kind: "gap", Source: source, Text: why}, silent}
	if r.drive != nil && !r.drive.paused {
		r.drive.dirty = true
	}
}

// GapOver notes that the source reads again.
func (r *Recorder) GapOver(source string, at time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, open := r.gaps[source]; open {
		r.closeGapLocked(source, at, false)
		delete(r.gaps, source)
	}
}

// silenceText is told in the place of a gap in which a drive ended.
const silenceText = "nothing answered any more, and the drive was over: as it seems the ignition was switched off"

// closeGapLocked puts a gap into the drive, as far as the drive was on. ends says that the drive ends in it.
func (r *Recorder) closeGapLocked(source string, until time.Duration, ends bool) {
	d := r.drive
	if d == nil {
		return
	}
	g := r.gaps[source]
	g.At, g.Until = max(d.zero, g.At), until
	if d.paused {
		g.Until = min(until, d.pausedAt)
	}
	if ends && g.silent {
		g.Kind, g.Text = "note", silenceText
	}
	if g.At <= g.Until {
		d.event(g.Event)
	}
}
