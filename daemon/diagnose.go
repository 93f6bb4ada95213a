package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"underdash/obd/poll"
	"underdash/store"
)

// examiner has the engine computers read at a drive's start (codes, monitors, freeze frame, who they are) and when the
// engine stops (codes and monitors), and keeps what they said in the session. Every question is put between two polls, so
// that the readings go on.
//
// Mostly the ignition goes off with the engine or soon after it, and nobody answers any more. So the end is read as soon
// as the engine stands, long before the drive counts as over; when the engine runs again that was a stall, and the next
// stop's reading takes its place. What could not be read is said in the session too.
type examiner struct {
	d    *Daemon
	wake chan struct{} // holds one: there may be something to do

	mu       sync.Mutex // guards what follows, and is held while the session is changed
	link     *examinee  // nil while no car is polled
	on       bool       // a drive is on
	todo     struct{ start, end bool }
	tries    int                        // at reading the start
	standing bool                       // the engine stands
	stop     int                        // counts the times it began to
	ended    bool                       // the present stop was read
	broke    struct{ start, end error } // why the reading was not read to its end; nil if it was, or was not begun
	fault    error                      // what the link failed with last, nil while it is well or the car is silent
}

// examinee is a car that is being polled.
type examinee struct {
	poller *poll.Poller
	found  poll.Found
	up     context.Context // ends when the polling does
}

const (
	// longestStart and longestEnd bound a reading: a car that answers needs a second or two.
	longestStart, longestEnd = time.Minute, 10 * time.Second
	// mostTries is how often the start is read again on a new link after one broke off.
	mostTries = 3
)

func newExaminer(d *Daemon) *examiner { return &examiner{d: d, wake: make(chan struct{}, 1)} }

// attach says which car is polled from now on; what it returns, that it no longer is.
func (e *examiner) attach(p *poll.Poller, f poll.Found) (detach func()) {
	up, cancel := context.WithCancel(context.Background())
	link := &examinee{poller: p, found: f, up: up}
	e.change(func() { e.link, e.fault = link, nil })
	return func() {
		cancel()
		e.change(func() {
			if e.link == link {
				e.link = nil
			}
		})
	}
}

// begin says that a drive begins.
func (e *examiner) begin() {
	e.change(func() {
		e.on, e.tries, e.standing, e.ended = true, 0, false, false
		e.todo.start, e.todo.end = true, false
		e.broke.start, e.broke.end = nil, nil
	})
}

// failed says why the car is not polled. A silent car is no fault of the link.
func (e *examiner) failed(err error) {
	if errors.Is(err, errSilent) {
		err = nil
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.fault = err
}

// stands says whether the engine stands while a drive is on. It may be said again and again. What was read of a stop after
// which the drive went on is not of the drive's end, whatever becomes of the next one.
func (e *examiner) stands(standing bool) {
	e.mu.Lock()
	news := e.on && standing != e.standing
	e.mu.Unlock()
	if !news {
		return
	}
	e.change(func() {
		e.standing, e.todo.end, e.ended, e.broke.end = standing, standing, false, nil
		e.stop++
		if !standing {
			e.dropEndLocked()
		}
	})
}

// dropEndLocked takes what was read at a stop out of the session.
func (e *examiner) dropEndLocked() {
	e.d.recorder.Edit(func(m *store.Meta, _ time.Duration) {
		m.Diagnoses = slices.DeleteFunc(slices.Clone(m.Diagnoses), func(d store.Diagnosis) bool { return d.When == store.DriveEnd })
	})
}

// end says that the drive is over, just before the session's description is closed.
func (e *examiner) end(now time.Duration) {
	e.change(func() { e.finishLocked(now, nil) })
}

// The reasons for which nothing was read, where the link gives none.
var (
	errNotHeard = errors.New("no car was heard during the drive")
	errSilenced = errors.New("the car no longer answered")
	errDriven   = errors.New("the drive was over before everything was read")
	errStopped  = errors.New("the daemon was stopped")
)

// finishLocked notes what was not read. why is what cut the drive off, nil if it just was over.
func (e *examiner) finishLocked(now time.Duration, why error) {
	if !e.on {
		return
	}
	e.on = false
	if e.todo.start {
		e.missedLocked(now, store.DriveStart, cmp.Or(e.broke.start, e.unreadLocked(why)))
	}
	if !e.ended {
		e.missedLocked(now, store.DriveEnd, cmp.Or(e.broke.end, why, e.fault, errSilenced))
	}
	e.todo.start, e.todo.end = false, false
}

// unreadLocked is why the start was not read, if no reading of it broke off.
func (e *examiner) unreadLocked(why error) error {
	switch {
	case e.tries > 0: // one is under way
		return cmp.Or(why, errDriven)
	case e.fault != nil:
		return fmt.Errorf("%w: %w", errNotHeard, e.fault)
	}
	return errNotHeard
}

// missedLocked notes why a reading is not in the session, or not to its end.
func (e *examiner) missedLocked(now time.Duration, when string, why error) {
	if errors.Is(why, errPollingOver) && e.fault != nil {
		why = fmt.Errorf("%w: %w", errPollingOver, e.fault)
	}
	e.keepLocked(store.Diagnosis{At: now, When: when, Problem: why.Error()})
}

func (e *examiner) change(f func()) {
	e.mu.Lock()
	f()
	e.mu.Unlock()
	select {
	case e.wake <- struct{}{}:
	default:
	}
}

// run reads what is to be read until ctx ends.
func (e *examiner) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			e.mu.Lock()
			e.finishLocked(e.d.clock.Now(), errStopped)
			e.mu.Unlock()
			return
		case <-e.wake:
		}
		for e.next(ctx) {
		}
	}
}

