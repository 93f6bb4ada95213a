package derive

import (
	"fmt"
	"math"

	"underdash/analog/mixture"
)

// Uncertainty is what a λ read by this correction may be wrong by, in parts; not ok where nothing is known of the wiring or where the
// input is no wideband.
func (k Correction) Uncertainty(lambda float64) (u mixture.Uncertainty, ok bool) {
	if k.Channel.Kind != "wideband" {
		return mixture.Uncertainty{}, false
	}
	fit, ok := k.fit()
	if !ok {
		return mixture.Uncertainty{}, false
	}
	in := mixture.Input{ScaleMillivolts: k.Channel.ScaleMillivolts, OffsetCodes: k.Channel.OffsetCodes, Divider: k.Channel.Divider}
	step := math.Abs(in.Volts(1) - in.Volts(0))
	return mixture.Accuracy{Law: law(k.Channel), Fit: fit, Output: mixture.OutputTolerance, Converter: step / math.Sqrt(12)}.At(lambda), true
}

// Known says how well λ is known by this correction, in words; empty where that is not known.
func (k Correction) Known() string {
	rich, ok := k.Uncertainty(mixture.RichLambda)
	if !ok {
		return ""
	}
	one, _ := k.Uncertainty(mixture.StoichLambda)
	return fmt.Sprintf("right to ±%.4f at λ %v and ±%.4f at λ %v (95 %%), and the sensor itself to ±%.3f and ±%.3f",
		2*rich.Electrical(), mixture.RichLambda, 2*one.Electrical(), mixture.StoichLambda, 2*rich.Element, 2*one.Element)
}

// fit is the calibration as it was fitted. One that does not say how well it is known is fitted to its levels again.
func (k Correction) fit() (mixture.Fit, bool) {
	c := k.Calibration
	if c.GainSigma > 0 {
		return mixture.Fit{Chain: mixture.Chain{Gain: c.Gain, Offset: c.Offset}, GainVariance: c.GainSigma * c.GainSigma,
			OffsetVariance: c.OffsetSigma * c.OffsetSigma, Covariance: c.Covariance}, true
	}
	var levels []mixture.Level
	for _, l := range c.Levels {
		level := Level(l)
		if level.Tolerance == 0 {
			level.Tolerance = mixture.OutputTolerance
		}
		levels = append(levels, level)
	}
	f, err := mixture.FitChain(levels)
	return f, err == nil
}
