package calibration

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
)

// Effect is what the chain does to a reading of one mixture that is not corrected. All in λ.
type Effect struct {
	Lambda float64 `json:"lambda"`
	Reads  float64 `json:"reads"` // what is shown instead
	Error  float64 `json:"error"` // above 0 it looks leaner than it is
	Sigma  float64 `json:"sigma"` // standard uncertainty that the correction leaves
	LetBe  float64 `json:"let_be"`
}

// End is an end of the scale as somebody would type it into a display that knows no correction.
type End struct {
	Volts  float64 `json:"volts"` // at the plug
	Lambda float64 `json:"lambda"`
	AFR    float64 `json:"afr"` // by the stoichiometric ratio of that display's scale
}

// Finding is what known levels tell of an input, for people.
type Finding struct {
	Input         string        `json:"input"`
	Verdict       string        `json:"verdict"` // in a few words
	Text          string        `json:"text"`    // sentences
	Levels        []store.Level `json:"levels"`
	Others        int           `json:"other_divider,omitempty"` // levels that were measured through another divider than is configured
	Gain          float64       `json:"gain"`
	Offset        float64       `json:"offset"` // volts
	GainSigma     float64       `json:"gain_sigma"`
	OffsetSigma   float64       `json:"offset_sigma"`
	AssumedOffset bool          `json:"assumed_no_offset"`
	Usable        bool          `json:"usable"` // a correction that may be applied
	Effects       []Effect      `json:"effects,omitempty"`
	Worth         bool          `json:"worth_correcting_by_hand"`
	WorthText     string        `json:"worth_text,omitempty"`
	Ends          []End         `json:"scale_ends,omitempty"`
	Fuel          *store.Fuel   `json:"fuel,omitempty"` // that the calibration is kept with

	found      mixture.Finding
	plugPerPin float64
}

// Judge says what levels tell of an input. afr is the stoichiometric ratio of the scale that scale ends are to be typed into.
func Judge(a config.Analog, levels []store.Level, afr float64) Finding {
	known := make([]mixture.Level, len(levels))
	for i, l := range levels {
		known[i] = Known(l)
	}
	m := mixture.Judge(a.Levels(), known)
	if m.Verdict == mixture.Agrees && cancels(m) {
		m.Verdict = mixture.GainAndOffset
	}
	f := Finding{Input: a.Name, Verdict: m.Verdict.String(), Levels: levels, Gain: 1, Usable: m.Usable, found: m, plugPerPin: a.PlugPerPin()}
	if len(levels) == 0 {
		f.Text = "No level was measured yet."
		return f
	}
	if m.Fit.Chain.Gain != 0 {
		f.Gain, f.Offset = m.Fit.Chain.Gain, m.Fit.Chain.Offset
		f.GainSigma, f.OffsetSigma, f.AssumedOffset = m.Fit.GainSigma(), m.Fit.OffsetSigma(), m.Fit.AssumedOffset
	}
	if m.Usable {
		f.Gain, f.Offset = m.Chain.Gain, m.Chain.Offset
		f.effects(a, afr)
	}
	f.Levels = store.Calibration{Gain: f.Gain, Offset: f.Offset, Levels: levels}.Kept(store.Fuel{}).Levels
	f.Text = f.words()
	return f
}

// What is told of a loss and a shift that nearly cancel each other: a person at the car wants to know of both.
const (
	leastLoss  = 0.01
	leastShift = 0.020 // volts
)

// cancels tells whether there are a loss and a shift, both for certain, which together hardly move the mixtures that matter.
func cancels(m mixture.Finding) bool {
	return math.Abs(1-m.Chain.Gain) > max(leastLoss, 2*m.Fit.GainSigma()) && math.Abs(m.Chain.Offset) > max(leastShift, 2*m.Fit.OffsetSigma())
}

