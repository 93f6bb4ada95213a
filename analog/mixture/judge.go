package mixture

import (
	"math"
	"slices"
)

// Verdict says what known levels tell of a measuring chain.
type Verdict uint8

const (
	// NotEnough was seen to tell anything, or to tell it well enough.
	NotEnough Verdict = iota
	// Agrees: the readings are right without a correction, as far as it matters.
	Agrees
	// GainLike is a loss in proportion to the voltage: resistance in the line, the divider.
	GainLike
	// OffsetLike is a shift by the same voltage everywhere: the controller's ground is not the logger's.
	OffsetLike
	// GainAndOffset is both.
	GainAndOffset
	// Unclear is a deviation for certain, of which the levels do not tell whether it is a loss or a shift.
	Unclear
	// LeakLike is a mixture that looks leaner idling than cruising: air leaks into the exhaust, or the engine misfires.
	LeakLike
	// Disagrees: the levels contradict each other, as an aged sensor's do, or one in a leaking exhaust. No chain explains them.
	Disagrees
	// WiringFault is a deviation that neither a loss nor a shift of a car explains.
	WiringFault
)

// String is the verdict in a few words.
func (v Verdict) String() string {
	switch v {
	case Agrees:
		return "agrees"
	case GainLike:
		return "line loss"
	case OffsetLike:
		return "ground shift"
	case GainAndOffset:
		return "line loss and ground shift"
	case Unclear:
		return "deviation of unclear kind"
	case LeakLike:
		return "leak or misfire"
	case Disagrees:
		return "levels disagree"
	case WiringFault:
		return "wiring fault"
	}
	return "not enough seen"
}

// What matters, and what is certain (common practice, no source).
const (
	worthLambda  = 0.007 // λ: a correction that moves no λ by more stays within the element's own tolerance
	vagueLambda  = 0.010 // λ: known worse than this at λ = 1, nothing is said
	certainShare = 0.001 // probability below which levels contradict each other
	telling      = 2.0   // standard deviations
	certain      = 3.5   // standard deviations: half of it is there by nearly as many as telling
	likely       = 2.0   // standard deviations: as large as it may well be
	leakLambda   = 0.015 // λ: leaner by so much at idle than in cruise
)

// The mixtures for which effects are stated: full load, stoichiometric, lean.
const (
	RichLambda   = 0.85
	StoichLambda = 1.00
	LeanLambda   = 1.15
)

// Mixtures are these three.
var Mixtures = [...]float64{RichLambda, StoichLambda, LeanLambda}

// Finding is what known levels tell.
type Finding struct {
	Verdict Verdict
	Fit     Fit     // zero where there was nothing to fit
	Chain   Chain   // to correct by; the zero Chain, which changes nothing, where there is none to be had
	Usable  bool    // Chain is a correction
	Odd     []Level // Disagrees: those without which the others are explained best; none where leaving some out does not help
	Leak    float64

	law Law
}

// Effect is by how much an uncorrected reading of a λ is wrong, in λ: above 0 it looks leaner than it is.
func (f Finding) Effect(lambda float64) float64 {
	volts := f.law.Volts(lambda)
	return f.law.Slope() * (f.Chain.Seen(volts) - volts)
}

// Sigma is the standard uncertainty of a corrected λ, as far as the chain goes.
func (f Finding) Sigma(lambda float64) float64 {
	return math.Abs(f.law.Slope()) * f.Fit.Sigma(f.law.Volts(lambda))
}

// Worst is the largest effect of the three mixtures.
func (f Finding) Worst() float64 {
	worst := 0.0
	for _, lambda := range Mixtures {
		if e := f.Effect(lambda); math.Abs(e) > math.Abs(worst) {
			worst = e
		}
	}
	return worst
}

// Within is what an uncorrected reading of the three mixtures is wrong by at the most, in λ, at 95 %: what was seen, and how well.
func (f Finding) Within() float64 {
	most := 0.0
	for _, lambda := range Mixtures {
		most = max(most, math.Abs(f.Effect(lambda))+2*f.Sigma(lambda))
	}
	return most
}

// Judge says what the known levels of a controller's chain tell, of one drive or of several of the same installation. The
// warm-up level alone tells no more than a gain under the assumption that there is no offset, since the heater's current flows
// in the ground meanwhile: with it goes NotEnough, and a chain that may be used.
func Judge(l Levels, levels []Level) Finding {
	f := Finding{law: l.Law}
	leak, leaks := idleLeak(l.Law, levels)
	if leaks {
		f.Leak = leak
		levels = without(levels, IdleKind)
	}
	fit, err := FitChain(levels)
	if err != nil {
		return f
	}
	f.Fit = fit
	if fit.Freedom > 0 && fit.Contradiction() < certainShare {
		if kinds := fit.Kinds(); len(kinds) > 1 || !shares(kinds[0]) {
			f.Verdict, f.Odd = Disagrees, oddOnes(fit)
			return f
		}
		// What drives showed of one and the same level differs from drive to drive: the ground moves, and nothing is known better.
		fit = fit.widened()
		f.Fit = fit
	}
	chain, err := fit.Correction()
	switch {
	case err != nil && fit.AssumedOffset && fit.near(): // a loss together with a shift may be within what a car has
		f.Verdict = NotEnough
		return f
	case err != nil:
		f.Verdict = WiringFault
		return f
	}
	f.Chain, f.Usable = chain, true
	switch {
	case leaks:
		f.Verdict = LeakLike
	case f.Sigma(StoichLambda) > vagueLambda || !hot(fit):
		f.Verdict = NotEnough
	default:
		f.Verdict = f.name()
	}
	return f
}

