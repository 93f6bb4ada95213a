package daemon

import (
	"fmt"
	"math"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/rig"
)

// diagnose says what is wrong with the verdict on a chain that a correction mends: a loss called a shift or the other way round by what
// each moves at λ = 1, one of both called there that is not, a chain called well that is off by more than was said, or something called broken where nothing
// is. A deviation of unclear kind, or too little
// seen, is no wrong diagnosis, and none: it is counted by itself.
func (c *chainCase) diagnose() {
	law := virtualLevels().Law
	loss, shift := c.o.LineLoss*law.Volts(1), math.Abs(c.o.GroundOffset)
	v := c.finding.Verdict
	wrong := func(why string) {
		c.wrong = fmt.Sprintf("%v%s: a loss of %.1f %%, a shift of %+.0f mV", v, why, 100*c.o.LineLoss, 1000*c.o.GroundOffset)
	}
	switch v {
	case mixture.GainLike:
		if shift > loss {
			wrong("")
		}
	case mixture.OffsetLike:
		if loss > shift {
			wrong("")
		}
	case mixture.GainAndOffset:
		gain, offset := 1-c.finding.Chain.Gain, c.finding.Chain.Offset
		if !there(gain, c.o.LineLoss) || !there(offset, c.o.GroundOffset) {
			wrong(fmt.Sprintf(" (%.1f %%, %+.0f mV)", 100*gain, 1000*offset))
		}
	case mixture.Agrees:
		for _, lambda := range []float64{mixture.RichLambda, mixture.StoichLambda, mixture.LeanLambda} {
			// Called well is to within what the finding's own words say: what was seen, and twice its uncertainty.
			within := math.Abs(c.finding.Effect(lambda)) + 2*c.finding.Sigma(lambda)
			if does := law.Slope() * (c.o.GroundOffset - c.o.LineLoss*law.Volts(lambda)); math.Abs(does) > within {
				wrong(fmt.Sprintf(", and λ %.2f is off by %+.4f", lambda, does))
			}
		}
	case mixture.Unclear, mixture.NotEnough:
		c.open = true
	default:
		wrong("")
	}
}

// there tells whether at least half of what a finding names is true.
func there(named, true float64) bool { return named*true > 0 && math.Abs(true) >= math.Abs(named)/2 }

// runFault drives a broken chain: wrong is a share of readings that are called valid, or a correction where there is none. A fault that
// the input's state does not tell, and no finding either, is counted by itself.
func (c *chainCase) runFault() error {
	w := watchDrive(c.o)
	valid, all := 0, 0
	w.each = func(at time.Duration, _ float64, s mixture.State) {
		if at > 30*time.Second {
			all++
			if s == mixture.Valid {
				valid++
			}
		}
	}
	w.drive(c.o.Seed)
	var levels []mixture.Level
	for _, l := range w.observer.Levels() {
		levels = append(levels, l.Level)
	}
	c.finding = mixture.Judge(virtualLevels(), levels)
	told := float64(valid) <= 0.01*float64(all)
	switch {
	case c.o.Plug != rig.Plugged && !told:
		c.wrong = fmt.Sprintf("%s, and %.1f %% of the readings are called valid", c.fault, 100*float64(valid)/float64(all))
	case c.finding.Usable && !told:
		c.wrong = fmt.Sprintf("%s, and there is a correction by it; the verdict is %v", c.fault, c.finding.Verdict)
	case c.finding.Verdict != mixture.NotEnough && c.finding.Usable:
		c.wrong = fmt.Sprintf("%s, and the verdict is %v", c.fault, c.finding.Verdict)
	}
	c.open = c.wrong == "" && !told && c.finding.Verdict == mixture.NotEnough
	return nil
}

// diagnosisRows prints how often diagnoses were wrong, of chains that a correction mends and of broken ones, how often they were left open,
// and which they were.
func diagnosisRows(cases []*chainCase, chains int, most float64) {
	for _, broken := range []bool{false, true} {
		name, left := "a correction mends", "left open"
		if broken {
			name, left = "are broken", "of which nothing is told"
		}
		wrong, open := 0, 0
		by, said := map[mixture.Verdict]int{}, map[mixture.Verdict]int{}
		for _, c := range cases {
			if broken != (c.fault != "") {
				continue
			}
			said[c.finding.Verdict]++
			if c.wrong != "" {
				by[c.finding.Verdict]++
				wrong++
			}
			if c.open {
				open++
			}
		}
		share := func(n int) float64 { return float64(n) / float64(chains) }
		number(fmt.Sprintf("wrong diagnoses of %d chains that %s", chains, name), fmt.Sprintf("%.2f %%", 100*share(wrong)), fmt.Sprintf("%.0f %%", 100*most), share(wrong) < most)
		number(fmt.Sprintf("%s, of %d chains that %s", left, chains, name), fmt.Sprintf("%.2f %%", 100*share(open)), "none stated", true)
		for v := mixture.NotEnough; v <= mixture.WiringFault; v++ {
			if by[v] > 0 {
				number(fmt.Sprintf("wrong, of %d findings %q", said[v], v), fmt.Sprint(by[v]), "none stated", true)
			}
		}
	}
}
