package daemon

import (
	"fmt"
	"math"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
	"underdash/store/derive"
)

// remembered is of how many earlier drives the known levels count.
const remembered = 5

// lookEvery is how often it is looked whether a drive has shown something new.
const lookEvery = time.Second

// witness is what is known of one wideband's chain: what this drive and the ones before showed by themselves. Guarded by the daemon's
// mutex.
type witness struct {
	cfg      config.Analog
	observer *mixture.Observer
	earlier  [][]mixture.Level // of the drives before, newest last
	delay    *store.Delay      // fitted to an earlier drive; nil if none was

	next  time.Duration // when to look again
	found int           // what the observer had found then
	said  mixture.Verdict
	began mixture.Chain         // in force when this drive began
	off   map[mixture.Kind]bool // of this drive: that closed loop does not read as it should was told of these
}

// newWitnesses prepares for the wideband inputs.
func newWitnesses(inputs []config.Analog) map[string]*witness {
	all := make(map[string]*witness)
	for _, a := range inputs {
		if a.Kind == config.Wideband {
			all[a.Name] = &witness{cfg: a, observer: mixture.NewObserver(a.Levels())}
		}
	}
	return all
}

// recall takes in what earlier sessions of the input showed, as far as it was configured as it is now.
func (w *witness) recall(sessions []store.Meta) {
	for _, s := range sessions { // oldest first
		if same, _ := calibration.Configured(s.Channels, w.cfg); !same {
			continue
		}
		var levels []mixture.Level
		for _, r := range s.References {
			if r.Input == w.cfg.Name {
				levels = append(levels, derive.Level(r.Level))
			}
		}
		w.remember(levels)
		for _, d := range s.Delays {
			if d.Input == w.cfg.Name && d.Method == derive.MethodFitted {
				w.delay = betterDelay(w.delay, d)
			}
		}
	}
}

func (w *witness) remember(levels []mixture.Level) {
	if len(levels) == 0 {
		return
	}
	w.earlier = append(w.earlier, levels)
	if n := len(w.earlier); n > remembered {
		w.earlier = w.earlier[n-remembered:]
	}
}

// forget begins a new drive: what the one that is over showed is an earlier drive's now.
func (w *witness) forget() {
	w.remember(plainLevels(w.observer.Levels()))
	if f := w.observer.Delay(); f.Fitted {
		w.delay = betterDelay(w.delay, derive.StoreDelay(w.cfg.Name, 0, f))
	}
	w.observer, w.found, w.said = mixture.NewObserver(w.cfg.Levels()), 0, mixture.NotEnough
	w.off = nil
}

// carriedDelay is the fit to an earlier drive as another drive begins with it; nil if there is none.
func (w *witness) carriedDelay() *store.Delay {
	if w.delay == nil {
		return nil
	}
	d := *w.delay
	d.At = 0
	return &d
}

func plainLevels(observed []mixture.Observed) (levels []mixture.Level) {
	for _, o := range observed {
		levels = append(levels, o.Level)
	}
	return levels
}

// judge says what this drive and the ones before tell, and what this one has shown.
func (w *witness) judge() (mixture.Finding, []mixture.Observed) {
	now := w.observer.Levels()
	levels := plainLevels(now)
	for _, drive := range w.earlier {
		levels = append(levels, drive...)
	}
	return mixture.Judge(w.cfg.Levels(), levels), now
}

// closedLoopOff is how far from 1 the mean λ of settled closed loop may be read, over half a minute at least, before somebody has to look:
// four times the ±0.005 to which an engine's computer holds it (a published analysis of one car's logs, and common practice).
const closedLoopOff = 0.02

