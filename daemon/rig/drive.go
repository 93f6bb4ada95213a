package rig

import (
	"math"
	"math/rand/v2"
	"time"
)

// The wideband controller.
const (
	lowVolts, lowLambda   = 0.5, 0.65
	highVolts, highLambda = 4.5, 1.35
	warmupVolts           = 5.0 // while the controller heats its element
)

// WarmupVolts is what the virtual controller puts out while it heats its sensor.
const WarmupVolts = warmupVolts

// drive is a simulated drive.
type drive struct {
	o           Options
	phases      []Phase
	rows        []State
	interval    time.Duration // between rows
	warm        time.Duration // from here on the controller's output is a reading
	ignitionOff time.Duration
}

// simulate runs the engine model over the whole route.
func simulate(o Options) drive {
	legs := route(o.Length)
	d := drive{o: o, phases: phases(legs), interval: interval(o.Length)}
	last := d.phases[len(d.phases)-1]
	d.ignitionOff = last.From
	warming := legs[2].length
	d.warm = seconds(legs[0].length + legs[1].length + 0.75*warming)

	m := newModel(o, 1.1*warming)
	every := int(d.interval / step)
	d.rows = make([]State, 0, int(o.Length/d.interval)+2)
	d.rows = append(d.rows, m.advance(legs[0].mode, 0))
	d.control(0)
	end, from, i := legs[0].length, 0.0, 0
	for n := 1; time.Duration(n)*step <= o.Length+d.interval; n++ {
		t := (time.Duration(n) * step).Seconds()
		for t >= end && i+1 < len(legs) {
			i++
			from, end = end, end+legs[i].length
		}
		s := m.advance(legs[i].mode, min(1, (t-from)/legs[i].length))
		if n%every == 0 {
			d.rows = append(d.rows, s)
			d.control(len(d.rows) - 1)
		}
	}
	return d
}

// interval keeps the rows of a long drive in bounds.
func interval(length time.Duration) time.Duration {
	switch {
	case length <= 10*time.Minute:
		return step
	case length <= 2*time.Hour:
		return 4 * step
	}
	return 10 * step
}

// control adds the controller's output to a row.
func (d *drive) control(i int) {
	s := &d.rows[i]
	s.ControllerVolts = d.controller(time.Duration(i)*d.interval, s.Ignition, s.LambdaSensor)
}

// controller is the output law: linear between two points and clipped at both, a fixed level while the element
// heats, nothing without the ignition. The output keeps to it as well as OutputError says.
func (d *drive) controller(t time.Duration, ignition bool, lambda float64) float64 {
	if d.o.Held {
		return d.o.HeldVolts + d.outputError(d.o.HeldVolts)
	}
	if !ignition {
		return 0
	}
	v := warmupVolts
	if t >= d.warm {
		if e := d.o.ElementError; e != 0 {
			lambda = 1 + (lambda-1)*(1+e)
		}
		v = lowVolts + (lambda-lowLambda)*(highVolts-lowVolts)/(highLambda-lowLambda)
		v = min(highVolts, max(lowVolts, v))
	}
	return v + d.outputError(v)
}

// outputError is how far the controller's output is off at a level: up to OutputError, all equally likely, the same whenever it is at
// that level, and another a quarter of a volt away. Cars whose seeds agree in their lower 32 bits have the same controller.
func (d *drive) outputError(volts float64) float64 {
	if d.o.OutputError == 0 {
		return 0
	}
	knot := func(n float64) float64 {
		return rand.New(rand.NewPCG(uint64(uint32(d.o.Seed))^0xDAC, uint64(int64(n)))).NormFloat64()
	}
	n := math.Floor(volts * 4)
	f := volts*4 - n
	// Between two draws the scatter would be less than at either, so it is brought back to one; the normal
	// distribution's own function then makes all errors equally likely.
	z := ((1-f)*knot(n) + f*knot(n+1)) / math.Hypot(1-f, f)
	return d.o.OutputError * math.Erf(z/math.Sqrt2)
}

// folded is the time since the present drive began, where the drive is driven again and again.
func (d *drive) folded(t time.Duration) time.Duration {
	if d.o.Again > 0 && t > 0 {
		return t % d.o.Again
	}
	return t
}

// at is the car at a time of the drive: what moves fast is interpolated, everything else is the row before. Before
// the drive it is the first row, after it the last.
func (d *drive) at(t time.Duration) State {
	t = d.folded(t)
	i := int(t / d.interval)
	if t <= 0 {
		return d.rows[0]
	}
	if i >= len(d.rows)-1 {
		return d.rows[len(d.rows)-1]
	}
	s, next := d.rows[i], d.rows[i+1]
	f := float64(t-time.Duration(i)*d.interval) / float64(d.interval)
	for _, v := range [...]struct {
		to   *float64
		next float64
	}{
		{&s.RPM, next.RPM}, {&s.MAP, next.MAP}, {&s.MAF, next.MAF}, {&s.LambdaSensor, next.LambdaSensor},
		{&s.LambdaECU, next.LambdaECU},
	} {
		*v.to += f * (v.next - *v.to)
	}
	s.ControllerVolts = d.controller(t, s.Ignition, s.LambdaSensor)
	return s
}
