package daemon

import (
	"time"

	"underdash/daemon/timebase"
	"underdash/store"
)

// dating is what the daemon does so that sessions have dates. It is used by Run and by watch only, one after the other.
type dating struct {
	store    *store.Store
	sessions bool   // there are sessions of this boot
	kept     string // the source of the best anchor that is kept beside the sessions
	moved    bool   // the clock was moved since then
	next     time.Duration
}

// anchorAgain is how long it waits after an anchor could not be kept.
const anchorAgain = time.Minute

// learnDates finds out what is known of this boot: the daemon may have been started again.
func (d *Daemon) learnDates(st *store.Store) {
	d.dating.store = st
	boot := d.clock.BootID()
	infos, err := st.List()
	if err != nil {
		d.o.Log.Warn("could not look for earlier sessions of this boot", "err", err)
	}
	for _, i := range infos {
		if boot != "" && i.Meta.BootID == boot {
			d.dating.sessions = true
		}
	}
	for _, a := range store.Anchors(st.Dir()) {
		if a.BootID == boot && better(d.dating.kept, a.Source) {
			d.dating.kept = a.Source
		}
	}
}

func better(than, source string) bool {
	return than == "" || timebase.Better(timebase.Anchor{Source: than}, timebase.Anchor{Source: source}) && than != source
}

// Offer takes in what a client's clock says now, and how far off that may be. It is taken only while nothing better is
// known, and dates all sessions of this boot. The error wraps timebase.ErrOffer.
func (d *Daemon) Offer(utc time.Time, maxError time.Duration) (taken bool, err error) {
	return d.clock.Offer(utc, maxError)
}

// watchClock notes an anchor when the wall clock was stepped, or more is known of the time of day than before.
func (d *Daemon) watchClock() {
	now := d.clock.Anchor()
	d.mu.Lock()
	before := d.anchor
	d.anchor = now
	d.mu.Unlock()
	moved, step := timebase.Step(before, now)
	if step || better(before.Source, now.Source) {
		d.o.Log.Info("the time of day is another", "moved", moved.Round(time.Millisecond), "source", now.Source)
		d.recorder.Edit(func(m *store.Meta, zero time.Duration) {
			a := storeAnchor(now)
			a.At -= zero
			m.Anchors = append(m.Anchors, a)
		})
	}
	d.dating.moved = d.dating.moved || step
	d.keepAnchor(now)
}

// keepAnchor keeps an anchor beside the sessions, for those of this boot that are over, if it says more than the one that is
// kept, or the clock was moved since. Without any session there is nothing to date, and nothing is written.
func (d *Daemon) keepAnchor(a timebase.Anchor) {
	boot := d.clock.BootID()
	if _, on := d.recorder.Recording(); on {
		d.dating.sessions = true
	}
	if boot == "" || !d.dating.sessions || a.Source == timebase.System || a.At < d.dating.next {
		return
	}
	if !better(d.dating.kept, a.Source) && !(d.dating.moved && a.Source == d.dating.kept) {
		return
	}
	err := d.dating.store.AddAnchor(store.BootAnchor{BootID: boot, SinceBoot: d.clock.SinceBoot(a.At), UTC: a.UTC, Source: a.Source, MaxError: a.MaxError})
	if err != nil {
		d.dating.next = a.At + anchorAgain
		d.o.Log.Warn("could not keep the time of day beside the sessions", "err", err)
		return
	}
	d.dating.kept, d.dating.moved = a.Source, false
}

func storeAnchor(a timebase.Anchor) store.Anchor {
	return store.Anchor{At: a.At, UTC: a.UTC, Source: a.Source, MaxError: a.MaxError}
}
