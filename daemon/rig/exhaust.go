package rig

import "math"

// The way from the cylinders to the sensor, and the elements.
const (
	pipeLitres  = 2.6   // four runners of 0.4 l and 1.0 l of pipe to the sensor
	exhaustGas  = 288.0 // J/(kg K)
	elementLag  = 0.070 // s, first order, the wideband (50 to 100 ms in engine use, SAE literature)
	ownLag      = 0.050 // s, the engine computer's sensor
	stillAirLag = 4.0   // s until air has found its way to the sensor of an engine that stands
)

// density is the exhaust's in kg/m³ up to the sensor: hotter and at more pressure the more flows. g/s of intake air.
func density(maf float64) float64 {
	x := math.Log(max(maf, 0.5))
	kelvin := interpolate(x, []point{{math.Log(2.5), 700}, {math.Log(15), 900}, {math.Log(46.4), 1000}, {math.Log(130), 1150}})
	kPa := interpolate(maf, []point{{2.5, 101.3}, {15, 103}, {46.4, 108}, {130, 125}})
	return kPa * 1000 / (exhaustGas * kelvin)
}

// exhaustFlow is the intake air and its fuel, g/s.
func exhaustFlow(maf, lambda float64) float64 {
	if lambda >= air {
		return maf
	}
	return maf * (1 + 1/(lambda*stoichiometric))
}

// transportDelay is the dead time in seconds from the middle of the intake stroke to the sensor at a steady
// operating point: 540 degrees of crank (90/N) and the time the pipe's content takes to be pushed out.
func (e *exhaust) transportDelay(rpm, maf, lambda float64) float64 {
	return cycleDelay(rpm) + e.content(maf)/exhaustFlow(maf, lambda)
}

// content is the exhaust between the cylinders and the sensors, g.
func (e *exhaust) content(maf float64) float64 { return e.litres * density(maf) }

func cycleDelay(rpm float64) float64 { return 90 / max(rpm, 60) }

// oxygen is what an element measures, as a number: the part of oxygen in the wet exhaust on the lean side (complete
// combustion of CH1.87), and the lack of it on the rich side, with the same slope at λ = 1.
func oxygen(lambda float64) float64 {
	if lambda < 1 {
		return burntOxygen / burntMoles * (1 - 1/lambda)
	}
	return burntOxygen * (lambda - 1) / (burntMoles + 4.773*burntOxygen*(lambda-1))
}

// lambdaOf is the inverse of oxygen.
func lambdaOf(x float64) float64 {
	if x < 0 {
		return 1 / (1 - x*burntMoles/burntOxygen)
	}
	return min(air, 1+x*burntMoles/(burntOxygen*(1-4.773*x)))
}

const (
	burntOxygen = 1.4675 // mol O2 that one mol CH1.87 takes
	burntMoles  = 7.472  // mol wet exhaust of it at λ = 1
)

// parcel is a slice of gas leaving the cylinders.
type parcel struct {
	mass   float64 // g that had left before it
	lambda float64
}

// exhaust moves gas through the pipe as a plug: a slice arrives when the mass that fits between has followed it.
type exhaust struct {
	litres, lag float64

	burnt  []float64 // λ of the last strokes, newest last, one a step
	pipe   []parcel
	mass   float64 // g that left the cylinders so far
	at     float64 // λ of the gas at the sensors
	signal float64 // the wideband element's, as oxygen
	own    float64 // the engine computer's sensor's
}

// strokes bounds how far back a burnt charge can be: 90/60 s.
const strokes = 1500 / 5

// newExhaust gives the exhaust of a car: litres up to the sensors and the wideband's lag in seconds, 0 for the usual ones.
func newExhaust(litres, lag float64) exhaust {
	if litres == 0 {
		litres = pipeLitres
	}
	if lag == 0 {
		lag = elementLag
	}
	return exhaust{litres: litres, lag: lag, at: air, signal: oxygen(air), own: oxygen(air)}
}

// leaked is the λ at the wideband with air leaking in beside it: a flow that hardly depends on the engine's, so that it weighs
// most while idling and vanishes at full load.
func leaked(lambda, maf, leak float64) float64 {
	if leak == 0 || maf < 0.05 || lambda >= air {
		return lambda
	}
	share := leak * exhaustFlow(idleFlow, 1) / exhaustFlow(maf, lambda)
	return min(air, lambda+share*(lambda+1/stoichiometric))
}

// idleFlow is the air flow while idling, g/s, to which a leak is given.
const idleFlow = 2.5

// advance moves everything by one step and returns what the two sensors have, and the dead time. leak is Options.Leak.
func (e *exhaust) advance(rpm, maf, lambda, leak, dt float64) (wideband, own, delay float64) {
	e.burnt = append(e.burnt, lambda)
	if len(e.burnt) > 4*strokes {
		e.burnt = append(e.burnt[:0], e.burnt[len(e.burnt)-strokes:]...)
	}
	gas, lag, ownLag := e.at, e.lag, ownLag
	if maf > 0.05 {
		back := int(math.Round(cycleDelay(rpm) / dt))
		leaving := e.burnt[max(0, len(e.burnt)-1-back)]
		e.mass += exhaustFlow(maf, leaving) * dt
		e.pipe = append(e.pipe, parcel{e.mass, leaving})
		arrived := e.mass - e.content(maf)
		n := 0
		for n < len(e.pipe) && e.pipe[n].mass <= arrived {
			gas = e.pipe[n].lambda
			n++
		}
		e.pipe = e.pipe[n:]
		delay = e.transportDelay(rpm, maf, lambda)
	} else {
		gas, lag, ownLag = air, stillAirLag, stillAirLag
	}
	e.at = gas
	follow(&e.signal, oxygen(leaked(gas, maf, leak)), lag, dt)
	follow(&e.own, oxygen(gas), ownLag, dt)
	return lambdaOf(e.signal), lambdaOf(e.own), delay
}
