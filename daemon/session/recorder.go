package session

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"underdash/daemon/health"
	"underdash/store"
)

// Part is the recorder's name on the health board.
const Part = "store"

// RecorderOptions: the zero value has the defaults.
type RecorderOptions struct {
	Flush  time.Duration // how often readings reach the store, and so the most a power cut costs; default 5 s
	Before time.Duration // how much from before a drive's beginning is kept with it; default 10 s
	Most   int           // how many readings wait in memory while the store refuses them; default 200,000, about 8 MB
}

func (o RecorderOptions) withDefaults() RecorderOptions {
	if o.Flush <= 0 {
		o.Flush = 5 * time.Second
	}
	if o.Before <= 0 {
		o.Before = 10 * time.Second
	}
	if o.Most <= 0 {
		o.Most = 200_000
	}
	return o
}

// Recorder writes drives to the store. Everything the sources call only touches memory; one goroutine, Run, does
// all writing, so that a slow card never holds up a reading. All instants are on the daemon's clock; a session's own
// clock starts with its first reading.
type Recorder struct {
	store    *store.Store
	channels func() []store.Channel
	health   *health.Board
	o        RecorderOptions
	wake     chan struct{} // holds one: there is something to write now

	mu      sync.Mutex // guards what follows
	kept    []store.Sample
	drive   *drive
	ended   []*drive
	gaps    map[string]store.Event // by source, At on the daemon's clock
	dropped uint64
	lastID  string
}

// drive is a session as memory has it, ahead of the store by at most a flush.
type drive struct {
	meta    store.Meta
	zero    time.Duration // the session clock's start on the daemon's clock
	batch   []store.Sample
	dirty   bool // meta is ahead of the store's
	end     *store.End
	session *store.Session // nil until the store has made the file
	written int            // channels the store's meta knows
}

// NewRecorder returns a recorder that asks channels for what is numbered so far whenever it writes.
func NewRecorder(s *store.Store, channels func() []store.Channel, h *health.Board, o RecorderOptions) *Recorder {
	return &Recorder{store: s, channels: channels, health: h, o: o.withDefaults(),
		wake: make(chan struct{}, 1), gaps: make(map[string]store.Event)}
}

// Put takes a reading in. It never blocks on the store; what it must drop because the store has refused readings
// for too long is counted.
func (r *Recorder) Put(s store.Sample) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.drive == nil {
		r.kept = append(r.kept, s)
		if len(r.kept) > 64 && len(r.kept) > 2*r.fresh(s.At) {
			r.kept = slices.Clone(r.kept[len(r.kept)-r.fresh(s.At):])
		}
		return
	}
	if len(r.drive.batch) >= r.o.Most {
		r.dropped++
		r.health.Count(Part, "readings dropped", 1)
		return
	}
	r.drive.batch = append(r.drive.batch, s)
}

// fresh counts the kept samples that are not older than Before.
func (r *Recorder) fresh(now time.Duration) int {
	i := slices.IndexFunc(r.kept, func(s store.Sample) bool { return now-s.At <= r.o.Before })
	if i < 0 {
		return 0
	}
	return len(r.kept) - i
}

// Begin starts a drive at an instant. Its first readings are those kept from just before.
func (r *Recorder) Begin(at time.Duration, m store.Meta) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.drive != nil {
		return
	}
	d := &drive{meta: m, zero: at}
	d.batch = slices.Clone(r.kept[len(r.kept)-r.fresh(at):])
	r.kept = nil
	for _, s := range d.batch {
		d.zero = min(d.zero, s.At)
	}
	for i := range d.meta.Anchors {
		d.meta.Anchors[i].At -= d.zero
	}
	for i := range d.meta.Calibrations {
		d.meta.Calibrations[i].At -= d.zero
	}
	for i := range d.meta.Delays {
		d.meta.Delays[i].At -= d.zero
	}
	d.meta.Events = append(d.meta.Events, store.Event{At: at - d.zero, Until: at - d.zero, Kind: "note", Text: "the drive begins"})
	r.drive = d
	r.wakeUp()
}

// End ends the drive that is on, if one is.
func (r *Recorder) End(at time.Duration, reason string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.endLocked(at, reason)
}

