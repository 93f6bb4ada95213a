package daemon

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/daemon/rig"
)

// chainCase is one random chain and what came of it.
type chainCase struct {
	o     rig.Options
	fault string // what is broken; empty for a chain that a correction mends

	readings []float64 // absolute errors of single corrected readings in steady states, two known levels
	two      [2]scored // with two known levels, at λ 1 and 0.85
	free     [2]scored // with what three drives showed by themselves
	finding  mixture.Finding
	wrong    string // why the diagnosis is wrong; empty if it is not
	open     bool   // the diagnosis is left open
}

// scored is an error in λ and the half width of the band that is said to hold 95 % of such errors.
type scored struct{ err, band float64 }

var scoredAt = [2]float64{mixture.StoichLambda, mixture.RichLambda}

// randomChain draws a chain: a loss of up to 10 %, an offset of up to 150 mV, 5 mV of noise, 12 or 16 bits, and a car whose
// other parts are as good as they usually are: the closed loop's λ, the controller's output, the car's own sensor, the heater's
// current in the ground.
func randomChain(seed uint64, length time.Duration) rig.Options {
	r := rand.New(rand.NewPCG(seed, 0xC4A1))
	return rig.Options{
		Length: length, Seed: seed, NoiseVolts: 0.005, Bits: 12 + 4*r.IntN(2),
		LineLoss: 0.1 * r.Float64(), GroundOffset: 0.3*r.Float64() - 0.15,
		ClosedLoopBias: mixture.ClosedLoopTolerance * r.NormFloat64(), OwnSensorError: mixture.OwnSensorTolerance * r.NormFloat64(),
		HeaterOffset: mixture.HeaterTolerance * r.NormFloat64(), OutputError: 0.010,
	}
}

// randomFault breaks a chain.
func randomFault(o rig.Options, kind int) (rig.Options, string) {
	r := rand.New(rand.NewPCG(o.Seed, 0xFA))
	o.Seed += 1 << 32
	switch kind % 6 {
	case 0:
		o.Plug, o.Length = rig.Open, 3*time.Minute
		return o, "not plugged in"
	case 1:
		o.Plug, o.Length = rig.Floating, 3*time.Minute
		return o, "floating"
	case 2:
		o.Plug, o.Length = rig.Frozen, 3*time.Minute
		return o, "frozen"
	case 3:
		o.Plug, o.Length = rig.AtSupply, 3*time.Minute
		return o, "at the supply"
	case 4:
		o.LineLoss = 0.18 + 0.3*r.Float64()
		return o, "half of it missing"
	}
	o.GroundOffset = math.Copysign(0.45+0.4*r.Float64(), o.GroundOffset)
	return o, "a ground far off"
}

// held is what the converter shows on average while the controller holds a level, as a measurement in the driveway sees it.
func held(o rig.Options, volts float64) (seen, random float64) {
	o.Held, o.HeldVolts, o.Length = true, volts, 10*time.Second
	truth, in := rig.New(o).Truth(), virtualInput(o.Bits)
	var mean mixture.Mean
	for at := time.Duration(0); at < 5*time.Second; at += 10 * time.Millisecond {
		mean.Add(at, 0, in.Volts(truth.Code(at)))
	}
	step := in.Volts(1) - in.Volts(0)
	return mean.Value(), math.Hypot(mean.Sigma()/math.Sqrt(float64(mean.N())), step/math.Sqrt(12))
}

// score holds a fit against levels that the controller means as a λ.
func (c *chainCase) score(chain mixture.Chain, fit mixture.Fit) (s [2]scored) {
	law := virtualLevels().Law
	for i, lambda := range scoredAt {
		seen, random := held(c.o, law.Volts(lambda))
		u := mixture.Accuracy{Law: law, Fit: fit, Output: mixture.OutputTolerance, Converter: random}.At(lambda)
		s[i] = scored{law.Lambda(chain.True(seen)) - lambda, 1.96 * u.Electrical()}
	}
	return s
}

