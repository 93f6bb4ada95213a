package daemon

import (
	"math"
	"slices"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/store"
	"underdash/store/derive"
)

// The ways in which a calibration in force was found; store.MethodApplied is another.
const (
	MethodConfigured = "configured"
	MethodWarmup     = "warm-up level"
	MethodReferences = "references"   // known levels that this drive and earlier ones showed by themselves
	MethodCarried    = "carried over" // found in an earlier session of this store
	MethodModelled   = "modelled"     // reckoned from the resistances in the configuration
)

// carryCalibrations puts in force what is known before anything was read: what was applied, else the level given in the
// configuration, else what the newest session of the same input knew, else what the configured resistances lose.
func (d *Daemon) carryCalibrations() {
	sessions := d.earlierSessions("")
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, m := range sessions {
		if vin := derive.VIN(m); vin != "" {
			d.cars = append(d.cars, vin)
		}
	}
	d.readAppliedLocked()
	d.carryLocked(sessions)
}

// carryLocked puts in force what sessions of this car and the configuration tell, where nothing was applied.
func (d *Daemon) carryLocked(sessions []store.Meta) {
	earlier := earlierCalibrations(sessions, d.cfg.Analog)
	for i, a := range d.cfg.Analog {
		if a.Kind != config.Wideband {
			continue
		}
		d.witnesses[a.Name].recall(sessions)
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
		} else {
			continue
		}
		if _, applied := d.applied[a.Name]; !applied {
			d.inputs[i].use(chainOf(d.calibrations[a.Name]))
		}
	}
}

// lookBack is how many sessions, the newest first, are read for what earlier drives showed: an input that was in none of
// them was not there for weeks.
const lookBack = 50

// earlierSessions reads the descriptions of the newest sessions, oldest first: no more than it takes to know every wideband
// input, and lookBack at the most. Those known to be of another car than that of the identification number vin are left out.
func (d *Daemon) earlierSessions(vin string) (metas []store.Meta) {
	infos, err := store.List(d.cfg.Store.Path)
	if err != nil {
		d.o.Log.Warn("could not look for earlier calibrations", "err", err)
	}
	for looked := 0; looked < lookBack && looked < len(infos) && !d.knowsAll(metas); looked++ {
		path, err := store.Find(d.cfg.Store.Path, infos[len(infos)-1-looked].ID)
		if err != nil {
			continue
		}
		r, err := store.OpenReader(path)
		if err != nil {
			continue // what is wrong with it is told elsewhere
		}
		if m := r.Meta(); !calibration.OtherCar(m, vin) {
			metas = append(metas, m)
		}
		_ = r.Close()
	}
	slices.Reverse(metas)
	return metas
}

// knowsAll tells whether sessions tell of every wideband input its calibration, and the known levels of as many drives as count.
func (d *Daemon) knowsAll(metas []store.Meta) bool {
	calibrations := earlierCalibrations(metas, d.cfg.Analog)
	for _, a := range d.cfg.Analog {
		if a.Kind != config.Wideband {
			continue
		}
		w := witness{cfg: a}
		w.recall(metas)
		if _, ok := calibrations[a.Name]; !ok || len(w.earlier) < remembered {
			return false
		}
	}
	return true
}

