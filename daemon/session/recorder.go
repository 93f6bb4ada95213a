package session

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"underdash/daemon/health"
	"underdash/store"
)

// Part is the recorder's name on the health board.
const Part = "store"

// Source is the source of gaps that are there because nothing could be recorded.
const Source = store.SourceRecorder

// RecorderOptions: the zero value has the defaults.
type RecorderOptions struct {
	Flush  time.Duration // how often readings reach the store, and so the most a power cut costs; default 5 s
	Before time.Duration // how much from before a drive's beginning is kept with it; default 10 s
	Most   int           // how many readings wait in memory while the store refuses them; default 200,000, about 8 MB
	Tick   time.Duration // the resolution that instants are stored with; 0: the store's own

	// Told hears what the recorder says of itself whenever it has tried to write. Default: the health board does.
	Told func(state health.State, why string)

	// Polled tells how the car was asked in the drive that is on, whenever the description is written. It must not call the
	// recorder. Default: nobody does.
	Polled func() []store.Polled
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
	if o.Polled == nil {
		o.Polled = func() []store.Polled { return nil }
	}
	return o
}

// Recorder writes drives to the store. Everything the sources call only touches memory; one goroutine, Run, does
// all writing, so that a slow card never holds up a reading. All instants are on the daemon's clock; a session's own
// clock starts with its first reading.
//
// What the store refuses waits in memory and is tried again. When memory is full too, recording stops: all readings
// from then on are lost until the store takes some again, and the session has a gap there that says why. A drive whose
// session takes no more goes on in another session.
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
	gaps    map[string]gap // by source, At on the daemon's clock
	waiting int            // readings of all drives that the store has not taken yet
	fault   string         // why it did not take the last ones
	full    bool           // memory could not hold one either
	fullAt  time.Duration  // which would have been at this instant
	lastID  string
}

// drive is a session as memory has it, ahead of the store by at most a flush.
type drive struct {
	meta     store.Meta
	zero     time.Duration // the session clock's start on the daemon's clock
	batch    []store.Sample
	rates    rates
	paused   bool
	pausedAt time.Duration
	dirty    bool // meta is ahead of the store's
	end      *store.End
	session  *store.Session // nil until the store has made the file
	full     bool           // the session's file is as large as it may be
	written  int            // channels the store's meta knows
	rated    time.Duration  // when the store's meta was last given the rates
}

// NewRecorder returns a recorder that asks channels for what is numbered so far whenever it writes.
func NewRecorder(s *store.Store, channels func() []store.Channel, h *health.Board, o RecorderOptions) *Recorder {
	r := &Recorder{store: s, channels: channels, health: h, o: o.withDefaults(),
		wake: make(chan struct{}, 1), gaps: make(map[string]gap)}
	if r.o.Told == nil {
		r.o.Told = func(s health.State, why string) { h.Set(Part, s, why) }
	}
	return r
}

// Put takes a reading in. It never blocks on the store; what is lost because the store has refused readings for too
// long is counted, and noted as a gap.
func (r *Recorder) Put(s store.Sample) {
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.drive
	if d == nil || d.paused {
		r.kept = append(r.kept, s)
		if len(r.kept) > 64 && len(r.kept) > 2*r.fresh(s.At) {
			r.kept = slices.Clone(r.kept[len(r.kept)-r.fresh(s.At):])
		}
		return
	}
	if r.waiting >= r.o.Most {
		if !r.full {
			r.full, r.fullAt = true, s.At
		}
		r.health.Count(Part, "readings lost", 1)
		return
	}
	r.roomLocked(d, s.At)
	d.take(s)
	r.waiting++
}

// roomLocked ends the gap of readings that memory could not hold: when it holds some again, or nothing is to be recorded.
func (r *Recorder) roomLocked(d *drive, at time.Duration) {
	if !r.full {
		return
	}
	r.full = false
	d.event(store.Event{At: max(d.zero, r.fullAt), Until: at, Kind: "gap", Source: Source, Text: r.fault})
}

func (d *drive) take(s store.Sample) {
	d.batch = append(d.batch, s)
	d.rates.add(s)
}

// event adds what happened at instants of the daemon's clock.
func (d *drive) event(e store.Event) {
	e.At -= d.zero
	if e.Until != store.StillOpen {
		e.Until -= d.zero
	}
	d.meta.Events = append(d.meta.Events, e)
	d.dirty = true
}

// fresh counts the kept samples that are not older than Before.
func (r *Recorder) fresh(now time.Duration) int {
	i := slices.IndexFunc(r.kept, func(s store.Sample) bool { return now-s.At <= r.o.Before })
	if i < 0 {
		return 0
	}
	return len(r.kept) - i
}