// offLoop tells, once a drive, of settled closed loop that is not read as λ 1 by the chain that the drive began with: one sentence for
// each state of the engine of which it is news. A chain that this drive has shown itself rests on what the engine's computer says, and
// would hide that it errs.
func (w *witness) offLoop(now []mixture.Observed) (texts []string) {
	law := w.cfg.Law()
	for _, o := range now {
		doing, ok := map[mixture.Kind]string{mixture.CruiseKind: "Cruising", mixture.IdleKind: "Idling"}[o.Kind]
		if !ok || w.off[o.Kind] {
			continue
		}
		lambda, held := law.Lambda(w.began.True(o.Seen)), law.Lambda(o.Known)
		if math.Abs(lambda-held) <= closedLoopOff {
			continue
		}
		if w.off == nil {
			w.off = make(map[mixture.Kind]bool)
		}
		w.off[o.Kind] = true
		texts = append(texts, fmt.Sprintf("%s in settled closed loop reads λ %.3f on average, where the engine computer holds %.3f: a leak in the exhaust, the wiring, an aged sensor, or an engine computer that is misled. Do not change any fuelling by it before 'underdash calibrate' tells which.", doing, lambda, held))
	}
	return texts
}

// calibration is a finding as a session keeps it; not ok if there is nothing to correct by.
func (w *witness) calibration(f mixture.Finding, at time.Duration) (store.Calibration, bool) {
	if !f.Usable {
		return store.Calibration{}, false
	}
	c := store.Calibration{Input: w.cfg.Name, At: at, Gain: f.Chain.Gain, Offset: f.Chain.Offset, Method: MethodReferences,
		GainSigma: f.Fit.GainSigma(), OffsetSigma: f.Fit.OffsetSigma(), Covariance: f.Fit.Covariance, AssumedOffset: f.Fit.AssumedOffset,
		Finding: f.Verdict.String()}
	if kinds := f.Fit.Kinds(); len(kinds) == 1 && kinds[0] == mixture.WarmupKind {
		c.Method = MethodWarmup
	}
	for _, l := range f.Fit.Levels {
		c.Levels = append(c.Levels, derive.StoreLevel(l))
	}
	return c, true
}

// tellLocked passes on what an engine computer said.
func (d *Daemon) tellLocked(from obd.Address, p obd.PID, data []byte, at time.Duration) {
	if from != d.link.engine || len(d.witnesses) == 0 {
		return
	}
	var err error
	if d.decoded, err = pid.Decode(p, data, d.link.context, d.decoded[:0]); err != nil {
		return
	}
	for _, v := range d.decoded {
		if v.State == pid.NotAvailable || v.State == pid.UnknownScale {
			continue
		}
		for _, w := range d.witnesses {
			if q, ok := derive.Told(p, v.Index, d.link.context, w.cfg.Bank, v.Number); ok {
				w.observer.Engine(at, q, v.Number)
			}
		}
	}
}

// observe passes on a reading of a wideband, and looks now and then whether the drive has shown something new. It runs on the
// input's own goroutine.
func (d *Daemon) observe(in *input, at time.Duration, code int32, left *warmup) {
	d.mu.Lock()
	defer d.mu.Unlock()
	w := d.witnesses[in.cfg.Name]
	if w == nil {
		return
	}
	if burning, known := w.observer.Burning(); known {
		in.tracker.Engine(at, burning)
	}
	w.observer.Converter(in.ends)
	w.observer.Reading(at, in.chain.Volts(code), in.state)
	if left != nil {
		w.observer.Warmup(at, left.known, left.seen, left.sigma, left.n)
	}
	if at < w.next && left == nil {
		return
	}
	w.next = at + lookEvery
	if n := w.observer.Found(); n != w.found {
		w.found = n
		d.reconsiderLocked(w, at)
	}
}

// endDriveLocked takes in what a drive showed last, before it ends.
func (d *Daemon) endDriveLocked(at time.Duration) {
	for _, w := range d.witnesses {
		w.observer.Finish()
		if n := w.observer.Found(); n != w.found {
			d.reconsiderLocked(w, at)
		}
		w.forget()
	}
}