// effects works out what the chain does to the mixtures that matter, whether that is worth a hand's correction, and the scale's new ends.
func (f *Finding) effects(a config.Analog, afr float64) {
	law := a.Law()
	full := max(law.Low.Volts, law.High.Volts)
	if a.Warmup != nil {
		full = max(full, *a.Warmup)
	}
	worst := Effect{}
	for _, lambda := range mixture.Mixtures {
		e := Effect{Lambda: lambda, Error: f.found.Effect(lambda), Sigma: f.found.Sigma(lambda), LetBe: law.LetBe(lambda, full)}
		e.Reads = lambda + e.Error
		f.Effects = append(f.Effects, e)
		if over := math.Abs(e.Error) / e.LetBe; worst.LetBe == 0 || over > math.Abs(worst.Error)/worst.LetBe {
			worst = e
		}
	}
	f.Worth = math.Abs(worst.Error) >= worst.LetBe
	f.WorthText = fmt.Sprintf("A reading of λ %.2f is %.4f λ off, which is less than the %.4f λ that are let be there: not worth typing in by hand.", worst.Lambda, math.Abs(worst.Error), worst.LetBe)
	if f.Worth {
		f.WorthText = fmt.Sprintf("A reading of λ %.2f is %.4f λ off, and no more than %.4f λ are let be there: worth correcting.", worst.Lambda, math.Abs(worst.Error), worst.LetBe)
	}
	if f.AssumedOffset {
		l := f.Levels[len(f.Levels)-1]
		f.WorthText = "If it is a loss: " + strings.ToLower(f.WorthText[:1]) + f.WorthText[1:] +
			fmt.Sprintf(" If it is a shifted ground, every reading is %.4f λ off.", math.Abs(law.Slope()*(l.Seen-l.Known)))
	}
	if f.AssumedOffset && f.tooHigh() {
		return // it is not to be applied, so it is not to be typed in anywhere else
	}
	ends := f.found.Chain.Rescale(law)
	for _, p := range []mixture.Point{ends.Low, ends.High} {
		f.Ends = append(f.Ends, End{p.Volts, p.Lambda, p.Lambda * afr})
	}
}

// Of a single level, what is within both stands for nothing.
const (
	smallGain   = 0.006 // part
	smallSigmas = 2.0
)

// words is the finding in plain sentences.
func (f *Finding) words() string {
	switch f.found.Verdict {
	case mixture.Agrees:
		return fmt.Sprintf("The chain is well: what the controller puts out arrives, to within %.4f λ.", max(0.0005, f.found.Within()))
	case mixture.GainLike:
		return f.lossWords() + " What to look for: a thin or corroded wire, a poor connector, or an output whose own resistance works into a divider of a low one. A correction holds."
	case mixture.OffsetLike:
		return f.shiftWords() + " " + groundCure
	case mixture.GainAndOffset:
		text := "Both a line loss and a shifted ground. " + f.lossWords() + " " + f.shiftWords()
		if !f.Worth && f.opposed() {
			text += " Together they nearly cancel each other between rich and lean, for the time being."
		}
		return text + " " + groundCure
	case mixture.Unclear:
		return fmt.Sprintf("Something is off for certain (gain %.3f, offset %+.0f mV), and these levels do not tell a line loss from a shifted ground: measure one more, further away from them.", f.Gain, 1000*f.Offset)
	case mixture.Disagrees:
		odd := ""
		if len(f.found.Odd) > 0 {
			odd = fmt.Sprintf(" The others agree best without the %s.", LevelText(Stored(f.found.Odd[0], 0)))
		}
		return "The levels contradict each other: no line loss and no shifted ground makes such readings." + odd + " Was every level held while it was measured? Forget them with --clear, and measure again."
	case mixture.WiringFault:
		return fmt.Sprintf("A fault in the wiring, and no calibration: the levels tell a gain of %.3f and an offset of %+.0f mV, and a line loss stays within %.2f to %.2f and a shifted ground within ±%.0f mV. Look at the divider as configured, the wire, and the levels as given.", f.Gain, 1000*f.Offset, mixture.MinGain, mixture.MaxGain, 1000*mixture.MaxOffset)
	}
	if f.found.Fit.Chain.Gain == 0 {
		return "These levels lie too near to 0 V to tell a loss: measure one well above, such as some volts set in the controller's own software."
	}
	if f.AssumedOffset {
		return f.oneLevelWords()
	}
	return fmt.Sprintf("Not enough was seen: λ is known to ±%.3f only. Measure one more level, away from these.", 2*f.found.Sigma(mixture.StoichLambda))
}

// opposed tells whether the loss and the shift move a stoichiometric mixture's reading in opposite directions, and leave together less
// than half of what the larger does alone.
func (f *Finding) opposed() bool {
	loss, shift := f.found, f.found
	loss.Chain.Offset, shift.Chain.Gain = 0, 1
	byLoss, byShift := loss.Effect(mixture.StoichLambda), shift.Effect(mixture.StoichLambda)
	return byLoss*byShift < 0 && math.Abs(byLoss+byShift) < max(math.Abs(byLoss), math.Abs(byShift))/2
}

const groundCure = "Give the input a wire of its own to the controller's signal ground, as a differential pair, or take the board's ground from where the controller has its own. A correction holds only while the currents in that ground stay as they are."

