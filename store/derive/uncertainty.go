package derive

import (
	"fmt"
	"math"
	"time"

	"underdash/analog/mixture"
)

// Uncertainty is what one reading of a λ by this correction may be wrong by, in parts, at no high flow of exhaust; not ok where the
// input is no wideband.
func (k Correction) Uncertainty(lambda float64) (u mixture.Uncertainty, ok bool) {
	if k.Channel.Kind != "wideband" {
		return mixture.Uncertainty{}, false
	}
	return k.accuracy().At(lambda), true
}

// accuracy is what is known of the chain. What the levels behind the correction scattered by is a reading's noise.
func (k Correction) accuracy() mixture.Accuracy {
	in := mixture.Input{ScaleMillivolts: k.Channel.ScaleMillivolts, OffsetCodes: k.Channel.OffsetCodes, Divider: k.Channel.Divider}
	noise := 0.0
	for _, l := range k.Calibration.Levels {
		noise = max(noise, l.Sigma)
	}
	fit, _ := k.fit()
	return mixture.Accuracy{Law: law(k.Channel), Fit: fit, Output: mixture.OutputTolerance,
		Converter: math.Hypot(math.Abs(in.Volts(1)-in.Volts(0))/math.Sqrt(12), noise)}
}

// Known says how well λ is known by this correction, in words; empty for an input that is no wideband.
func (k Correction) Known() string {
	rich, ok := k.Uncertainty(mixture.RichLambda)
	if !ok {
		return ""
	}
	one, _ := k.Uncertainty(mixture.StoichLambda)
	text := ""
	if _, told := k.fit(); !told {
		text = fmt.Sprintf("nothing was seen of the wiring, so it is taken to lose no more than %.0f %% and the grounds to differ by no more than %.2f V: ",
			100*(1-mixture.MinGain), 2*mixture.OffsetTolerance)
	}
	return text + fmt.Sprintf("right to ±%.4f at λ %v and ±%.4f at λ %v (95 %%), and the sensor itself to ±%.3f and ±%.3f",
		2*rich.Electrical(), mixture.RichLambda, 2*one.Electrical(), mixture.StoichLambda, 2*rich.Element, 2*one.Element)
}

// fit is the calibration as it was fitted. One that does not say how well it is known is fitted to its levels again; without
// levels it was reckoned. Not ok where nothing is known: the fit is then the bound that a car's wiring keeps.
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
	if f, err := mixture.FitChain(levels); err == nil {
		return f, true
	}
	if c.Gain > 0 && c.Gain != 1 {
		return mixture.ReckonedFit(c.Gain, mixture.ReckonedSigma), true
	}
	return mixture.UncorrectedFit(), false
}

// When much exhaust flows (common practice, no source): nearly half of what an engine of two litres puts out at the most.
const (
	highAir  = 40.0 // g/s
	highLoad = 70.0 // percent
	flowAge  = 3 * time.Second
)

// doubt is the channel of what λ may be wrong by.
type doubt struct {
	channel  int
	accuracy mixture.Accuracy

	air, load recent
}

// recent is a value of the engine's computer.
type recent struct {
	at    time.Duration
	value float64
	ok    bool
}

// addUncertainty makes that channel, if it is asked for.
func (s *Session) addUncertainty(name string, w *wideband, k *Correction) {
	if !s.o.Uncertainty {
		return
	}
	d := &doubt{accuracy: k.accuracy()}
	if rate := k.Channel.Rate; s.o.Rate > 0 && rate > s.o.Rate {
		d.accuracy.Converter /= math.Sqrt(rate / s.o.Rate) // of the mean
	}
	d.channel = s.addInput(Channel{Name: name + " lambda uncertainty", Unit: "1", Source: name, Kind: LambdaUncertainty, Decimals: lambdaDecimals,
		Description: name + ", what λ may be wrong by, half of a band that holds 95 %: by wiring, controller, converter and sensor, and by the exhaust's pressure where much flows or nothing tells how much"})
	s.listeners = append(s.listeners, listener{k.Channel.Bank, d.tell})
	s.resets = append(s.resets, func() { d.air, d.load = recent{}, recent{} })
	w.doubt = d
}

func (d *doubt) tell(at time.Duration, q mixture.Quantity, v float64) {
	switch q {
	case mixture.AirFlow:
		d.air = recent{at, v, true}
	case mixture.EngineLoad:
		d.load = recent{at, v, true}
	}
}

// at is what a λ at an instant may be wrong by, at 95 %.
func (d *doubt) at(t time.Duration, lambda float64) float64 {
	fresh := func(x recent) bool { return x.ok && t-x.at <= flowAge }
	a := d.accuracy
	switch {
	case fresh(d.air):
		a.HighFlow = d.air.value >= highAir
	case fresh(d.load):
		a.HighFlow = d.load.value >= highLoad
	default:
		a.HighFlow = true
	}
	return 2 * a.At(lambda).Total()
}
