package rig

import (
	"math"
	"math/rand/v2"
	"time"

	"underdash/analog/analogtest"
)

const (
	divider        = 1.5   // volts at the plug per volt at the converter
	conversionRate = 475.0 // a second

	supplyVolts   = 12.6  // V, of the car's battery
	openNoise     = 0.001 // V, of a pin that is pulled to ground
	floatingNoise = 0.35  // V, of a pin that nothing pulls anywhere: it picks up the ignition
)

// converter is the converter behind the divider: 16 bits over ±4.096 V, or 12 bits from 0 to 3.3 V.
func converter(bits int) analogtest.ADC {
	if bits == 12 {
		return analogtest.ADC{ScaleMillivolts: 3300.0 / 4096, Bits: 12, Unsigned: true, Divider: divider}
	}
	return analogtest.ADC{ScaleMillivolts: 0.125, Divider: divider}
}

// scanType is the converter's type as a driver tells it.
func scanType(bits int) string {
	if bits == 12 {
		return "le:u12/16>>0"
	}
	return "le:s16/16>>0"
}

// plugVolts is the voltage at the logger's plug: what the line leaves of the controller's, its ground's offset, and
// noise that belongs to the conversion of this number.
func (d *drive) plugVolts(t time.Duration, conversion uint64) float64 {
	noise := func(sigma float64) float64 {
		if sigma == 0 {
			return 0
		}
		return sigma * rand.New(rand.NewPCG(d.o.Seed, conversion)).NormFloat64()
	}
	switch d.o.Plug {
	case Open:
		return noise(openNoise)
	case AtSupply:
		return supplyVolts
	case Floating:
		return 1.6 + 0.8*math.Sin(t.Seconds()/9) + noise(floatingNoise)
	}
	v := (1-d.o.LineLoss)*d.at(t).ControllerVolts + d.o.GroundOffset
	if heats := t < d.warm && t < d.ignitionOff; heats && !d.o.Held || d.o.Held && d.o.HeldVolts == warmupVolts {
		v += d.o.HeaterOffset
	}
	return v + noise(d.o.NoiseVolts)
}

// code is what the converter puts into its file at a time of the drive: the conversion that ends then, which stands
// for the middle of its span.
func (d *drive) code(t time.Duration) int32 {
	if d.o.Plug == Frozen {
		t = d.warm + d.warm/2 // a reading among others
	}
	conversion := math.Floor(max(0, t.Seconds()) * conversionRate)
	return converter(d.o.Bits).Code(d.plugVolts(t-seconds(0.5/conversionRate), uint64(conversion)))
}
