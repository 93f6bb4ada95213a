package mixture

import "math"

// Kind says how a level came to be known. Levels of one kind share that kind's tolerance: a hundred fuel cuts know the
// top of a controller's output no better than the controller keeps it.
type Kind string

// The kinds of known levels.
const (
	WarmupKind     Kind = "warm-up level" // what the controller puts out while it heats its sensor
	FuelCutKind    Kind = "fuel cut"      // the clipped top of the output
	CruiseKind     Kind = "cruise"        // λ as the engine computer held it, on the road
	IdleKind       Kind = "idle"          // the same while idling: a leak in the exhaust biases it
	OwnSensorKind  Kind = "own sensor"    // the car's own wide-range sensor, away from λ = 1
	SetKind        Kind = "set level"     // set in the controller's own software
	BenchKind      Kind = "bench supply"  // a supply in the controller's place, measured with a meter
	GroundKind     Kind = "grounded"      // the plug connected to the controller's signal ground: 0 V
	ConfiguredKind Kind = "configured"    // written into the configuration by hand
)

// Level is one voltage at the controller's output that is known, and how the plug showed it. All numbers are volts; the
// uncertainties are standard ones (one standard deviation).
type Level struct {
	Kind  Kind
	Known float64 // at the controller's output
	Seen  float64 // at the plug: a mean

	Random     float64 // of Seen, by noise and by the number of readings behind it
	Tolerance  float64 // of Known, shared by all levels of the kind
	ClosedLoop float64 // of Known, shared by all levels that rest on what the engine computer holds λ at
}

// usable tells whether the level has numbers to work with.
func (l Level) usable() bool {
	for _, v := range []float64{l.Known, l.Seen, l.Random, l.Tolerance, l.ClosedLoop} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return l.Random >= 0 && l.Tolerance >= 0 && l.ClosedLoop >= 0
}

// together is the covariance of the errors of two levels, in volts squared at the plug, for a chain of the given gain.
// same tells that both are one and the same.
func together(a, b Level, gain float64, same bool) float64 {
	v := a.ClosedLoop * b.ClosedLoop
	if same || a.Kind == b.Kind && shares(a.Kind) {
		v += a.Tolerance * b.Tolerance
	}
	v *= gain * gain
	if same {
		v += a.Random*a.Random + leastRandom*leastRandom
	}
	return v
}

// shares tells whether the tolerance of a kind is one error for all its levels. Levels that a person sets are each set anew.
func shares(k Kind) bool {
	switch k {
	case SetKind, BenchKind, ConfiguredKind:
		return false
	}
	return true
}

// leastRandom is how well a mean can be known at the best, in volts: no converter is without an error of its own, and
// two means that agree by chance are not the same number (common practice, no source).
const leastRandom = 0.0005

// Standard uncertainties that levels are given where nothing better is known.
const (
	// OutputTolerance is that of a controller's analog output, in volts: within ±10 mV, all equally likely (common
	// practice, no source).
	OutputTolerance = 0.0058
	// BenchTolerance is that of a level measured with a hand-held meter, in volts (common practice, no source).
	BenchTolerance = 0.003
	// ClosedLoopTolerance is that of the λ which an engine computer holds on average, ±0.005 at 95 %. One car's commanded
	// mean was 0.9967 before and 1.0021 after a repair (a published analysis of one car's logs).
	ClosedLoopTolerance = 0.0025
	// IdleTolerance comes on top while idling, in λ: air drawn in through a leak between the exhaust's pulses, and misfire.
	IdleTolerance = 0.003
	// OwnSensorTolerance is that of the car's own sensor as part of its distance from λ = 1: a planar element is good for
	// ±0.01 at λ 0.8 when new and ±0.04 after 2000 h (from memory of its technical information); ±0.02 stands between.
	OwnSensorTolerance = 0.05
	// HeaterTolerance is what the heater's current does to the ground while it warms the sensor, in volts: several amperes
	// through a shared return, and less than half of it once hot (derived: 1.5 A through 2 m of 0.5 mm² are 0.1 V).
	HeaterTolerance = 0.040
	// Repeatability is what a level that a drive shows by itself differs by from drive to drive, in volts: the ground moves with
	// fans, lights and the alternator (common practice, no source).
	Repeatability = 0.005

	warmupTolerance = 0.0404 // both of a warm-up level's: the output's and the heater's
	// OffsetTolerance is the offset that a chain may have where no level tells it, in volts: ±0.15 V at 95 %, one and a
	// half times that same return.
	OffsetTolerance = 0.075
)
