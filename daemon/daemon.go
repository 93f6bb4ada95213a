// Package daemon wires the sources, the recorder and the store together and keeps them running. It is the only
// place that opens hardware.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync"
	"time"

	"underdash/daemon/channel"
	"underdash/daemon/config"
	"underdash/daemon/health"
	"underdash/daemon/live"
	"underdash/daemon/session"
	"underdash/daemon/timebase"
	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/pid"
	"underdash/store"
)

// Options are the daemon's seams to the world. The zero value is what a car needs.
type Options struct {
	Log      *slog.Logger  // default: discard
	Software string        // name and version, kept in every session
	Ready    func()        // called once when the store is open and the sources are about to start
	Retry    time.Duration // wait before the second try at a source; default 0.5 s, and what the table of faults says for the link
	MostWait time.Duration // the wait doubles up to this; default 4 s, and what the table of faults says for the link
	Silent   time.Duration // polled for so long without an answer, the car counts as silent; default 5 s
	Dialogue elm.Options   // time-outs of the dialogue with the adapter
	Parking  Parking       // when the car counts as parked, and how it is watched then

	Dial      func(ctx context.Context, address string, baud int) (io.ReadWriteCloser, error)
	OpenInput func(config.Analog, Overrun) (Converter, error)
	Clock     timebase.Options             // the system's clocks
	Listen    func() (net.Listener, error) // where commands reach the daemon; default: a Unix socket. No listener: nowhere

	ListenNetwork func() (net.Listener, error) // where the network does; default: as configured. No listener: nowhere
}

func (o Options) withDefaults() Options {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Ready == nil {
		o.Ready = func() {}
	}
	if o.Retry <= 0 {
		o.Retry = 500 * time.Millisecond
	}
	if o.MostWait <= 0 {
		o.MostWait = 4 * time.Second
	}
	if o.Dial == nil {
		o.Dial = dial
	}
	if o.OpenInput == nil {
		o.OpenInput = OpenInput
	}
	return o
}

// Daemon is one running logger. New touches nothing; Run does.
type Daemon struct {
	cfg config.Config
	o   Options

	clock    *timebase.Clock
	table    *channel.Table
	health   health.Board
	live     live.Board
	recorder *session.Recorder
	inputs   []*input
	examiner *examiner
	asking   asking
	hints    chan struct{} // holds one: an analog input came to life, so the ignition may be on
	socket   string        // its path; empty if there is none

	mu           sync.Mutex // guards what follows
	engine       *session.Engine
	link         link
	calibrations map[string]store.Calibration // found, carried over or configured, by input
	applied      map[string]store.Calibration // by input; these count more
	otherDivider map[string]float64           // by input: that of an applied calibration which does not count, once it was told
	witnesses    map[string]*witness          // of the wideband inputs
	cars         []string                     // identification numbers of those that what was carried over comes from
	decoded      []pid.Value                  // used again and again
	anchor       timebase.Anchor              // the newest look at both clocks
	reading      map[string]bool              // sources that deliver at present
	last         map[string]time.Duration     // when a source last delivered
	mixture      time.Duration                // when a mixture within the scale was last read
	mixed        bool                         // one ever was

	dating    dating // used by Run and by watch only, like what follows
	worn      wear
	statusKey []byte // what of the status file would be news if it were another
}

// link is what is known of the adapter and the car behind it.
type link struct {
	adapter store.Adapter
	static  []store.Static
	engine  obd.Address
	context pid.Context // of the engine's computer
}

// New returns a daemon for a checked configuration.
func New(cfg config.Config, o Options) *Daemon {
	return &Daemon{cfg: cfg, o: o.withDefaults(), calibrations: make(map[string]store.Calibration), applied: make(map[string]store.Calibration), otherDivider: make(map[string]float64),
		witnesses: newWitnesses(cfg.Analog),
		reading:   make(map[string]bool), last: make(map[string]time.Duration), hints: make(chan struct{}, 1)}
}