// earlierCalibrations are the newest of each input that a session found by itself, with the input configured as it is now.
func earlierCalibrations(metas []store.Meta, inputs []config.Analog) map[string]store.Calibration {
	found := make(map[string]store.Calibration)
	for _, m := range metas {
		for _, a := range inputs {
			if same, _ := calibration.Configured(m.Channels, a); !same {
				continue
			}
			for _, c := range m.Calibrations {
				switch c.Method {
				case MethodConfigured, MethodModelled, store.MethodApplied:
				default:
					if c.Input == a.Name {
						found[c.Input] = c // sessions come oldest first
					}
				}
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
	origin := store.Origin(d.cfg.Store.Path)
	for i, in := range d.inputs {
		cfg := d.cfg.Analog[i] // the input's own belongs to its source's goroutine
		if cfg.Kind != config.Wideband {
			continue
		}
		// Whatever is in the list begins with the next session at the latest.
		a, ok := store.InForce(list, cfg.Name, origin, math.MaxUint64, cfg.PlugPerPin())
		if other, is := store.OfNoUse(list, cfg.Name, origin, math.MaxUint64, cfg.PlugPerPin()); is && d.otherDivider[cfg.Name] != other.PlugPerPin {
			d.otherDivider[cfg.Name] = other.PlugPerPin // said once
			d.o.Log.Warn("the newest applied calibration was measured through another divider than is configured now, and does not count: measure again",
				"input", cfg.Name, "measured", other.PlugPerPin, "configured", cfg.PlugPerPin())
		}
		before, had := d.applied[cfg.Name]
		switch {
		case ok && (!had || !sameChain(a.Calibration, before)):
			c := a.Calibration
			c.Method = store.MethodApplied
			d.applied[cfg.Name] = c
			in.use(chainOf(c))
			d.o.Log.Info("an applied calibration is in force", "input", cfg.Name, "gain", c.Gain, "offset", c.Offset)
		case !ok && had:
			delete(d.applied, cfg.Name)
			d.o.Log.Info("the applied calibration was withdrawn", "input", cfg.Name)
			// What was configured, or found meanwhile, holds again; where nothing was, readings are not corrected.
			in.use(chainOf(d.calibrations[cfg.Name]))
		}
	}
}

// chainOf is the chain by which a calibration corrects; the zero Calibration's changes nothing.
func chainOf(c store.Calibration) mixture.Chain {
	return mixture.Chain{Gain: c.Gain, Offset: c.Offset}
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

// warmup is a warm-up level that a controller has just left: what it puts out and what the plug showed, volts.
type warmup struct {
	known, seen, sigma float64
	n                  int // readings
}

// reconsiderLocked keeps what the drive has shown so far, and corrects by it and by what earlier drives showed, unless somebody set
// the correction.
func (d *Daemon) reconsiderLocked(w *witness, at time.Duration) {
	name := w.cfg.Name
	finding, now := w.judge()
	news := finding.Verdict != w.said
	w.said = finding.Verdict
	c, usable := w.calibration(finding, at)
	usable = usable && w.cfg.Correction == nil
	fit := w.observer.Delay()
	alarms := w.offLoop(now)
	if news && alarming(finding.Verdict) {
		alarms = append(alarms, finding.Text())
	}
	d.recorder.Edit(func(m *store.Meta, zero time.Duration) {
		keepReferences(m, name, now, zero)
		if fit.Fitted {
			keepDelay(m, *betterDelay(w.carriedDelay(), derive.StoreDelay(name, at-zero, fit)))
		}
		if usable {
			c := c
			c.At -= zero
			keepCalibration(m, c.Kept(m.Fuel))
		}
		for _, text := range alarms {
			m.Events = append(m.Events, store.Event{At: at - zero, Until: at - zero, Kind: "note", Source: name, Text: text})
		}
	})
	log := d.o.Log.With("input", name)
	for _, text := range alarms {
		log.Warn("the wiring", "finding", finding.Verdict.String(), "text", text)
	}
	if news && !alarming(finding.Verdict) {
		log.Info("the wiring", "finding", finding.Verdict.String(), "text", finding.Text())
	}
	if !usable {
		return
	}
	d.calibrations[name] = c
	if _, applied := d.applied[name]; applied {
		log.Debug("a known level was seen; the applied calibration stays in force")
		return
	}
	log.Debug("corrected by what drives showed", "gain", c.Gain, "offset", c.Offset, "method", c.Method)
	for i, in := range d.inputs {
		if d.cfg.Analog[i].Name == name {
			in.use(chainOf(c))
		}
	}
}

// inForceLocked is the chain by which an input's readings are corrected now.
func (d *Daemon) inForceLocked(name string) mixture.Chain {
	if c, ok := d.applied[name]; ok {
		return chainOf(c)
	}
	return chainOf(d.calibrations[name])
}

// alarming tells whether somebody has to mend something.
func alarming(v mixture.Verdict) bool {
	return v == mixture.LeakLike || v == mixture.Disagrees || v == mixture.WiringFault
}

// keepReferences puts what an input has shown in the place of what it had shown before.
func keepReferences(m *store.Meta, input string, now []mixture.Observed, zero time.Duration) {
	m.References = slices.DeleteFunc(m.References, func(r store.Reference) bool { return r.Input == input })
	for _, o := range now {
		o.At -= zero
		m.References = append(m.References, derive.StoreReference(input, o))
	}
}

// keepDelay adds a fit of the delay, in the place of the drive's last one.
func keepDelay(m *store.Meta, d store.Delay) {
	m.Delays = slices.DeleteFunc(m.Delays, func(old store.Delay) bool { return old.Input == d.Input })
	m.Delays = append(m.Delays, d)
}

// keepCalibration adds a calibration, in the place of the drive's last one that was found in the same way.
func keepCalibration(m *store.Meta, c store.Calibration) {
	m.Calibrations = slices.DeleteFunc(m.Calibrations, func(old store.Calibration) bool { return old.Input == c.Input && old.Method == c.Method })
	m.Calibrations = append(m.Calibrations, c)
}

// delaysLocked are those that a session begins with, fitted to earlier drives.
func (d *Daemon) delaysLocked() (all []store.Delay) {
	for _, a := range d.cfg.Analog {
		if w := d.witnesses[a.Name]; w != nil && w.delay != nil {
			all = append(all, *w.carriedDelay())
		}
	}
	return all
}
