package mixture

import "math"

// DelayFit is a delay model and how well it is known.
type DelayFit struct {
	Model DelayModel

	GasVariance, LagVariance, Covariance float64 // g², s², g·s

	Seen   int     // stretches and steps behind it
	Fitted bool    // false: too little was seen, and Model is the stated default
	Sigma  float64 // standard uncertainty of the delay over the operating points seen, s; over typical ones for the default
}

// At is the standard uncertainty of the delay at an exhaust flow in g/s, in seconds.
func (f DelayFit) At(flow float64) float64 {
	g := math.Pow(max(flow, leastFlow), gasExponent)
	return math.Hypot(math.Sqrt(max(0, f.GasVariance*g*g+2*f.Covariance*g+f.LagVariance)), formSigma)
}

// What it takes to believe a fit instead of the default (common practice, no source).
const (
	leastSeen  = 4
	fittedGas  = 0.25  // part of the gas's mass
	leastRange = 2.0   // of the gas's share between the operating points seen
	fittedLag  = 0.025 // s
	formSigma  = 0.008 // s: the model itself is no better
	huberLimit = 2.0   // standard deviations beyond which a look weighs less
)

// UnfittedDelay is the stated default with its uncertainty, for a drive of which nothing was seen.
func UnfittedDelay() DelayFit {
	f := DelayFit{Model: DefaultDelay(), GasVariance: defaultGasSigma * defaultGasSigma, LagVariance: defaultLagSigma * defaultLagSigma}
	f.Sigma = (f.At(3) + f.At(15)) / 2 // idling and cruising
	return f
}

// fit finds the gas's mass and the lag from all looks, beginning with what is known of any engine, by weighted least squares in
// which outliers weigh less (Huber's weights).
func (d *delayFinder) fit() DelayFit {
	f := UnfittedDelay()
	f.Seen = len(d.seen)
	if len(d.seen) < leastSeen {
		return f
	}
	fitted := DelayFit{Model: f.Model, Seen: len(d.seen)}
	for range 8 {
		fitted.step(d.seen)
	}
	least, most := math.Inf(1), 0.0
	for _, p := range d.seen {
		if p.gas > 0 {
			least, most = min(least, p.gas), max(most, p.gas)
		}
	}
	known := math.Sqrt(fitted.GasVariance) <= fittedGas*fitted.Model.Gas && math.Sqrt(fitted.LagVariance) <= fittedLag
	if !known || most < leastRange*least || fitted.Model.Lag < 0 {
		return f
	}
	fitted.Fitted = true
	sum, n := 0.0, 0.0
	for _, p := range d.seen {
		if p.gas > 0 {
			s := fitted.At(math.Pow(p.gas, 1/gasExponent))
			sum, n = sum+s*s, n+1
		}
	}
	fitted.Sigma = math.Sqrt(sum / n)
	return fitted
}

// step is one round of the fit, with the weights that the round before leaves.
func (f *DelayFit) step(seen []passed) {
	def := DefaultDelay()
	gg, g1, ll := 1/(defaultGasSigma*defaultGasSigma), 0.0, 1/(defaultLagSigma*defaultLagSigma)
	gy, ly := def.Gas*gg, def.Lag*ll
	for _, p := range seen {
		lag := 0.0
		if p.lagged {
			lag = 1
		}
		sigma := math.Hypot(p.sigma, formSigma)
		y := p.delay - f.Model.Cycle*p.cycle
		r := math.Abs(y-f.Model.Gas*p.gas-lag*f.Model.Lag) / sigma
		w := 1 / (sigma * sigma)
		if r > huberLimit {
			w *= huberLimit / r
		}
		gg, g1, ll = gg+w*p.gas*p.gas, g1+w*p.gas*lag, ll+w*lag*lag
		gy, ly = gy+w*p.gas*y, ly+w*lag*y
	}
	det := gg*ll - g1*g1
	f.GasVariance, f.LagVariance, f.Covariance = ll/det, gg/det, -g1/det
	f.Model.Gas, f.Model.Lag = (ll*gy-g1*ly)/det, (gg*ly-g1*gy)/det
}
