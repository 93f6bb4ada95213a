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
}

// Electrical is all parts but the element's: how well the reading tells what the controller means.
func (u Uncertainty) Electrical() float64 {
	return math.Sqrt(u.Chain*u.Chain + u.Law*u.Law + u.Converter*u.Converter)
}

// Total is all parts together.
func (u Uncertainty) Total() float64 {
	return math.Hypot(u.Electrical(), u.Element)
}

// Accuracy is what is known of a measuring chain's uncertainties.
type Accuracy struct {
	Law       Law
	Fit       Fit     // of the chain
	Output    float64 // standard uncertainty of the controller's output about its law, volts; OutputTolerance where nothing is known
	Converter float64 // of a reading, or of a mean, at the plug: volts
	Age       Age     // of the element
}

// At is the uncertainty of a corrected λ.
func (a Accuracy) At(lambda float64) Uncertainty {
	slope := math.Abs(a.Law.Slope())
	return Uncertainty{
		Chain:     slope * a.Fit.Sigma(a.Law.Volts(lambda)),
		Law:       slope * a.Output,
		Converter: slope * a.Converter / math.Abs(a.Fit.Chain.gain()),
		Element:   ElementTolerance(lambda, a.Age) / 2,
	}
}