func (r *Recorder) endLocked(at time.Duration, reason string) {
	if r.drive == nil {
		return
	}
	for source := range r.gaps {
		r.closeGapLocked(source, at)
	}
	r.drive.end = &store.End{At: at - r.drive.zero, Reason: reason}
	r.ended = append(r.ended, r.drive)
	r.drive = nil
	r.wakeUp()
}

// Edit changes the description of the drive that is on. zero is the session clock's start on the daemon's clock:
// subtract it from every instant. Without a drive nothing happens.
func (r *Recorder) Edit(change func(m *store.Meta, zero time.Duration)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.drive != nil {
		change(&r.drive.meta, r.drive.zero)
		r.drive.dirty = true
	}
}

// Gap notes that a source has had nothing to say since an instant, and why. A later reason for the same gap takes
// the earlier one's place.
func (r *Recorder) Gap(source string, since time.Duration, why string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if g, open := r.gaps[source]; open {
		since = g.At
	}
	r.gaps[source] = store.Event{At: since, Kind: "gap", Source: source, Text: why}
	if r.drive != nil {
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

func (r *Recorder) closeGapLocked(source string, at time.Duration) {
	if d := r.drive; d != nil {
		g := r.gaps[source]
		g.At, g.Until = max(0, g.At-d.zero), at-d.zero
		d.meta.Events = append(d.meta.Events, g)
		d.dirty = true
	}
}

// Recording returns the name of the session that is being recorded, or of the last one, and whether a drive is on.
func (r *Recorder) Recording() (id string, on bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.lastID, r.drive != nil
}

// Run writes until ctx ends; then it ends the drive that is on, writes the rest and returns. The error is what
// could not be written in the end.
func (r *Recorder) Run(ctx context.Context, now func() time.Duration) error {
	flush := time.NewTicker(r.o.Flush)
	defer flush.Stop()
	for {
		select {
		case <-ctx.Done():
			r.End(now(), "the daemon was stopped")
			return r.write()
		case <-flush.C:
		case <-r.wake:
		}
		if err := r.write(); err != nil {
			r.health.Set(Part, health.Waiting, err.Error())
		} else {
			r.health.Set(Part, health.Working, "")
		}
	}
}

// write brings the store up to date with memory. A drive whose writing failed stays in memory and is tried again.
func (r *Recorder) write() error {
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
		if err := r.writeDrive(d); err != nil {
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

func (r *Recorder) writeDrive(d *drive) error {
	r.mu.Lock()
	batch := d.batch
	d.batch = nil
	channels := r.channels()
	meta, dirty, end := r.currentLocked(d, channels), d.dirty || len(channels) != d.written, d.end
	d.dirty = false
	r.mu.Unlock()

	err := r.bring(d, meta, dirty, channels, batch)
	if err != nil {
		r.mu.Lock()
		d.batch = append(batch, d.batch...)
		d.dirty = true
		r.mu.Unlock()
		return err
	}
	if end != nil {
		if err := d.session.End(end.At, end.Reason); err != nil {
			return fmt.Errorf("end session %s: %w", d.meta.ID, err)
		}
	}
	return nil
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

// currentLocked is the drive's description as of now: gaps that are still open are in it as such.
func (r *Recorder) currentLocked(d *drive, channels []store.Channel) store.Meta {
	m := d.meta
	m.Channels = channels
	m.Anchors = slices.Clone(m.Anchors)
	m.Calibrations = slices.Clone(m.Calibrations)
	m.References, m.Delays = slices.Clone(m.References), slices.Clone(m.Delays)
	m.Static = slices.Clone(m.Static)
	m.Events = slices.Clone(m.Events)
	if d.end == nil {
		for _, g := range r.gaps {
			g.At, g.Until = max(0, g.At-d.zero), store.StillOpen
			m.Events = append(m.Events, g)
		}
	}
	slices.SortStableFunc(m.Events, func(a, b store.Event) int { return cmp.Compare(a.At, b.At) })
	return m
}

func copyDescription(to *store.Meta, from store.Meta) {
	to.Vehicle, to.Adapter, to.Fuel = from.Vehicle, from.Adapter, from.Fuel
	to.Anchors, to.Channels, to.Static = from.Anchors, from.Channels, from.Static
	to.Calibrations, to.References, to.Delays = from.Calibrations, from.References, from.Delays
	to.Events = from.Events
}

func (r *Recorder) wakeUp() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}
