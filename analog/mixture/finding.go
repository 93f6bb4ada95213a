package mixture

import (
	"fmt"
	"math"
	"strings"
)

// Text says the finding in plain sentences for the person who may mend it.
func (f Finding) Text() string {
	switch f.Verdict {
	case Agrees:
		return fmt.Sprintf("The wiring is good: %s say that λ is right without a correction, to within %.3f.", f.behind(), max(0.001, f.Within()))
	case GainLike:
		return fmt.Sprintf("The line loses %s of the voltage (resistance in the wire or the plug, the divider). %s", f.lost(), f.effects())
	case OffsetLike:
		return fmt.Sprintf("The controller's ground is %s the logger's. %s Take the logger's ground from the controller's own signal ground.", f.shifted(), f.effects())
	case GainAndOffset:
		return fmt.Sprintf("The line loses %s of the voltage, and the controller's ground is %s the logger's. %s", f.lost(), f.shifted(), f.effects())
	case Unclear:
		return fmt.Sprintf("The voltage is off by %+.0f mV at λ = 1; whether the line loses some or the grounds differ is not clear yet. %s",
			1000*f.Effect(StoichLambda)/f.law.Slope(), f.effects())
	case LeakLike:
		return fmt.Sprintf("Idling looks leaner than cruising by %.3f λ: air leaks into the exhaust ahead of the sensor, or the engine misfires. Mend that before you change any fuelling.", f.Leak)
	case Disagrees:
		least := ""
		if len(f.Odd) > 0 {
			least = fmt.Sprintf(": the %s agrees least", f.Odd[0].Kind)
		}
		return fmt.Sprintf("What is known of the output contradicts itself (%s)%s. An aged sensor, a leak in the exhaust, or a level in the configuration that is not the controller's; nothing is corrected by this.", f.behind(), least)
	case WiringFault:
		return fmt.Sprintf("This is no line loss and no ground shift but a fault: a gain of %.3f and an offset of %+.3f V. Check the plug, the divider and the levels as configured; nothing is corrected by this.",
			f.Fit.Chain.gain(), f.Fit.Chain.Offset)
	}
	if len(f.Fit.Levels) == 0 {
		return "Not enough was seen yet: no known level of the output, such as a warm-up from cold, half a minute of steady cruise, or three fuel cuts."
	}
	if !f.Usable {
		return fmt.Sprintf("Not enough was seen yet (%s): a gain of %.3f, if the grounds do not differ, which is more than a line loses by itself. Nothing is corrected by this before another known level was seen.", f.behind(), f.Fit.Chain.gain())
	}
	return fmt.Sprintf("Not enough was seen yet (%s): a gain of %.3f, if the grounds do not differ. %s", f.behind(), f.Chain.gain(), f.effects())
}

// behind lists the kinds of levels.
func (f Finding) behind() string {
	kinds := f.Fit.Kinds()
	words := make([]string, len(kinds))
	for i, k := range kinds {
		words[i] = string(k)
	}
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

func (f Finding) lost() string {
	return fmt.Sprintf("%.1f ± %.1f %%", 100*(1-f.Chain.gain()), 200*f.Fit.GainSigma())
}

func (f Finding) shifted() string {
	word := "above"
	if f.Chain.Offset < 0 {
		word = "below"
	}
	return fmt.Sprintf("%.0f ± %.0f mV %s", 1000*math.Abs(f.Chain.Offset), 2000*f.Fit.OffsetSigma(), word)
}

// effects says what an uncorrected reading would be wrong by, and how well a corrected one is known.
func (f Finding) effects() string {
	side := func(e float64) string {
		if e < 0 {
			return "richer"
		}
		return "leaner"
	}
	rich, one := f.Effect(RichLambda), f.Effect(StoichLambda)
	return fmt.Sprintf("Uncorrected, λ %.2f reads %.3f %s and λ 1 reads %.3f %s than it is; corrected, both are known to ± %.3f and ± %.3f.",
		RichLambda, math.Abs(rich), side(rich), math.Abs(one), side(one), 2*f.Sigma(RichLambda), 2*f.Sigma(StoichLambda))
}

// Ends are the law's two points as a person would type them into a display that knows no chain: at the same volts, the λ that
// those volts mean when seen at the plug.
func (f Finding) Ends() Law { return f.Chain.Rescale(f.law) }
