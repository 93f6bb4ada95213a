package session

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"underdash/daemon/health"
	"underdash/store"
)

// Rates are written down with whatever else changes in the description, and at least this often.
const rateEvery = 10 * time.Minute

// Run writes until ctx ends; then it ends the drive that is on, writes the rest and returns. The error is what
// could not be written in the end.
func (r *Recorder) Run(ctx context.Context, now func() time.Duration) error {
	flush := time.NewTicker(r.o.Flush)
	defer flush.Stop()
	for {
		select {
		case <-ctx.Done():
			r.end(now(), "the daemon was stopped", false)
			err := r.write(now())
			r.tell(err)
			return err
		case <-flush.C:
		case <-r.wake:
		}
		r.tell(r.write(now()))
	}
}

// tell says how writing went.
func (r *Recorder) tell(err error) {
	r.mu.Lock()
	full, since := r.full, r.fullAt
	if err != nil {
		r.fault = err.Error()
	}
	r.mu.Unlock()
	switch {
	case err == nil:
		r.o.Told(health.Working, "")
	case full:
		r.o.Told(health.Stopped, fmt.Sprintf("%v; memory is full too: what is read since %v after the start is lost", err, since.Round(time.Second)))
	case errors.Is(err, store.ErrFull):
		r.o.Told(health.Stopped, fmt.Sprintf("%v; what is read waits in memory", err))
	default:
		r.o.Told(health.Waiting, err.Error())
	}
}

// write brings the store up to date with memory. A drive whose writing failed stays in memory and is tried again.
func (r *Recorder) write(now time.Duration) error {
	for {
		r.mu.Lock()
		d, over := r.drive, false
		if len(r.ended) > 0 {
			d, over = r.ended[0], true
		}
		r.mu.Unlock()
		if d == nil {
			return nil
		}
		var err error
		if !d.full {
			err = r.writeDrive(d, now)
			d.full = errors.Is(err, store.ErrLargest)
		}
		if d.full {
			if err = r.goOn(d); err == nil {
				continue
			}
		}
		if err != nil {
			return err
		}
		if !over {
			return nil
		}
		r.mu.Lock()
		r.ended = r.ended[1:]
		r.mu.Unlock()
	}
}

func (r *Recorder) writeDrive(d *drive, now time.Duration) error {
	r.mu.Lock()
	batch := d.batch
	d.batch = nil
	channels := r.channels()
	end := d.end
	dirty := d.dirty || len(channels) != d.written || len(batch) > 0 && now-d.rated >= rateEvery
	meta := r.currentLocked(d, channels)
	d.dirty = false
	r.mu.Unlock()

	err := r.bring(d, meta, dirty, channels, batch)
	r.mu.Lock()
	if err != nil {
		d.batch = append(batch, d.batch...)
		d.dirty = true
	} else {
		r.waiting -= len(batch)
		if dirty {
			d.rated = now
		}
	}
	r.mu.Unlock()
	if err == nil && end != nil {
		if err := d.session.End(end.At, end.Reason); err != nil {
			return fmt.Errorf("end session %s: %w", d.session.ID(), err)
		}
	}
	return err
}

// bring writes description first and readings second, so that the store never holds a reading of a channel it
// does not know.
func (r *Recorder) bring(d *drive, meta store.Meta, dirty bool, channels []store.Channel, batch []store.Sample) error {
	if d.session == nil {
		s, err := r.store.Begin(meta)
		if err != nil {
			return fmt.Errorf("begin a session: %w", err)
		}
		d.session, d.written, dirty = s, len(channels), false
		r.mu.Lock()
		r.lastID = s.ID()
		r.mu.Unlock()
	}
	if dirty {
		if err := d.session.Update(func(m *store.Meta) { copyDescription(m, meta) }); err != nil {
			return fmt.Errorf("update session %s: %w", d.session.ID(), err)
		}
		d.written = len(channels)
	}
	if len(batch) == 0 {
		return nil
	}
	slices.SortStableFunc(batch, func(a, b store.Sample) int { return cmp.Compare(a.At, b.At) })
	shifted := make([]store.Sample, len(batch))
	for i, s := range batch {
		s.At -= d.zero
		shifted[i] = s
	}
	if err := d.session.Append(shifted); err != nil {
		return fmt.Errorf("append to session %s: %w", d.session.ID(), err)
	}
	r.health.Count(Part, "readings stored", uint64(len(batch)))
	return nil
}

func copyDescription(to *store.Meta, from store.Meta) {
	to.Vehicle, to.Adapter, to.Fuel = from.Vehicle, from.Adapter, from.Fuel
	to.Anchors, to.Channels, to.Static = from.Anchors, from.Channels, from.Static
	to.Calibrations, to.References, to.Delays = from.Calibrations, from.References, from.Delays
	to.Events, to.Rates, to.Polled, to.Diagnoses = from.Events, from.Rates, from.Polled, from.Diagnoses
}

func (r *Recorder) wakeUp() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}