// next reads one thing, and reports whether there was one.
func (e *examiner) next(ctx context.Context) bool {
	e.mu.Lock()
	link, todo := e.link, e.todo
	if !e.on || link == nil || !todo.start && !todo.end || ctx.Err() != nil {
		e.mu.Unlock()
		return false
	}
	stop := e.stop
	if todo.start {
		e.tries++
	}
	e.mu.Unlock()

	when, longest, ask := store.DriveEnd, longestEnd, poll.CheckCodes
	if todo.start {
		when, longest, ask = store.DriveStart, longestStart, poll.Diagnose
	}
	began := e.d.clock.Now()
	limited, cancel := context.WithTimeout(ctx, longest)
	told, err := ask(limited, between{link}, link.found)
	cancel()
	d := stored(told, when, began, e.d.clock.Now())
	if err != nil {
		d.Problem = err.Error()
	}

	e.mu.Lock()
	defer e.mu.Unlock()
	if !e.on || ctx.Err() != nil {
		return false
	}
	switch {
	case when == store.DriveStart:
		// A link that broke off comes back, and is asked again.
		e.todo.start, e.broke.start = err != nil && e.tries < mostTries, err
	case stop != e.stop: // the drive has gone on meanwhile
		return err == nil || e.link != link
	default:
		e.todo.end, e.ended, e.broke.end = false, err == nil, err
	}
	e.keepLocked(d)
	if err != nil {
		e.d.o.Log.Warn("the engine computers could not be read to the end", "when", when, "answers", len(d.Answers), "err", err)
		return e.link != link // the same link would break again
	}
	e.d.o.Log.Info("the engine computers were read", "when", when, "answers", len(d.Answers))
	return true
}

// keepLocked puts a reading into the session, in the place of an earlier one of the same time of the drive. One without
// answers does not take the place of one that has some: that is kept, and what has become of it since is said.
func (e *examiner) keepLocked(d store.Diagnosis) {
	e.d.recorder.Edit(func(m *store.Meta, zero time.Duration) {
		d.At, d.Until = max(0, d.At-zero), max(0, d.Until-zero)
		all := slices.Clone(m.Diagnoses)
		i := slices.IndexFunc(all, func(have store.Diagnosis) bool { return have.When == d.When })
		switch {
		case i < 0:
			all = append(all, d)
		case len(d.Answers) > 0 || len(all[i].Answers) == 0:
			all[i] = d
		default:
			all[i].Problem = d.Problem
		}
		m.Diagnoses = all
	})
}

func stored(told poll.Diagnosis, when string, began, done time.Duration) store.Diagnosis {
	d := store.Diagnosis{At: began, Until: done, When: when}
	for _, a := range told.Answers {
		d.Answers = append(d.Answers, store.Static{From: uint32(a.From), Service: byte(a.Service), PID: byte(a.PID), Payload: a.Payload})
	}
	for _, r := range told.Silent {
		q := store.Question{Service: byte(r.Service)}
		if len(r.PIDs) > 0 {
			q.PID = byte(r.PIDs[0])
		}
		d.Silent = append(d.Silent, q)
	}
	return d
}

// withKnown adds to fresh answers those that an earlier link got to questions which this time nobody answered: a lost
// answer must not take from a session what it knew.
func withKnown(fresh, known []store.Static) []store.Static {
	all := slices.Clone(fresh)
	for _, k := range known {
		if !slices.ContainsFunc(fresh, func(f store.Static) bool { return f.From == k.From && f.Service == k.Service && f.PID == k.PID }) {
			all = append(all, k)
		}
	}
	return all
}