// Begin starts a drive at an instant. Its first readings are those kept from just before. Instants of the description
// are on the daemon's clock, and so is its SinceBoot: that of the daemon's start.
func (r *Recorder) Begin(at time.Duration, m store.Meta) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.drive != nil {
		return
	}
	kept := r.kept[len(r.kept)-r.fresh(at):]
	d := &drive{meta: m, zero: at, rated: at}
	for _, s := range kept {
		d.zero = min(d.zero, s.At)
	}
	for _, s := range kept {
		d.take(s)
	}
	r.kept, r.waiting = nil, r.waiting+len(kept)
	d.meta.Tick = r.o.Tick
	startLater(&d.meta, d.zero)
	d.event(store.Event{At: at, Until: at, Kind: "note", Text: "the drive begins"})
	r.drive = d
	r.wakeUp()
}

// startLater lets a description's clock start so much later, but for its events. It shares no instants with what it was.
func startLater(m *store.Meta, by time.Duration) {
	m.SinceBoot += by
	m.Anchors, m.Calibrations, m.References = slices.Clone(m.Anchors), slices.Clone(m.Calibrations), slices.Clone(m.References)
	m.Delays, m.Diagnoses = slices.Clone(m.Delays), slices.Clone(m.Diagnoses)
	for i := range m.Anchors {
		m.Anchors[i].At -= by
	}
	for i := range m.Calibrations {
		m.Calibrations[i].At -= by
	}
	for i := range m.References {
		m.References[i].At -= by
	}
	for i := range m.Delays {
		m.Delays[i].At -= by
	}
	for i := range m.Diagnoses {
		d := &m.Diagnoses[i]
		d.At, d.Until = max(0, d.At-by), max(0, d.Until-by)
	}
}

// endBy lets nothing that was read of the engine computers lie after a session's end, which the engine's stop may have been
// long before.
func endBy(m *store.Meta, end time.Duration) {
	m.Diagnoses = slices.Clone(m.Diagnoses)
	for i := range m.Diagnoses {
		d := &m.Diagnoses[i]
		d.At, d.Until = min(d.At, end), min(d.Until, end)
	}
}

// Pause stops recording for as long as the engine stands; the drive goes on with Resume, or ends.
func (r *Recorder) Pause(at time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if d := r.drive; d != nil && !d.paused {
		r.roomLocked(d, at)
		d.paused, d.pausedAt, d.dirty = true, at, true
		r.wakeUp()
	}
}

// Resume goes on with a drive that was paused. What was read just before is recorded too.
func (r *Recorder) Resume(at time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.drive
	if d == nil || !d.paused {
		return
	}
	d.paused = false
	kept := r.kept[len(r.kept)-r.fresh(at):]
	kept = slices.DeleteFunc(kept, func(s store.Sample) bool { return s.At <= d.pausedAt })
	r.kept, r.waiting = nil, r.waiting+len(kept)
	from := at
	for _, s := range kept {
		from = min(from, s.At)
	}
	d.rates.pause(from - d.pausedAt)
	for _, s := range kept {
		d.take(s)
	}
	d.event(store.Event{At: d.pausedAt, Until: from, Kind: "pause", Text: "the engine stood"})
}

// End ends the drive that is on, if one is, since the engine does not run any more: at the instant, or when it was paused.
func (r *Recorder) End(at time.Duration, reason string) { r.end(at, reason, true) }

// end does it; stopped says that the engine does not run any more.
func (r *Recorder) end(at time.Duration, reason string, stopped bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.drive
	if d == nil {
		return
	}
	if d.paused {
		at = d.pausedAt
	}
	r.roomLocked(d, at)
	for source := range r.gaps {
		r.closeGapLocked(source, at, stopped || d.paused)
	}
	d.end = &store.End{At: at - d.zero, Reason: reason}
	endBy(&d.meta, d.end.At)
	d.meta.Polled = r.o.Polled() // another drive may be on when this is written
	d.dirty = true
	r.ended = append(r.ended, d)
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

// ErrNoDrive says that no drive is on.
var ErrNoDrive = errors.New("no drive is being recorded")

// Mark puts a named instant into the drive that is on. It does not wait until that is written, which Run is told to do
// without waiting for the next flush.
func (r *Recorder) Mark(at time.Duration, source, text string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.drive
	if d == nil {
		return fmt.Errorf("mark %q: %w", text, ErrNoDrive)
	}
	d.event(store.Event{At: at, Until: at, Kind: "mark", Source: source, Text: text})
	r.wakeUp()
	return nil
}

// Recording returns the name of the session that is being recorded, or of the last one, and whether a drive is on.
func (r *Recorder) Recording() (id string, on bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.lastID, r.drive != nil
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
	m.Diagnoses = slices.Clone(m.Diagnoses)
	m.Rates = d.rates.list(d.zero)
	if d.end == nil {
		m.Polled = r.o.Polled()
		for _, g := range r.gaps {
			g.At, g.Until = max(0, g.At-d.zero), store.StillOpen
			m.Events = append(m.Events, g.Event)
		}
		if d.paused {
			m.Events = append(m.Events, store.Event{At: d.pausedAt - d.zero, Until: store.StillOpen, Kind: "pause", Text: "the engine stands"})
		}
	}
	slices.SortStableFunc(m.Events, func(a, b store.Event) int { return cmp.Compare(a.At, b.At) })
	return m
}