func (f *Finding) lossWords() string {
	percent := 100 * (1 - f.Gain)
	if percent < 0 {
		return fmt.Sprintf("%.1f %% more arrives than the controller puts out, in proportion to the voltage: the divider is not quite as configured.", -percent)
	}
	return fmt.Sprintf("A line loss of %.1f %%: it is lost in proportion to the voltage.", percent)
}

func (f *Finding) shiftWords() string {
	alone := f.found
	alone.Chain.Gain = 1
	error := alone.Effect(mixture.StoichLambda)
	looks, above := "leaner", "above"
	if error < 0 {
		looks = "richer"
	}
	if f.Offset < 0 {
		above = "below"
	}
	text := fmt.Sprintf("A ground shift of %+.0f mV: the controller's ground lies %s the logger's, so every mixture looks %s than it is, by %.4f λ alike.", 1000*f.Offset, above, looks, math.Abs(error))
	if looks == "richer" {
		text += " That is the dangerous side: a lean engine looks safe."
	}
	return text
}

// oneLevelWords is for levels that tell a gain and no offset.
func (f *Finding) oneLevelWords() string {
	l := f.Levels[len(f.Levels)-1]
	deviation := l.Seen - l.Known
	small := math.Abs(deviation) <= max(smallGain*math.Abs(l.Known), smallSigmas*l.Random)
	const more = "One level cannot tell a line loss from a shifted ground: measure a second one, well away from it."
	switch {
	case small:
		return fmt.Sprintf("%.3f V arrive of %.3f V: as it should be. %s", l.Seen, l.Known, "One level alone does not show a loss and a shifted ground that cancel each other: a second one, well away from it, would.")
	case deviation < 0 && !f.Usable:
		return fmt.Sprintf("%.3f V arrive of %.3f V: %.1f %% are missing, and a line loss alone takes no more than %.0f %%. A ground shift may add to it, or the divider is not as configured. %s", l.Seen, l.Known, -100*deviation/l.Known, 100*(1-mixture.MinGain), more)
	case deviation < 0:
		return fmt.Sprintf("%.3f V arrive of %.3f V: %.1f %% are missing, as a line loss of %.1f %% would have it, or a ground shift of %+.0f mV. %s", l.Seen, l.Known, -100*deviation/l.Known, -100*deviation/l.Known, 1000*deviation, more)
	}
	return fmt.Sprintf("%.3f V arrive of %.3f V: more than the controller puts out, which no line loss does. As it seems the controller's ground lies about %.0f mV above the logger's, or the divider is not as configured. %s", l.Seen, l.Known, 1000*deviation, more)
}

// NotToApply says why the finding is none to correct by; empty if it is.
func (f *Finding) NotToApply() string {
	switch {
	case len(f.Levels) == 0:
		return "there is no measured level to apply: measure one with --level first"
	case !f.Usable:
		return "it is no calibration: " + f.Text
	case f.AssumedOffset && f.tooHigh():
		return "one level above what the controller puts out is no line loss, and a gain would hide a shifted ground: measure a second level"
	}
	return ""
}

// tooHigh tells whether more arrives of the highest level than the controller puts out, for certain.
func (f *Finding) tooHigh() bool {
	l := slices.MaxFunc(f.Levels, func(a, b store.Level) int { return cmp.Compare(a.Known, b.Known) })
	return l.Seen-l.Known > max(smallGain*math.Abs(l.Known), smallSigmas*math.Hypot(l.Random, l.Tolerance))
}

// Calibration is the finding as it is kept.
func (f *Finding) Calibration() store.Calibration {
	return store.Calibration{
		Input: f.Input, Gain: f.Gain, Offset: f.Offset, Levels: slices.Clone(f.Levels),
		GainSigma: f.GainSigma, OffsetSigma: f.OffsetSigma, Covariance: f.found.Fit.Covariance, AssumedOffset: f.AssumedOffset,
		Finding: strings.TrimSpace(f.Verdict), Fuel: f.Fuel, PlugPerPin: f.plugPerPin,
	}
}

// Advice is what to do next.
func (f *Finding) Advice() string {
	switch {
	case len(f.Levels) == 0:
		return "Nothing is kept yet. Have the controller hold a level that you know, and measure it with --level."
	case f.NotToApply() != "":
		return "Measure another level with --level, or forget these with --clear."
	case f.AssumedOffset:
		return "Measure a second level with --level, or take this one for a line loss with --apply."
	}
	return "Make it the calibration with --apply, from the next drive on, or with --since DATE for earlier drives too. --clear forgets the levels."
}
