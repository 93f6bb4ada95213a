package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"underdash/daemon/config"
	"underdash/obd/elm"
)

// What is told of a parked car. None is a fault of its own.
var (
	errParked = errors.New("the car does not answer any more, so it is taken as parked: it is asked nothing " +
		"until the adapter's voltage or another source says that the ignition is on again")
	errStanding = errors.New("the engine stands, so the car is taken as parked: it is asked nothing " +
		"until the adapter's voltage or another source says that the engine runs again")
	errUseless = errors.New("nothing of use comes from the car, so it is taken as parked: it is asked nothing " +
		"until the adapter's voltage or another source says that the ignition is on again")
	errUntold = errors.New("but the adapter's voltage does not tell whether the engine runs, and no wideband input does, so the car is asked " +
		"from time to time, after a minute at first and every half an hour in the end: so much of a drive may be missing")
)

// mixtureSays is how old a mixture reading may be to say that the engine runs.
const mixtureSays = 2 * time.Second

// with runs f with the parking logic locked. A mixture that is read says that the engine runs even if the car is silent,
// unless the voltage says that nothing charges the battery: a controller may say anything for ever.
func (k *keeper) with(f func(p *park, now time.Duration)) {
	mixture, seen := k.d.newestMixture()
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.d.clock.Now()
	if p := k.park; !p.parked && seen && now-mixture < mixtureSays && !(p.tells() && p.volts < chargingVolts) {
		silent := k.park.silent
		k.park.turning(now)
		k.park.silent = silent
	}
	f(k.park, now)
}

func (k *keeper) isParked() (parked bool) {
	k.with(func(p *park, _ time.Duration) { parked = p.parked })
	return parked
}

func (k *keeper) decide() (changed bool) {
	k.with(func(p *park, now time.Duration) { changed = p.decide(now) })
	return changed
}

// measured takes in the adapter's voltage. Where the car is silent it tells about the engine, too.
func (k *keeper) measured(volts float64, ok bool) {
	k.with(func(p *park, now time.Duration) {
		p.measure(now, volts, ok)
		volts, ok = p.volts, p.known
	})
	if !ok {
		return
	}
	k.d.mu.Lock()
	defer k.d.mu.Unlock()
	now := k.d.clock.Now()
	k.d.engine.Volts(now, volts)
	k.d.decideLocked(now)
}

// moving takes in whether the engine or the wheels turn, as the car says.
func (k *keeper) moving(turns bool) {
	k.with(func(p *park, now time.Duration) {
		if turns {
			p.turning(now)
		} else {
			p.standing()
		}
	})
}

// readVolts asks the adapter for its voltage, which does not touch the car's bus. An adapter that cannot tell is no
// error.
func (k *keeper) readVolts(ctx context.Context) error {
	volts, err := k.conn.Volts(ctx)
	if err != nil && !is(elm.ErrRejected, elm.ErrGarbled)(err) {
		return err
	}
	k.measured(volts, err == nil)
	return nil
}

// watchStanding looks at the voltage while the car is polled and nothing turns, and ends the polling when the car is
// parked: a car that answers because it is asked never sleeps.
func (k *keeper) watchStanding(ctx context.Context, parked context.CancelCauseFunc) {
	tick := time.NewTicker(k.o.Look)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		wanted := false
		k.with(func(p *park, now time.Duration) { wanted = p.wantsVolts(now) })
		if !wanted {
			continue
		}
		if k.readVolts(ctx) != nil {
			continue // whoever polls meets the same fault
		}
		if k.decide() {
			parked(k.whyParked())
			return
		}
	}
}

// whyParked is what is told of a car that was parked while it was polled.
func (k *keeper) whyParked() (why error) {
	k.with(func(p *park, _ time.Duration) {
		if why = errStanding; p.silent {
			why = errParked
		}
	})
	return why
}

// retire notes that the car is parked. Setting the adapter up anew ends its session with the car: on older buses it
// would keep the car awake by itself.
func (k *keeper) retire(why error) {
	k.rested, k.ready = why, false
	select {
	case <-k.d.hints: // of the time before
	default:
	}
}

// watchParked reads the adapter's voltage until something speaks for asking the car again, and puts the adapter to low
// power when that takes long. It returns nil then, or the adapter's fault.
func (k *keeper) watchParked(ctx context.Context) error {
	k.d.rests(OBDPart, k.whyResting())
	for {
		if err := k.readVolts(ctx); err != nil {
			return err
		}
		if k.decide() {
			k.with(func(p *park, _ time.Duration) {
				k.d.o.Log.Info("asking the car again", "why", p.cause.String(), "volts", p.volts)
			})
			return nil
		}
		pause, asleep := k.o.Look, false
		if k.sleepy() {
			err := k.conn.Sleep(ctx)
			switch {
			case errors.Is(err, elm.ErrRejected):
				k.wakes = true
				k.d.o.Log.Info("the adapter has no low-power mode")
			case err != nil:
				return err
			default:
				pause, asleep = k.o.WakeEvery, true
			}
		}
		if k.waitForHint(ctx, pause); ctx.Err() != nil {
			return ctx.Err()
		}
		if asleep {
			if err := k.setUp(ctx); err != nil {
				k.ready = false
				return err
			}
		}
	}
}

// whyResting is what is told of the parked car. That nothing tells when it is used again is worth a warning, once.
func (k *keeper) whyResting() error {
	tells := slices.ContainsFunc(k.d.cfg.Analog, func(a config.Analog) bool { return a.Kind == config.Wideband })
	k.with(func(p *park, _ time.Duration) { tells = tells || p.tells() })
	if tells {
		return k.rested
	}
	if !k.warned {
		k.warned = true
		k.d.o.Log.Warn("the beginning of a drive may be missing", "part", OBDPart, "why", errUntold)
	}
	return fmt.Errorf("%w; %w", k.rested, errUntold)
}

// sleepy tells whether the car has been parked for so long that the adapter should sleep.
func (k *keeper) sleepy() (yes bool) {
	if k.o.SleepAfter < 0 || k.wakes {
		return false
	}
	k.with(func(p *park, now time.Duration) { yes = p.parked && now-p.since >= k.o.SleepAfter })
	return yes
}

// waitForHint waits until another source comes to life, or for so long.
func (k *keeper) waitForHint(ctx context.Context, most time.Duration) {
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	case <-k.d.hints:
		k.with(func(p *park, _ time.Duration) { p.hint() })
	}
}
