package calibration

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"underdash/daemon/config"
	"underdash/store"
)

// ErrNotApplied is wrapped by what Apply, Extend and Withdraw say of something that cannot be done.
var ErrNotApplied = errors.New("not applied")

// Apply makes a finding the calibration of a logger's sessions, from the next one on, or from the first that began at since. Earlier
// readings are re-corrected by reference: no session's file is touched. It forgets the levels that waited.
func Apply(d Drives, f Finding, since *time.Time, now time.Time) (store.Applied, error) {
	if why := f.NotToApply(); why != "" {
		return store.Applied{}, fmt.Errorf("%w: %s", ErrNotApplied, why)
	}
	a := store.Applied{Calibration: f.Calibration()}
	now = now.UTC().Truncate(time.Second)
	a.Made = &now
	a, err := add(d, a, since, now)
	if err != nil {
		return store.Applied{}, err
	}
	_, err = ClearPending(d.Dir, f.Input)
	return a, err
}

// Extend lets the calibration that is in force for the next session hold from the first that began at since.
func Extend(d Drives, input config.Analog, since, now time.Time) (store.Applied, error) {
	a, err := newest(d, input)
	if err != nil {
		return store.Applied{}, err
	}
	return add(d, a, &since, now)
}

// Withdraw ends what was applied, from the next session on, or from the first that began at since: the sessions' own calibrations hold
// again.
func Withdraw(d Drives, input string, since *time.Time, now time.Time) (store.Applied, error) {
	list, err := store.Calibrations(d.Dir)
	if err != nil {
		return store.Applied{}, err
	}
	// One that is withdrawn for the next session may hold for earlier ones yet.
	if !slices.ContainsFunc(list, func(a store.Applied) bool { return a.Input == input && a.For(d.Origin) && !a.Withdrawn }) {
		return store.Applied{}, nothingApplied(input)
	}
	return add(d, store.Applied{Calibration: store.Calibration{Input: input}, Withdrawn: true}, since, now)
}

// InForce is the applied calibration by which the next session will be read; nil if its own counts, as it does where all that was
// applied was measured through another divider than is configured now.
func InForce(d Drives, input config.Analog) (*store.Applied, error) {
	next, err := NextSession(d)
	if err != nil {
		return nil, err
	}
	list, err := store.Calibrations(d.Dir)
	if err != nil {
		return nil, err
	}
	if a, ok := store.InForce(list, input.Name, d.Origin, next, input.PlugPerPin()); ok {
		return &a, nil
	}
	return nil, nil
}

func newest(d Drives, input config.Analog) (store.Applied, error) {
	a, err := InForce(d, input)
	if err != nil {
		return store.Applied{}, err
	}
	if a == nil {
		return store.Applied{}, nothingApplied(input.Name)
	}
	return *a, nil
}

func nothingApplied(input string) error {
	return fmt.Errorf("%w: there is no applied calibration of %s; measure levels with --level, then --apply", ErrNotApplied, input)
}

func add(d Drives, a store.Applied, since *time.Time, now time.Time) (store.Applied, error) {
	sessions, err := d.list()
	if err != nil {
		return store.Applied{}, err
	}
	a.Origin, a.From, a.Since = d.Origin, next(sessions), nil
	if since != nil {
		t := since.UTC()
		a.From, a.Since = store.FirstSince(sessions, store.Anchors(d.Dir), t), &t
	}
	return a, store.ApplyCalibration(d.Dir, a, now)
}

// NextSession is the number of the session that will be recorded next.
func NextSession(d Drives) (uint64, error) {
	sessions, err := d.list()
	if err != nil {
		return 0, err
	}
	return next(sessions), nil
}

func next(sessions []store.Info) uint64 {
	n := uint64(1)
	for _, s := range sessions {
		n = max(n, s.Number+1)
	}
	return n
}
