package daemon

import (
	"math"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
)

// The ways in which a calibration in force was found; store.MethodApplied is another.
const (
	MethodConfigured = "configured"
	MethodWarmup     = "warm-up level"
	MethodCarried    = "carried over" // found in an earlier session of this store
	MethodModelled   = "modelled"     // reckoned from the resistances in the configuration
)

// carryCalibrations puts in force what is known before anything was read: what was applied, else the level given in the
// configuration, else what the newest session of the same input knew, else what the configured resistances lose.
func (d *Daemon) carryCalibrations() {
	earlier := d.earlierCalibrations()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.readAppliedLocked()
	for _, a := range d.cfg.Analog {
		if a.Kind != config.Wideband {
			continue
		}
		if a.Correction != nil {
			level := store.Level{Known: a.Correction.Known, Seen: a.Correction.Seen, Kind: MethodConfigured}
			if chain, ok := a.Chain(); ok {
				d.calibrations[a.Name] = store.Calibration{Input: a.Name, Gain: chain.Gain, Method: MethodConfigured, Levels: []store.Level{level}}
			}
			continue
		}
		if c, ok := earlier[a.Name]; ok {
			c.At, c.Method = 0, MethodCarried
			d.calibrations[a.Name] = c
		} else if gain := a.LoadGain(); gain < 1 {
			d.calibrations[a.Name] = store.Calibration{Input: a.Name, Gain: gain, Method: MethodModelled, AssumedOffset: true}
		}
	}
}

// earlierCalibrations looks for the newest calibration of each input that a session of the store found by itself.
func (d *Daemon) earlierCalibrations() map[string]store.Calibration {
	found := make(map[string]store.Calibration)
	sessions, err := store.List(d.cfg.Store.Path)
	if err != nil {
		d.o.Log.Warn("could not look for earlier calibrations", "err", err)
	}
	for _, s := range sessions {
		for _, c := range s.Meta.Calibrations {
			switch c.Method {
			case MethodConfigured, MethodModelled, store.MethodApplied:
			default:
				found[c.Input] = c // sessions come oldest first
			}
		}
	}
	return found
}

// readAppliedLocked looks for the calibrations that somebody applied for the next session. One may be applied while the daemon
// runs, so it is done before every drive.
func (d *Daemon) readAppliedLocked() {
	list, err := store.Calibrations(d.cfg.Store.Path)
	if err != nil {
		d.o.Log.Warn("could not read the applied calibrations; those known go on", "err", err)
		return
	}
	for i, in := range d.inputs {
		cfg := d.cfg.Analog[i] // the input's own belongs to its source's goroutine
		if cfg.Kind != config.Wideband {
			continue
		}
		// Whatever is in the list begins with the next session at the latest.
		a, ok := store.InForce(list, cfg.Name, math.MaxUint64)
		before, had := d.applied[cfg.Name]
		switch {
		case ok && (!had || !sameChain(a.Calibration, before)):
			c := a.Calibration
			c.Method = store.MethodApplied
			d.applied[cfg.Name] = c
			in.use(mixture.Chain{Gain: c.Gain, Offset: c.Offset})
			d.o.Log.Info("an applied calibration is in force", "input", cfg.Name, "gain", c.Gain, "offset", c.Offset)
		case !ok && had:
			delete(d.applied, cfg.Name)
			d.o.Log.Info("the applied calibration was withdrawn", "input", cfg.Name)
			if chain, ok := cfg.Chain(); ok {
				in.use(chain)
			}
		}
	}
}

func sameChain(a, b store.Calibration) bool { return a.Gain == b.Gain && a.Offset == b.Offset }

// calibrationsLocked are those that a session begins with: what was found or configured, and then what was applied, which counts more.
func (d *Daemon) calibrationsLocked() (all []store.Calibration) {
	for _, a := range d.cfg.Analog {
		if c, ok := d.calibrations[a.Name]; ok {
			all = append(all, c)
		}
		if c, ok := d.applied[a.Name]; ok {
			all = append(all, c)
		}
	}
	return all
}

// calibrate takes in the level that a controller was seen to put out while it heated. One level gives the gain
// alone; it assumes that no ground offset stands behind it.
func (d *Daemon) calibrate(in *input, at time.Duration, level store.Level) {
	log := d.o.Log.With("input", in.cfg.Name, "known", level.Known, "seen", level.Seen)
	chain, err := mixture.OneLevel(level.Known, level.Seen)
	if err != nil {
		log.Warn("the warm-up level does not fit", "err", err)
		d.recorder.Edit(func(m *store.Meta, zero time.Duration) {
			m.Events = append(m.Events, store.Event{At: at - zero, Until: at - zero, Kind: "note", Source: in.cfg.Name, Text: err.Error()})
		})
		return
	}
	if in.cfg.Correction != nil {
		log.Info("the warm-up level was seen; the configured correction stays in force")
		return
	}
	c := store.Calibration{Input: in.cfg.Name, At: at, Gain: chain.Gain, Method: MethodWarmup, Levels: []store.Level{level}}
	d.mu.Lock()
	d.calibrations[in.cfg.Name] = c
	_, applied := d.applied[in.cfg.Name]
	d.mu.Unlock()
	if applied {
		log.Info("the warm-up level was seen; the applied calibration stays in force")
	} else {
		log.Info("line loss found from the warm-up level", "gain", c.Gain)
	}
	d.recorder.Edit(func(m *store.Meta, zero time.Duration) {
		c.At -= zero
		m.Calibrations = append(m.Calibrations, c)
	})
}