// run drives the car and judges.
func (c *chainCase) run(drives int) error {
	if c.fault != "" {
		return c.runFault()
	}
	law := virtualLevels().Law
	var known []mixture.Level
	for _, volts := range []float64{1, 4} {
		seen, random := held(c.o, volts)
		known = append(known, mixture.Level{Kind: mixture.SetKind, Known: volts, Seen: seen, Random: random, Tolerance: mixture.OutputTolerance})
	}
	fit, err := mixture.FitChain(known)
	if err != nil {
		return err
	}
	chain, err := fit.Correction()
	if err != nil {
		c.wrong = "two known levels: " + err.Error()
	}
	c.two = c.score(chain, fit)

	var levels []mixture.Level
	for drive := range drives {
		o := c.o
		o.Seed += uint64(drive) << 40 // the controller's own errors stay: they hang on the lower bits
		w := watchDrive(o)
		if drive == 0 {
			w.each = c.reading(w.truth, law, chain)
		}
		w.drive(o.Seed)
		for _, l := range w.observer.Levels() {
			levels = append(levels, l.Level)
		}
	}
	c.finding = mixture.Judge(virtualLevels(), levels)
	c.free = c.score(c.finding.Chain, c.finding.Fit)
	c.diagnose()
	return nil
}

// reading collects the errors of corrected readings in steady states.
func (c *chainCase) reading(truth *rig.Truth, law mixture.Law, chain mixture.Chain) func(time.Duration, float64, mixture.State) {
	phases, n := truth.Phases(), 0
	return func(at time.Duration, volts float64, s mixture.State) {
		for len(phases) > 0 && at >= phases[0].To {
			phases = phases[1:]
		}
		if n++; len(phases) == 0 || !phases[0].Steady || s != mixture.Valid || n%20 != 0 {
			return
		}
		c.readings = append(c.readings, math.Abs(law.Lambda(chain.True(volts))-truth.At(at-time.Millisecond).LambdaSensor))
	}
}

// runCases runs them side by side.
func runCases(t *testing.T, cases []*chainCase, drives int) {
	work := make(chan *chainCase)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for c := range work {
				if err := c.run(drives); err != nil {
					t.Errorf("chain %+v: %v", c.o, err)
				}
			}
		})
	}
	for _, c := range cases {
		work <- c
	}
	close(work)
	workers.Wait()
}

// share95 is what 95 % of values are no larger than.
func share95(values []float64) float64 {
	slices.Sort(values)
	return values[min(len(values)-1, int(math.Ceil(0.95*float64(len(values))))-1)]
}

// TestNumbersMixtureChains measures, over random chains, what a correction is worth: with two known levels, and with what three drives
// showed by themselves.
func TestNumbersMixtureChains(t *testing.T) {
	quick, seed := numbersMode(t)
	chains, drives := 200, 3
	within, coverLow, coverHigh, wrongMost := 1.0, 0.90, 0.99, 0.02
	if quick {
		// So few chains scatter; what is broken shows all the same.
		chains, within, coverLow, coverHigh, wrongMost = 10, 1.5, 0.70, 1, 0.15
	}
	var cases []*chainCase
	for i := range chains {
		o := randomChain(seed<<20+uint64(i), 20*time.Minute)
		cases = append(cases, &chainCase{o: o})
		broken, what := randomFault(o, i)
		cases = append(cases, &chainCase{o: broken, fault: what})
	}
	runCases(t, cases, drives)

	var readings []float64
	var errs [2][]float64
	covered := map[string]int{}
	for _, c := range cases {
		if c.wrong != "" {
			t.Log(c.wrong)
		}
		if c.fault != "" {
			continue
		}
		readings = append(readings, c.readings...)
		for i := range scoredAt {
			errs[i] = append(errs[i], math.Abs(c.free[i].err))
			for name, s := range map[string]scored{"two known levels": c.two[i], "free references": c.free[i]} {
				if math.Abs(s.err) <= s.band {
					covered[name]++
				}
			}
		}
	}
	require.NotEmpty(t, readings)
	row := func(name string, value, bound float64) {
		number(name, fmt.Sprintf("%.4f", value), fmt.Sprintf("%.4f", bound*within), value <= bound*within)
	}
	row(fmt.Sprintf("λ error, two known levels, 95 %% of steady readings of %d chains", chains), share95(readings), 0.004)
	row(fmt.Sprintf("λ error at 1, free references, 95 %% of %d chains", chains), share95(errs[0]), 0.006)
	row(fmt.Sprintf("λ error at 0.85, free references, 95 %% of %d chains", chains), share95(errs[1]), 0.016)
	for _, name := range []string{"two known levels", "free references"} {
		share := float64(covered[name]) / float64(2*chains)
		number("true errors within the stated 95 %, "+name, fmt.Sprintf("%.1f %%", 100*share), fmt.Sprintf("%.0f to %.0f %%", 100*coverLow, 100*coverHigh), share >= coverLow && share <= coverHigh)
	}
	diagnosisRows(cases, chains, wrongMost)
}