// name tells loss from shift.
func (f Finding) name() Verdict {
	zero := f.Fit.deviation()
	switch {
	case math.Abs(f.Worst()) < worthLambda:
		return Agrees
	case chiSquareTail(zero, 2) > 0.05:
		return NotEnough // it may be off by what matters, and it may be well
	}
	gain, offset := 1-f.Chain.gain(), f.Chain.Offset
	gainTold := math.Abs(gain) > telling*f.Fit.GainSigma()
	offsetTold := math.Abs(offset) > telling*f.Fit.OffsetSigma()
	// Both are named where at least half of each is there: the two are estimated against each other, and what one is
	// said to be too much the other is said to be too little.
	both := math.Abs(gain) > certain*f.Fit.GainSigma() && math.Abs(offset) > certain*f.Fit.OffsetSigma()
	// What each moves in the middle of the scale. One is named alone only where the other, as large as it may well be, moves less.
	middle := math.Abs(f.law.Volts(StoichLambda))
	byGain, byOffset := math.Abs(gain)*middle, math.Abs(offset)
	switch {
	case both:
		return GainAndOffset
	case gainTold && byOffset+likely*f.Fit.OffsetSigma() < byGain:
		return GainLike
	case offsetTold && byGain+likely*f.Fit.GainSigma()*middle < byOffset:
		return OffsetLike
	}
	return Unclear
}

// deviation is the χ², of two degrees of freedom, of no loss and no shift.
func (f Fit) deviation() float64 {
	g, o := f.Chain.gain()-1, f.Chain.Offset
	det := f.GainVariance*f.OffsetVariance - f.Covariance*f.Covariance
	if !(det > 0) {
		return 0
	}
	return (g*g*f.OffsetVariance - 2*g*o*f.Covariance + o*o*f.GainVariance) / det
}

// hot tells whether the levels tell gain and offset of the chain when the sensor is hot.
func hot(f Fit) bool {
	kinds := f.Kinds()
	return !f.AssumedOffset && (len(kinds) > 1 || kinds[0] != WarmupKind)
}

// idleLeak is by how much leaner idle looks than cruise, in λ, and whether that is worth a word.
func idleLeak(law Law, levels []Level) (lambda float64, leaks bool) {
	mean := func(k Kind) (seen, sigma float64, ok bool) {
		var values, sigmas []float64
		for _, l := range levels {
			if l.Kind == k && l.usable() {
				values, sigmas = append(values, l.Seen-l.Known), append(sigmas, l.Random)
			}
		}
		if len(values) == 0 {
			return 0, 0, false
		}
		seen, sigma = weighted(values, sigmas)
		return seen, sigma, true
	}
	idle, s1, ok1 := mean(IdleKind)
	cruise, s2, ok2 := mean(CruiseKind)
	if !ok1 || !ok2 {
		return 0, false
	}
	lambda = law.Slope() * (idle - cruise)
	return lambda, lambda > leakLambda && lambda > 3*math.Abs(law.Slope())*math.Hypot(s1, s2)
}

func without(levels []Level, k Kind) (rest []Level) {
	for _, l := range levels {
		if l.Kind != k {
			rest = append(rest, l)
		}
	}
	return rest
}

// oddOnes are the levels without which the others are explained best: those of a kind that are wrong together, or one that a person
// held. Where leaving out one as well as another resolves the contradiction, as it does of three levels, the rest that is nearest to
// no loss and no shift is taken to be right.
func oddOnes(f Fit) (odd []Level) {
	best, deviation := f.Contradiction(), math.Inf(1)
	for _, out := range suspects(f.Levels) {
		rest := slices.DeleteFunc(slices.Clone(f.Levels), func(l Level) bool { return slices.Contains(out, l) })
		g, err := FitChain(rest)
		if err != nil {
			continue
		}
		p, d := min(g.Contradiction(), certainShare), g.deviation()
		if p > best || p == best && d < deviation && odd != nil {
			best, deviation, odd = p, d, out
		}
	}
	return odd
}

// suspects are the levels that may be wrong, each with those that are wrong for the same reason.
func suspects(levels []Level) (all [][]Level) {
	kinds := make(map[Kind]bool)
	for _, l := range levels {
		switch {
		case !shares(l.Kind):
			all = append(all, []Level{l})
		case !kinds[l.Kind]:
			kinds[l.Kind] = true
			all = append(all, slices.DeleteFunc(slices.Clone(levels), func(other Level) bool { return other.Kind != l.Kind }))
		}
	}
	return all
}
