// Package mixture turns a wideband controller's volts into λ and says when that is allowed: the linear law of its
// analog output, the measuring chain's gain and offset, the states of its output, and fuels' stoichiometric ratios.
// It is arithmetic only: it reads nothing, keeps no clock, and the same readings always give the same answer.
//
// λ is the quantity. AFR is λ times a stoichiometric ratio, and belongs to a display.
package mixture

import (
	"errors"
	"fmt"
	"math"
)

// Point is one point of a controller's output law.
type Point struct {
	Volts  float64 // at the controller's output
	Lambda float64 // what the controller means by it
}

// Law is the straight line between two points that a wideband controller's analog output follows. Low and High only
// tell the two points apart; the line may fall. Outside the two points the output is clipped, not continued.
// The arithmetic holds for any linear sender (kPa, °C): put its value where λ stands, and skip Validate.
type Law struct {
	Low, High Point
}

// The span in which a law's numbers can be meant. A λ above 5 is nearly always an AFR put in by mistake.
const (
	MinLambda = 0.3
	MaxLambda = 5.0
	MinVolts  = -1.0
	MaxVolts  = 30.0
)

// Validate reports every reason why the law cannot be used: a number that is not finite or out of range, or two
// points that do not make a line.
func (l Law) Validate() error {
	return errors.Join(
		l.Low.validate("low"),
		l.High.validate("high"),
		differ("volts", l.Low.Volts, l.High.Volts),
		differ("λ", l.Low.Lambda, l.High.Lambda),
	)
}

func (p Point) validate(which string) error {
	var faults []error
	// Written so that NaN, which compares false with everything, is refused too.
	if !(p.Volts >= MinVolts && p.Volts <= MaxVolts) {
		faults = append(faults, fmt.Errorf("the %s point's %v volts are outside %v to %v", which, p.Volts, MinVolts, MaxVolts))
	}
	if !(p.Lambda >= MinLambda && p.Lambda <= MaxLambda) {
		faults = append(faults, fmt.Errorf("the %s point's λ of %v is outside %v to %v", which, p.Lambda, MinLambda, MaxLambda))
	}
	return errors.Join(faults...)
}

func differ(what string, low, high float64) error {
	if low == high {
		return fmt.Errorf("both points have the same %s, %v: a line needs two different ones", what, low)
	}
	return nil
}

// Slope is λ per volt. Infinite or NaN for a law that Validate refuses.
func (l Law) Slope() float64 {
	return (l.High.Lambda - l.Low.Lambda) / (l.High.Volts - l.Low.Volts)
}

// Lambda is what the controller means by volts at its output, λ = λ1 + (V − V1)(λ2 − λ1)/(V2 − V1). It continues
// the line beyond the two points; whether that is meaningful is the Tracker's to say.
func (l Law) Lambda(volts float64) float64 {
	return l.Low.Lambda + (volts-l.Low.Volts)*l.Slope()
}

// Volts is the controller output that means lambda: the inverse of Lambda.
func (l Law) Volts(lambda float64) float64 {
	return l.Low.Volts + (lambda-l.Low.Lambda)/l.Slope()
}

// span gives the law's lowest and highest volts.
func (l Law) span() (low, high float64) {
	return math.Min(l.Low.Volts, l.High.Volts), math.Max(l.Low.Volts, l.High.Volts)
}

// Input is what stands between a converter's code and the plug that the controller's wire goes into.
type Input struct {
	ScaleMillivolts float64 // mV at the converter's pin per code
	OffsetCodes     float64 // added to the code before scaling
	Divider         float64 // volts at the plug per volt at the pin; 0 stands for 1, no divider
}

// Volts is the plug's voltage for a code, before any correction: (code + offset) × scale, as the Linux IIO
// interface defines it (in millivolts), times the divider.
func (in Input) Volts(code int32) float64 {
	divider := in.Divider
	if divider == 0 {
		divider = 1
	}
	return (float64(code) + in.OffsetCodes) * in.ScaleMillivolts / 1000 * divider
}
