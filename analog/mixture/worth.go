package mixture

import "math"

// LetBe is the error in λ that the trade lets be at a mixture, for somebody who would have to type in new scale ends by hand: that of a
// loss of about 0.15 V at full scale, of which 0.1 V is let be and 0.2 to 0.3 V is corrected (common practice, no source). As an
// error in λ the rule holds for a shifted ground too, which is worse at a rich mixture than a loss of as many volts at full
// scale: a loss costs in proportion to the voltage. fullScale is the highest output in volts.
func (l Law) LetBe(lambda, fullScale float64) float64 {
	return math.Abs(l.Slope()*l.Volts(lambda)) * smallDeficit / fullScale
}