// Run opens the store and logs until ctx ends, then ends the session that is on, writes what is left and returns.
// Sources that fail are tried again for ever and never end it; an error means that the store could not be opened
// or the last readings could not be written.
func (d *Daemon) Run(ctx context.Context) error {
	st, err := store.Open(d.cfg.Store.Path, store.Options{Limit: d.cfg.Store.Limit, Floor: d.cfg.Store.Floor, Told: d.told})
	if err != nil {
		return fmt.Errorf("open the store: %w", err)
	}
	d.forgetStatus() // of one that was killed
	d.clock = timebase.Start(d.o.Clock)
	d.table = channel.New(d.clock)
	d.examiner = newExaminer(d)
	d.recorder = session.NewRecorder(st, d.table.Channels, &d.health, session.RecorderOptions{
		Flush: d.cfg.Store.Flush, Tick: d.cfg.Store.Tick, Polled: d.asking.drive, Told: func(s health.State, why string) { d.setState(session.Part, s, why) }})
	d.mu.Lock()
	d.engine = session.NewEngine(0, session.EngineOptions{StopAfter: d.cfg.Session.StopAfter, Bridge: d.cfg.Session.Bridge,
		Always: d.cfg.Session.Begin == config.Always})
	d.anchor = d.clock.Anchor()
	d.mu.Unlock()
	d.learnDates(st)
	stopServing := d.serve(ctx, st)
	for _, a := range d.cfg.Analog {
		d.inputs = append(d.inputs, newInput(a, d.cfg.Analog))
	}
	d.carryCalibrations()
	stopNetwork := d.serveNetwork(ctx, st)
	d.setState(session.Part, health.Working, "")
	d.o.Ready()

	// Sources first, then the recorder, then the store: what was read before the end is written before the end.
	recording, stopRecording := context.WithCancel(context.WithoutCancel(ctx))
	defer stopRecording()
	var recorder, sources sync.WaitGroup
	var recordErr error
	recorder.Go(func() { recordErr = d.recorder.Run(recording, d.clock.Now) })
	if d.cfg.Adapter.Address != "" {
		sources.Go(func() { newKeeper(d).run(ctx) })
	}
	for _, in := range d.inputs {
		sources.Go(func() { d.runAnalog(ctx, in) })
	}
	sources.Go(func() { d.watch(ctx) })
	sources.Go(func() { d.examiner.run(ctx) })

	sources.Wait()
	stopServing()
	stopNetwork()
	d.mu.Lock()
	d.endDriveLocked(d.clock.Now())
	d.mu.Unlock()
	stopRecording()
	recorder.Wait()
	err = errors.Join(recordErr, st.Close())
	d.forgetStatus()
	return err
}

// watch looks at the engine and at the clocks when no reading makes anybody else do it.
func (d *Daemon) watch(ctx context.Context) {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			d.watchClock()
			d.mu.Lock()
			d.decideLocked(d.clock.Now())
			d.mu.Unlock()
			d.countWear(d.clock.Now())
			d.keepStatus()
		}
	}
}

// decideLocked begins or ends a drive when the engine says so.
func (d *Daemon) decideLocked(now time.Duration) {
	switch d.engine.Decide(now) {
	case session.Begin:
		d.readAppliedLocked()
		d.asking.begin()
		d.recorder.Begin(now, d.describeLocked())
		if d.cfg.Adapter.Address != "" { // else there is nobody to be asked, and nothing is missing
			d.examiner.begin()
		}
		for name, w := range d.witnesses {
			w.found = -1 // what was seen before the drive began is to be kept with it
			w.began = d.inForceLocked(name)
		}
		d.o.Log.Info("a drive begins")
	case session.Pause:
		d.recorder.Pause(now)
		d.o.Log.Info("the engine stopped; the drive goes on if it runs again soon")
	case session.Resume:
		d.recorder.Resume(now)
		d.examiner.stands(false) // a silent car does not say so
		d.o.Log.Info("the drive goes on")
	case session.End:
		d.endDriveLocked(now)
		d.examiner.end(now)
		d.recorder.End(now, "the engine stopped")
		d.o.Log.Info("the drive is over")
	default:
		d.examiner.stands(d.engine.Standing())
	}
}

func (d *Daemon) describeLocked() store.Meta {
	m := store.Meta{
		BootID: d.clock.BootID(), SinceBoot: d.clock.SinceBoot(0), Software: d.o.Software, Vehicle: d.cfg.Vehicle.Name, Adapter: d.link.adapter, Static: d.link.static,
		Anchors: []store.Anchor{storeAnchor(d.clock.Anchor())},
	}
	if fuel, err := d.cfg.Fuel.Mixture(); err == nil {
		m.Fuel = store.Fuel{Name: fuel.Name, AFRst: fuel.AFRst, Source: "configured", Flex: d.cfg.Fuel.Flex}
	}
	m.Calibrations, m.Delays = d.calibrationsLocked(), d.delaysLocked()
	return m
}

// Wait sleeps for the given time, doubled with every failure, or until ctx ends.
func (d *Daemon) wait(ctx context.Context, failures int) {
	rest(ctx, min(d.o.Retry<<min(failures, 10), d.o.MostWait))
}
