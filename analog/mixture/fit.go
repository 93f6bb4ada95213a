package mixture

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Fit is a chain as known levels tell it.
type Fit struct {
	Chain Chain

	// Variances of the gain and of the offset (V²), and the covariance of the two (V).
	GainVariance, OffsetVariance, Covariance float64

	Levels    []Level   // behind the fit
	Residuals []float64 // of each level, in volts at the plug: seen less fitted
	ChiSquare float64   // the residuals by their uncertainties
	Freedom   int       // degrees of freedom: levels less what was fitted

	// AssumedOffset says that the levels do not tell the offset: it was taken for zero, give or take OffsetTolerance.
	AssumedOffset bool
}

// ErrNoLevel says that no known level was given that a chain could be fitted to.
var ErrNoLevel = errors.New("no known level was seen")

// FitChain finds gain and offset from known levels by generalised least squares: each level weighs by its uncertainty, and what
// levels share (a kind's tolerance, the engine computer's idea of λ = 1) does not average away. One level, or several that
// lie so close together that they tell the offset worse than OffsetTolerance, give the gain alone; the fit then says that it
// assumed no offset, and its uncertainty admits a plausible one. The fit may lie outside what a line loss explains: Correction
// tells. Errors: ErrNoLevel, or a *GainError for levels that are all too low to tell a gain.
func FitChain(levels []Level) (Fit, error) {
	var kept []Level
	highest := math.Inf(-1)
	for _, l := range levels {
		if l.usable() {
			kept = append(kept, l)
			highest = max(highest, l.Known)
		}
	}
	if len(kept) == 0 {
		return Fit{}, ErrNoLevel
	}
	f, ok := fit(kept, 0)
	if !ok || f.OffsetVariance > OffsetTolerance*OffsetTolerance {
		if highest < minKnown {
			return Fit{}, &GainError{kept[0].Known, kept[0].Seen, math.NaN()}
		}
		if f, ok = fit(kept, OffsetTolerance); !ok {
			return Fit{}, ErrNoLevel
		}
	}
	return f, nil
}

// fit does it. offset above 0 adds the assumption that there is none, as a level at 0 V known so well.
func fit(levels []Level, offset float64) (Fit, bool) {
	f := Fit{Chain: Chain{Gain: 1}, Levels: levels, AssumedOffset: offset > 0}
	for range 3 { // the levels' uncertainties at the plug depend, a little, on the gain
		w, ok := inverse(covariances(levels, f.Chain.gain()))
		if !ok {
			return Fit{}, false
		}
		if !f.solve(w, offset) {
			return Fit{}, false
		}
	}
	f.Freedom = len(levels) - 2
	if offset > 0 {
		f.Freedom = len(levels) - 1
	}
	return f, true
}

func covariances(levels []Level, gain float64) [][]float64 {
	c := make([][]float64, len(levels))
	for i := range c {
		c[i] = make([]float64, len(levels))
		for j := range c[i] {
			c[i][j] = together(levels[i], levels[j], gain, i == j)
		}
	}
	return c
}

// solve fits seen = gain·known + offset with the weights w.
func (f *Fit) solve(w [][]float64, offset float64) bool {
	var kk, k1, one, ks, s1 float64 // sums of weight times known², known, 1, known·seen, seen
	for i, a := range f.Levels {
		for j, b := range f.Levels {
			kk += a.Known * w[i][j] * b.Known
			k1 += a.Known * w[i][j]
			one += w[i][j]
			ks += a.Known * w[i][j] * b.Seen
			s1 += w[i][j] * b.Seen
		}
	}
	if offset > 0 {
		one += 1 / (offset * offset)
	}
	det := kk*one - k1*k1
	if !(det > 1e-9*kk*one) {
		return false
	}
	f.GainVariance, f.OffsetVariance, f.Covariance = one/det, kk/det, -k1/det
	f.Chain = Chain{Gain: (one*ks - k1*s1) / det, Offset: (kk*s1 - k1*ks) / det}
	if math.Abs(f.Chain.Gain) < leastGain {
		f.Chain.Gain = leastGain
	}
	f.Residuals = f.Residuals[:0]
	for _, l := range f.Levels {
		f.Residuals = append(f.Residuals, l.Seen-f.Chain.Seen(l.Known))
	}
	f.ChiSquare = 0
	for i, a := range f.Residuals {
		for j, b := range f.Residuals {
			f.ChiSquare += a * w[i][j] * b
		}
	}
	if offset > 0 {
		f.ChiSquare += f.Chain.Offset * f.Chain.Offset / (offset * offset)
	}
	return true
}

