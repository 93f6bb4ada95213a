package daemon

import (
	"math"
	"slices"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
)

// What earlier drives showed counts for the car that they were driven with: another has other grounds, another exhaust and another engine
// computer's idea of λ = 1. A car that does not tell its identification number may be any.

// carIs notes which car the logger is in. What was carried over from another one's drives is dropped, and what this one's drives showed
// is looked for instead. An empty vin tells nothing.
func (d *Daemon) carIs(vin string) {
	if vin == "" {
		return
	}
	d.mu.Lock()
	moved := slices.ContainsFunc(d.cars, func(known string) bool { return known != vin })
	d.cars = []string{vin}
	d.mu.Unlock()
	if !moved {
		return
	}
	d.o.Log.Info("some earlier drives were another car's; what those showed of the wiring and the delay does not count here")
	sessions := d.earlierSessions(vin)
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, a := range d.cfg.Analog {
		w := d.witnesses[a.Name]
		if a.Kind != config.Wideband || w == nil {
			continue
		}
		w.earlier, w.delay, w.found = nil, nil, -1 // what this drive has shown is judged anew
		delete(d.calibrations, a.Name)
		if _, applied := d.applied[a.Name]; !applied {
			d.inputs[i].use(mixture.Chain{})
		}
	}
	d.carryLocked(sessions)
	for name, w := range d.witnesses {
		w.began = d.inForceLocked(name)
	}
	d.recorder.Edit(func(m *store.Meta, _ time.Duration) {
		m.Calibrations, m.Delays = d.calibrationsLocked(), d.delaysLocked()
	})
}

// changedDelay is how many standard uncertainties two fits lie apart if what they were fitted to is not the same exhaust any more.
const changedDelay = 3

// betterDelay is the one of two fits of the delay by which to go on: the better known one, whichever drive it comes from, or the newer
// one if both cannot be true of the same car. old may be nil.
func betterDelay(old *store.Delay, newer store.Delay) *store.Delay {
	if old == nil || newer.Sigma <= old.Sigma {
		return &newer
	}
	model := func(d store.Delay) mixture.DelayModel {
		return mixture.DelayModel{Cycle: d.Cycle, Gas: d.Gas, Lag: d.Lag}
	}
	for _, at := range []struct{ rpm, flow float64 }{{800, 3}, {2500, 16}} { // idling and cruising, 1/min and g/s
		apart := math.Abs(model(*old).Total(at.rpm, at.flow) - model(newer).Total(at.rpm, at.flow))
		if apart > changedDelay*math.Hypot(old.Sigma, newer.Sigma) {
			return &newer
		}
	}
	return old
}
