package mixture

import "math"

// Age is how long a sensing element has been in use.
type Age uint8

// The ages for which tolerances are known.
const (
	Aged500h  Age = iota // some hundred hours: what is assumed where nothing is known
	New                  // as it left the works
	Aged2000h            // near its end
)

// tolerances of a planar wide-range element, ± in λ, at three λ (from memory of its technical information).
var tolerances = map[Age][3]float64{
	New:       {0.010, 0.007, 0.05},
	Aged500h:  {0.020, 0.008, 0.10},
	Aged2000h: {0.040, 0.010, 0.15},
}

// ElementTolerance is what a sensing element itself may be wrong by, in λ, half of a band that holds 95 %: best at λ = 1, some
// percent away from it, and worse with age.
func ElementTolerance(lambda float64, age Age) float64 {
	at := [3]float64{0.80, 1.016, 1.70}
	t := tolerances[age]
	switch {
	case lambda <= at[0]:
		return t[0]
	case lambda >= at[2]:
		return t[2]
	case lambda < at[1]:
		return t[0] + (t[1]-t[0])*(lambda-at[0])/(at[1]-at[0])
	}
	return t[1] + (t[2]-t[1])*(lambda-at[1])/(at[2]-at[1])
}

// Uncertainty is what a corrected λ may be wrong by, part by part. Each is a standard uncertainty in λ; twice it is the half
// width of a band that holds 95 %. The parts are independent, and kept apart since different people can mend them: the wiring,
// the controller, the converter, the sensor.
type Uncertainty struct {
	Chain     float64 // gain and offset of the wiring are known only so well
	Law       float64 // the controller's output keeps to its law only so well
	Converter float64 // noise and resolution of one reading, or of a mean
	Element   float64 // the sensing element's tolerance
	Pressure  float64 // of the exhaust, by which a reading moves away from λ = 1
}

// Electrical is all parts but the element's and the exhaust pressure's: how well the reading tells what the controller means.
func (u Uncertainty) Electrical() float64 {
	return math.Sqrt(u.Chain*u.Chain + u.Law*u.Law + u.Converter*u.Converter)
}

// Total is all parts together.
func (u Uncertainty) Total() float64 {
	return math.Hypot(u.Electrical(), math.Hypot(u.Element, u.Pressure))
}

// Accuracy is what is known of a measuring chain's uncertainties.
type Accuracy struct {
	Law       Law
	Fit       Fit     // of the chain
	Output    float64 // standard uncertainty of the controller's output about its law, volts; OutputTolerance where nothing is known
	Converter float64 // of a reading, or of a mean, at the plug: volts
	Age       Age     // of the element
	HighFlow  bool    // much exhaust flows, or may: nobody knows how much more its pressure is than the air's
}

// The exhaust of a standard car is 10 to 30 kPa above the air at full load, which moves λ by 0.003 to 0.012 (derived from the form that
// data sheets of elements give, from memory): ±0.01 at 95 %, away from λ = 1.
const pressureFrom, pressureSigma = 0.1, 0.005

// UncorrectedFit is what is known of a chain of which nothing was seen: that a car's wiring loses no more than a loss explains,
// 1 − MinGain at 95 %, and that the grounds differ by no more than OffsetTolerance.
func UncorrectedFit() Fit {
	return ReckonedFit(1, (1-MinGain)/2)
}

// ReckonedFit is a chain whose gain was reckoned, with its standard uncertainty, and whose offset nobody told.
func ReckonedFit(gain, sigma float64) Fit {
	return Fit{Chain: Chain{Gain: gain}, GainVariance: sigma * sigma, OffsetVariance: OffsetTolerance * OffsetTolerance, AssumedOffset: true}
}

// ReckonedSigma is the standard uncertainty of a gain that was reckoned from resistances: those of 1 % in a divider of two thirds,
// and a series resistance as its data sheet has it (derived; common practice).
const ReckonedSigma = 0.005

// At is the uncertainty of a corrected λ.
func (a Accuracy) At(lambda float64) Uncertainty {
	slope := math.Abs(a.Law.Slope())
	pressure := 0.0
	if a.HighFlow && math.Abs(lambda-1) > pressureFrom {
		pressure = pressureSigma
	}
	return Uncertainty{
		Pressure:  pressure,
		Chain:     slope * a.Fit.Sigma(a.Law.Volts(lambda)),
		Law:       slope * a.Output,
		Converter: slope * a.Converter / math.Abs(a.Fit.Chain.gain()),
		Element:   ElementTolerance(lambda, a.Age) / 2,
	}
}