// leastGain stands for a gain of nothing, which could not be turned round.
const leastGain = 1e-6

// Sigma is the standard uncertainty that the fit leaves to the controller's output where it is volts, in volts there.
func (f Fit) Sigma(volts float64) float64 {
	v := f.OffsetVariance + 2*volts*f.Covariance + volts*volts*f.GainVariance
	return math.Sqrt(max(0, v)) / math.Abs(f.Chain.gain())
}

// GainSigma is the gain's standard uncertainty.
func (f Fit) GainSigma() float64 { return math.Sqrt(f.GainVariance) }

// OffsetSigma is the offset's standard uncertainty, in volts.
func (f Fit) OffsetSigma() float64 { return math.Sqrt(f.OffsetVariance) }

// FaultError says that known levels tell of no line loss and no ground offset, but of a fault in the wiring, in the divider or
// in the levels as given.
type FaultError struct{ Fit Fit }

func (e *FaultError) Error() string {
	return fmt.Sprintf("the known levels tell a gain of %.3f and an offset of %+.3f V: outside %.2f to %.2f and ±%.2f V it is no line loss and no ground offset but a fault in the wiring, the divider or the levels as given",
		e.Fit.Chain.gain(), e.Fit.Chain.Offset, MinGain, MaxGain, MaxOffset)
}

// MaxOffset is the largest offset that a difference between two grounds explains, in volts. Outside it, as outside MinGain to
// MaxGain, something is wired wrongly, and a correction would hide it (common practice, no source).
const MaxOffset = 0.30

// Correction is the fit's chain where it is one to correct by: the gain within MinGain to MaxGain and the offset within
// MaxOffset. A fit that lies outside by no more than two of its standard uncertainties is moved to the edge, along the line on
// which its gain and offset hang together; one that lies further outside is a *FaultError. So is any outside whose offset was
// assumed, which tells a gain alone: at the edge it would have an offset that nothing showed.
func (f Fit) Correction() (Chain, error) {
	c := Chain{f.Chain.gain(), f.Chain.Offset}
	if f.AssumedOffset && (c.Gain < MinGain || c.Gain > MaxGain) {
		return Chain{}, &FaultError{f}
	}
	edge := min(MaxGain, max(MinGain, c.Gain))
	if d := edge - c.Gain; d != 0 {
		if math.Abs(d) > 2*f.GainSigma() {
			return Chain{}, &FaultError{f}
		}
		c = Chain{edge, c.Offset + d*f.Covariance/f.GainVariance}
	}
	edge = min(MaxOffset, max(-MaxOffset, c.Offset))
	if d := edge - c.Offset; d != 0 {
		if math.Abs(d) > 2*f.OffsetSigma() {
			return Chain{}, &FaultError{f}
		}
		c.Gain = min(MaxGain, max(MinGain, c.Gain+d*f.Covariance/f.OffsetVariance))
		c.Offset = edge
	}
	return c, nil
}

// Contradiction is the probability that levels as far apart as the fit's would come about by their uncertainties alone:
// 1 where nothing contradicts anything, below 0.001 where something in the levels, or in what they are taken for, is wrong.
func (f Fit) Contradiction() float64 { return chiSquareTail(f.ChiSquare, f.Freedom) }

// Kinds lists the kinds of the fit's levels, each once, in order of appearance.
func (f Fit) Kinds() (kinds []Kind) {
	for _, l := range f.Levels {
		if !slices.Contains(kinds, l.Kind) {
			kinds = append(kinds, l.Kind)
		}
	}
	return kinds
}

// near tells whether a gain that lies outside what a line loss explains does so by no more than two of its standard uncertainties.
func (f Fit) near() bool {
	g := f.Chain.gain()
	return math.Abs(min(MaxGain, max(MinGain, g))-g) <= 2*f.GainSigma()
}

// widened is a fit of levels that contradict each other with the uncertainty that its residuals show, which is larger than the one
// that the levels state: by the Birge ratio √(χ²/degrees of freedom) (R. T. Birge, 1932, from memory).
func (f Fit) widened() Fit {
	ratio := f.ChiSquare / float64(f.Freedom)
	f.GainVariance, f.OffsetVariance, f.Covariance = f.GainVariance*ratio, f.OffsetVariance*ratio, f.Covariance*ratio
	return f
}
