package rig

import (
	"math"
	"math/rand/v2"
	"time"

	"underdash/analog/analogtest"
)

// The wideband controller and the converter behind it.
const (
	lowVolts, lowLambda   = 0.5, 0.65
	highVolts, highLambda = 4.5, 1.35
	warmupVolts           = 5.0 // while the controller heats its element

	divider         = 1.5   // volts at the plug per volt at the converter
	scaleMillivolts = 0.125 // a code: 16 bit over ±4.096 V
	conversionRate  = 475.0 // a second
)

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

	m := newModel(o.Seed, 1.1*warming)
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
// heats, nothing without the ignition.
func (d *drive) controller(t time.Duration, ignition bool, lambda float64) float64 {
	switch {
	case !ignition:
		return 0
	case t < d.warm:
		return warmupVolts
	}
	v := lowVolts + (lambda-lowLambda)*(highVolts-lowVolts)/(highLambda-lowLambda)
	return min(highVolts, max(lowVolts, v))
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

// plugVolts is the voltage at the logger's plug: what the line leaves of the controller's, its ground's offset, and
// noise that belongs to the conversion of this number.
func (d *drive) plugVolts(t time.Duration, conversion uint64) float64 {
	v := (1-d.o.LineLoss)*d.at(t).ControllerVolts + d.o.GroundOffset
	if d.o.NoiseVolts > 0 {
		v += d.o.NoiseVolts * rand.New(rand.NewPCG(d.o.Seed, conversion)).NormFloat64()
	}
	return v
}

// code is what the converter puts into its file at a time of the drive: the conversion that ends then, which stands
// for the middle of its span.
func (d *drive) code(t time.Duration) int32 {
	conversion := math.Floor(max(0, t.Seconds()) * conversionRate)
	adc := analogtest.ADC{ScaleMillivolts: scaleMillivolts, Divider: divider}
	return adc.Code(d.plugVolts(t-seconds(0.5/conversionRate), uint64(conversion)))
}
