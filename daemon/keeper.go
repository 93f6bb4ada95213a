package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"underdash/daemon/config"
	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/poll"
	"underdash/obd/port"
)

// keeper keeps the link to the car: it opens the adapter, sets it up, has it polled, and when something fails does what
// the table of faults says. While the car is parked it asks nothing and watches the adapter's voltage instead.
//
//	        open, set up            ask and poll              silent, or standing
//	closed ─────────────▶ ready ─────────────────▶ polling ─────────────────────▶ parked
//	  ▲                     ▲  ▲                      │ fault                       │
//	  └── open again ───────┴──┴── set up, ask again ─┘            voltage, hint ───┴──▶ ready
type keeper struct {
	d *Daemon
	o Parking

	conn   *elm.Conn // nil while closed
	opened time.Time
	wait   time.Duration // the stream's own patience with a first answer
	closed chan struct{} // closed by hangUp
	guard  sync.WaitGroup
	ready  bool  // the adapter is set up
	wakes  bool  // it has no low-power mode
	rested error // why the car was parked last
	warned bool  // that nothing tells when the parked car is used again

	memory memory
	rates  []int // baud rates to try, the likeliest first
	rate   int   // index into rates
	met    bool  // an adapter was set up since the daemon started

	row      *fault        // the fault met last
	failures int           // how often in a row
	down     bool          // a fault took the link, and it was not set up again yet
	fell     time.Duration // when it did

	delivered atomic.Bool // a reading came since the last fault

	mu   sync.Mutex // guards park
	park *park
}

func newKeeper(d *Daemon) *keeper {
	o := d.o.Parking
	if o.SleepAfter == 0 {
		o.SleepAfter = d.cfg.Adapter.SleepAfter
		if o.SleepAfter == 0 {
			o.SleepAfter = -1
		}
	}
	o = o.withDefaults(d.cfg.Session.StopAfter)
	k := &keeper{d: d, o: o, park: newPark(d.clock.Now(), o)}
	k.memory = recall(d.cfg.Store.Path)
	k.rates = ratesFor(d.cfg.Adapter, k.memory)
	return k
}

// ratesFor lists the baud rates that an adapter may have: the one it had the last time, the configured one, the one that
// it was raised to before the daemon was cut off, and for serial lines the usual ones (common practice; clones were seen
// at each).
func ratesFor(a config.Adapter, m memory) []int {
	if strings.Contains(a.Address, "://") {
		return []int{a.Baud}
	}
	var rates []int
	if m.Address == a.Address {
		rates = append(rates, m.Baud)
	}
	rates = append(rates, a.Baud, a.RaiseBaud, 38400, 115200, 9600, 500000, 230400, 57600, 19200)
	seen := map[int]bool{0: true} // 0 is none
	return slices.DeleteFunc(rates, func(r int) bool {
		again := seen[r]
		seen[r] = true
		return again
	})
}

// run keeps the link for as long as ctx lasts.
func (k *keeper) run(ctx context.Context) {
	defer k.hangUp()
	for {
		err := k.once(ctx)
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			k.meet(ctx, err)
		}
	}
}

// once does the next thing until it fails. It returns nil when the car was parked or woke, or when its engine's computer
// answers at last.
func (k *keeper) once(ctx context.Context) error {
	if k.conn == nil {
		if err := k.open(ctx); err != nil {
			return err
		}
	}
	if !k.ready {
		if err := k.setUp(ctx); err != nil {
			return err
		}
	}
	if k.isParked() {
		return k.watchParked(ctx)
	}
	return k.talk(ctx)
}

// open opens the stream. Whatever waits on it later, a write that is not taken included, ends when ctx does.
func (k *keeper) open(ctx context.Context) error {
	c := k.d.cfg.Adapter
	stream, err := k.d.o.Dial(ctx, c.Address, k.rates[k.rate])
	if err != nil {
		return err
	}
	o := k.d.o.Dialogue
	o.Protocol, o.RaiseBaud = k.memory.Protocol, c.RaiseBaud
	if s, ok := stream.(interface{ Pace() time.Duration }); ok {
		o.Pace = s.Pace()
	}
	k.wait = 0
	if s, ok := stream.(interface{ Patience() time.Duration }); ok {
		k.wait = s.Patience()
	}
	k.conn, k.opened, k.ready, k.wakes = elm.New(stream, o), time.Now(), false, false
	k.closed = make(chan struct{})
	k.guard.Go(func() { closeAtEnd(ctx, stream, k.closed) })
	if k.row == judge(port.ErrNotFound) || k.row == judge(port.ErrGone) {
		// Somebody plugged it in, or the socket has power again: in some cars only with the ignition.
		k.with(func(p *park, _ time.Duration) { p.hint() })
	}
	return nil
}

func closeAtEnd(ctx context.Context, stream io.Closer, closed <-chan struct{}) {
	select {
	case <-ctx.Done():
		_ = stream.Close() // and again by its owner, who gets the error
	case <-closed:
	}
}

// hangUp closes the stream, if one is open.
func (k *keeper) hangUp() {
	if k.conn == nil {
		return
	}
	close(k.closed)
	_ = k.conn.Close() // what a stream that is given up says at its end changes nothing
	k.guard.Wait()
	k.conn, k.ready = nil, false
}

