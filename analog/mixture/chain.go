package mixture

import (
	"fmt"
	"math"
)

// Chain models what wiring does to the controller's output on its way to the plug: seen = Gain × true + Offset.
// Series resistance into the divider makes a gain below one (line loss); a difference between the controller's
// ground and ours makes an offset.
type Chain struct {
	Gain   float64 // 1 is no loss; 0 stands for 1, so that the zero Chain changes nothing
	Offset float64 // volts at the plug when the controller puts out 0 V
}

// The gains that a line loss can explain. Outside them something is wired wrongly, and a correction would hide it
// (common practice, no source).
const (
	MinGain = 0.90
	MaxGain = 1.05
)

func (c Chain) gain() float64 {
	if c.Gain == 0 {
		return 1
	}
	return c.Gain
}

// True is the controller's output, in volts, for seen volts at the plug.
func (c Chain) True(seen float64) float64 { return (seen - c.Offset) / c.gain() }

// Seen is what the plug shows, in volts, when the controller puts out true volts.
func (c Chain) Seen(true float64) float64 { return c.gain()*true + c.Offset }

// Rescale gives the law in terms of volts as seen at the plug: the scale end points that a person would type into a
// display that knows no chain. They stand at the same volts as l's, with the λ that those seen volts truly mean.
func (c Chain) Rescale(l Law) Law {
	return Law{
		Low:  Point{l.Low.Volts, l.Lambda(c.True(l.Low.Volts))},
		High: Point{l.High.Volts, l.Lambda(c.True(l.High.Volts))},
	}
}

// GainError says why one known level gave no gain.
type GainError struct {
	Known, Seen float64 // volts
	Gain        float64 // Seen/Known; NaN where Known cannot tell a gain
}

func (e *GainError) Error() string {
	if math.IsNaN(e.Gain) {
		return fmt.Sprintf("a known level of %v V, seen as %v V, cannot tell a gain: it takes a level well above 0 V, such as the 5 V end of the output", e.Known, e.Seen)
	}
	return fmt.Sprintf("a known level of %.3f V was seen as %.3f V, a gain of %.3f: outside %.2f to %.2f it is no line loss but a fault in the wiring, the divider or the levels as given",
		e.Known, e.Seen, e.Gain, MinGain, MaxGain)
}

// minKnown is the lowest level that can tell a gain: below it the converter's offset and the ground's weigh more
// than any loss.
const minKnown = 0.5

// OneLevel is the one-level correction for line loss: the controller is known to put out known volts and the plug
// shows seen. It assumes that there is no offset, and cannot check that. A gain outside MinGain to MaxGain, or a
// known level too low to tell one, gives a *GainError.
func OneLevel(known, seen float64) (Chain, error) {
	if !(known >= minKnown) || math.IsInf(known, 0) || math.IsNaN(seen) || math.IsInf(seen, 0) {
		return Chain{}, &GainError{known, seen, math.NaN()}
	}
	gain := seen / known
	if gain < MinGain || gain > MaxGain {
		return Chain{}, &GainError{known, seen, gain}
	}
	return Chain{Gain: gain}, nil
}

// smallDeficit lies between the 0.15 V at full scale that are not worth a correction by hand and the 0.2 V that
// are, in volts.
const smallDeficit = 0.175

// WorthCorrecting is the trade's rule for a person who would have to type in new scale ends: about 0.1 V missing at
// full scale is let be, 0.2 to 0.3 V is corrected (common practice, no source). The deficit of the known level is
// carried to fullScale, all in volts. The rule takes the deficit for a gain. A program that corrects by itself
// need not ask it: for a program a small correction costs nothing.
func WorthCorrecting(known, seen, fullScale float64) bool {
	return math.Abs(1-seen/known)*fullScale >= smallDeficit
}
