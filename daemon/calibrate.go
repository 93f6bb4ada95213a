package daemon

import (
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
)

// The ways in which a calibration in force was found.
const (
	MethodConfigured = "configured"
	MethodWarmup     = "warm-up level"
	MethodCarried    = "carried over" // found in an earlier session of this store
)

// carryCalibrations puts in force what is known before anything was read: the level given in the configuration,
// else what the newest session of the same input knew.
func (d *Daemon) carryCalibrations() {
	earlier := d.earlierCalibrations()
	d.mu.Lock()
	defer d.mu.Unlock()
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
		if c, ok := earlier[a.Name]; ok && c.Method != MethodConfigured {
			c.At, c.Method = 0, MethodCarried
			d.calibrations[a.Name] = c
		}
	}
}

// lookBack is how many sessions, the newest first, are read for calibrations: an input that was in none of them was
// not there for weeks.
const lookBack = 50

// earlierCalibrations looks for the newest calibration of each input in the store.
func (d *Daemon) earlierCalibrations() map[string]store.Calibration {
	found := make(map[string]store.Calibration)
	sessions, err := store.List(d.cfg.Store.Path)
	if err != nil {
		d.o.Log.Warn("could not look for earlier calibrations", "err", err)
	}
	for looked := 0; looked < lookBack && looked < len(sessions) && !d.knowsAll(found); looked++ {
		path, err := store.Find(d.cfg.Store.Path, sessions[len(sessions)-1-looked].ID)
		if err != nil {
			continue
		}
		r, err := store.OpenReader(path)
		if err != nil {
			continue // what is wrong with it is told elsewhere
		}
		newest := make(map[string]store.Calibration)
		for _, c := range r.Meta().Calibrations {
			newest[c.Input] = c
		}
		for input, c := range newest {
			if _, ok := found[input]; !ok {
				found[input] = c
			}
		}
		_ = r.Close()
	}
	return found
}

// knowsAll says whether every wideband input has a calibration.
func (d *Daemon) knowsAll(found map[string]store.Calibration) bool {
	for _, a := range d.cfg.Analog {
		if _, ok := found[a.Name]; a.Kind == config.Wideband && !ok {
			return false
		}
	}
	return true
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
	log.Info("line loss found from the warm-up level", "gain", c.Gain)
	d.mu.Lock()
	d.calibrations[in.cfg.Name] = c
	d.mu.Unlock()
	d.recorder.Edit(func(m *store.Meta, zero time.Duration) {
		c.At -= zero
		m.Calibrations = append(m.Calibrations, c)
	})
}