// setUp finds the adapter and chooses its settings. What it was doing with the car is over then.
func (k *keeper) setUp(ctx context.Context) error {
	info, err := k.conn.Open(ctx)
	if err != nil {
		return fmt.Errorf("the adapter at %s: %w", k.d.cfg.Adapter.Address, err)
	}
	k.ready, k.met = true, true
	if k.rate != 0 {
		k.d.o.Log.Info("the adapter has another baud rate than expected", "baud", k.rates[k.rate], "expected", k.rates[0])
		k.rates[0], k.rates[k.rate] = k.rates[k.rate], k.rates[0]
		k.rate = 0
	}
	k.measured(info.Volts, info.Volts != 0)
	if k.down {
		k.down = false
		k.with(func(p *park, now time.Duration) { p.back(now, now-k.fell) })
	}
	return nil
}

// meet does what the table says about a fault, and waits before the next try.
func (k *keeper) meet(ctx context.Context, err error) {
	f := judge(err)
	if k.delivered.Swap(false) || f != k.row {
		k.row, k.failures = f, 0
	}
	k.failures++
	if f.does == askAgain && errors.Is(err, obd.ErrNoAnswer) {
		err = whySilent(err)
	}
	k.d.health.Count(OBDPart, f.name, 1)
	k.d.lost(OBDPart, err)
	k.d.examiner.failed(err)
	r := f.remedy(k.failures)
	if r == openAgain && k.conn != nil && time.Since(k.opened) < k.wait && errors.Is(err, elm.ErrNotAdapter) {
		r = setUp // the radio may still be connecting
	}
	if r >= setUp {
		k.ready = false
		if !k.down && !speaks(err) {
			k.down, k.fell = true, k.d.clock.Now()
		}
	}
	if r == openAgain {
		k.hangUp()
		k.nextRate(f, err)
	}
	rest(ctx, f.pause(k.failures, k.d.o.Retry, k.d.o.MostWait))
}

// errSilent says that a car gives no answer, and nothing explains why.
var errSilent = errors.New("the adapter works and the car does not answer: is the ignition on?")

// whySilent is what is told of a car that gave no answer. It is the same each time, whatever the adapter said.
func whySilent(err error) error {
	if errors.Is(err, elm.ErrFixedProtocol) {
		return elm.ErrFixedProtocol
	}
	return errSilent
}

// nextRate chooses the rate of the next opening. Noise that no adapter utters may be the wrong rate; but the likeliest
// rate is tried every second time, since a hang sounds like it too. So may be silence, of an adapter whose echo is off. It
// mostly is something else, so that another rate is tried every fourth time only, and not once an adapter was met at its rate.
func (k *keeper) nextRate(f *fault, err error) {
	every := 2
	if heard, ok := errors.AsType[*elm.Error](err); !ok || heard.Heard == "" {
		every = 4
	}
	if !f.rate || k.rate != 0 || len(k.rates) < 2 || every == 4 && (k.met || k.failures%every != 0) {
		k.rate = 0
		return
	}
	k.rate = 1 + (k.failures/every)%(len(k.rates)-1)
}

// talk asks the car what it supports and polls it, until the link fails or the car is parked.
func (k *keeper) talk(ctx context.Context) error {
	polling, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var watching sync.WaitGroup
	watching.Go(func() { k.watchStanding(polling, cancel) })
	err := k.d.pollOnce(polling, k)
	cancel(nil)
	watching.Wait()
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case k.isParked():
		k.retire(k.whyParked())
		return nil
	case errors.Is(err, poll.ErrEngineAnswers):
		k.d.o.Log.Info("asking the car again", "why", err)
		return nil
	}
	return k.mayRest(ctx, err)
}

// mayRest parks the car where the polling failed with err, if it is time for that. Whatever an adapter says instead of a
// reading, asking on would keep the car's computers awake. It returns nil if the car was parked, else the fault to be met.
func (k *keeper) mayRest(ctx context.Context, err error) error {
	why := errParked
	switch {
	case errors.Is(err, obd.ErrNoAnswer):
		k.with(func(p *park, _ time.Duration) { p.quiet() })
	case errors.Is(err, poll.ErrNothingToAsk):
		k.with(func(p *park, _ time.Duration) { p.standing() })
		why = fmt.Errorf("%w (%v)", errUseless, err)
	case speaks(err):
		k.with(func(p *park, _ time.Duration) { p.muddled() })
		why = fmt.Errorf("%w (%v)", errUseless, err)
	default:
		return err
	}
	if volts := k.readVolts(ctx); volts != nil && !errors.Is(volts, elm.ErrNotOpen) { // then that of the setting up counts
		return volts
	}
	if k.decide() {
		k.retire(why)
		return nil
	}
	return err
}

// took takes in a reading that the poller got.
func (k *keeper) took(r poll.Reading) {
	k.delivered.Store(true)
	for _, p := range []obd.PID{engineSpeed, roadSpeed} {
		if v, ok := single(r, p); ok {
			k.moving(v > 0)
		}
	}
}

// rest waits, or until ctx ends.
func rest(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
