package daemon

import (
	"math"
	"math/rand/v2"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/rig"
)

// watched is a drive of the virtual car, read as the daemon reads it but without the adapter's dialogue and the files: the
// converter a hundred times a second, the engine's computer at the rates that a fast adapter reaches, each value rounded as the
// standard writes it and with an instant that is off by some milliseconds. It goes through the same tracker and the same
// observer.
type watched struct {
	truth    *rig.Truth
	levels   mixture.Levels
	input    mixture.Input
	tracker  *mixture.Tracker
	observer *mixture.Observer

	each func(at time.Duration, volts float64, s mixture.State) // may be nil
	told func(at time.Duration, q mixture.Quantity, v float64)  // may be nil
}

// virtualLevels are what a configuration says of the virtual car's controller.
func virtualLevels() mixture.Levels {
	return mixture.Levels{Law: mixture.Law{Low: mixture.Point{Volts: 0.5, Lambda: 0.65}, High: mixture.Point{Volts: 4.5, Lambda: 1.35}}, WarmupVolts: 5, HasWarmup: true}
}

func virtualInput(bits int) mixture.Input {
	if bits == 12 {
		return mixture.Input{ScaleMillivolts: 3300.0 / 4096, Divider: 1.5}
	}
	return mixture.Input{ScaleMillivolts: 0.125, Divider: 1.5}
}

func watchDrive(o rig.Options) *watched {
	w := &watched{truth: rig.New(o).Truth(), levels: virtualLevels(), input: virtualInput(o.Bits)}
	w.tracker, w.observer = mixture.NewTracker(w.levels), mixture.NewObserver(w.levels)
	return w
}

// asked is one quantity and how often it is asked for.
type asked struct {
	q     mixture.Quantity
	every time.Duration
	value func(s rig.State) float64
}

// steps rounds to a multiple.
func steps(v, step float64) float64 { return math.Round(v/step) * step }

var askedFor = []asked{
	{mixture.EngineSpeed, 47 * time.Millisecond, func(s rig.State) float64 { return steps(s.RPM, 0.25) }},
	{mixture.ManifoldPressure, 47 * time.Millisecond, func(s rig.State) float64 { return steps(s.MAP, 1) }},
	{mixture.AirFlow, 47 * time.Millisecond, func(s rig.State) float64 { return steps(s.MAF, 0.01) }},
	{mixture.Throttle, 47 * time.Millisecond, func(s rig.State) float64 { return steps(s.Throttle, 100.0/255) }},
	{mixture.ShortTrim, 47 * time.Millisecond, func(s rig.State) float64 { return steps(s.STFT, 100.0/128) }},
	{mixture.OwnLambda, 47 * time.Millisecond, func(s rig.State) float64 { return min(65535.0/32768, steps(s.LambdaECU, 1.0/32768)) }},
	{mixture.FuelStatus, 500 * time.Millisecond, func(s rig.State) float64 { return float64(s.FuelStatus) }},
	{mixture.VehicleSpeed, 500 * time.Millisecond, func(s rig.State) float64 { return steps(s.Speed, 1) }},
	{mixture.EngineLoad, 500 * time.Millisecond, func(s rig.State) float64 { return steps(s.Load, 100.0/255) }},
	{mixture.CommandedLambda, 500 * time.Millisecond, func(s rig.State) float64 { return min(65535.0/32768, steps(s.CommandedLambda, 1.0/32768)) }},
	{mixture.Coolant, time.Second, func(s rig.State) float64 { return steps(s.Coolant, 1) }},
	{mixture.IntakeAir, time.Second, func(s rig.State) float64 { return steps(s.IntakeAir, 1) }},
	{mixture.LongTrim, time.Second, func(s rig.State) float64 { return steps(s.LTFT, 100.0/128) }},
	{mixture.RunTime, 5 * time.Second, func(s rig.State) float64 { return math.Floor(s.RunTime) }},
}

// drive reads the whole drive.
func (w *watched) drive(seed uint64) {
	r := rand.New(rand.NewPCG(seed, 0xA5C))
	next := make([]time.Duration, len(askedFor))
	for i := range next {
		next[i] = time.Duration(r.Float64() * float64(askedFor[i].every))
	}
	heating := false
	const reading = 10 * time.Millisecond
	for at := time.Duration(0); at < w.truth.Length(); at += reading {
		for i, p := range askedFor {
			if at < next[i] {
				continue
			}
			next[i] += p.every
			s := w.truth.At(at)
			if !s.Ignition {
				continue
			}
			stated := at + time.Duration((r.Float64()-0.5)*float64(10*time.Millisecond))
			w.observer.Engine(stated, p.q, p.value(s))
			if w.told != nil {
				w.told(stated, p.q, p.value(s))
			}
		}
		if burning, known := w.observer.Burning(); known {
			w.tracker.Engine(at, burning)
		}
		volts := w.input.Volts(w.truth.Code(at))
		state := w.tracker.Feed(at, volts)
		if warm := state == mixture.Warming; heating && !warm {
			if known, seen, sigma, n, ok := w.tracker.Level(); ok {
				w.observer.Warmup(at, known, seen, sigma, n)
			}
		}
		heating = state == mixture.Warming
		w.observer.Reading(at, volts, state)
		if w.each != nil {
			w.each(at, volts, state)
		}
	}
	w.observer.Finish()
}
