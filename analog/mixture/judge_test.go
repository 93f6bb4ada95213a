package mixture

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// shown are the levels that a drive shows of a chain, as exact as the observer states them.
func shown(c Chain, kinds ...Kind) (levels []Level) {
	s := math.Abs(outside().Law.Slope())
	for _, k := range kinds {
		l := Level{Kind: k, Random: Repeatability}
		switch k {
		case WarmupKind:
			l.Known, l.Tolerance = 5, warmupTolerance
		case FuelCutKind:
			l.Known, l.Tolerance = 4.5, OutputTolerance
		case CruiseKind:
			l.Known, l.ClosedLoop = 2.5, ClosedLoopTolerance/s
		case IdleKind:
			l.Known, l.ClosedLoop, l.Tolerance = 2.5, ClosedLoopTolerance/s, IdleTolerance/s
		case OwnSensorKind:
			l.Known, l.ClosedLoop, l.Tolerance = 1.7, ClosedLoopTolerance/s, OwnSensorTolerance*0.14/s
		case BenchKind:
			l.Known, l.Random, l.Tolerance = 1, 0.001, BenchTolerance
		}
		l.Seen = c.Seen(l.Known)
		levels = append(levels, l)
	}
	return levels
}

func TestJudge(t *testing.T) {
	all := []Kind{WarmupKind, CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}
	move := func(levels []Level, k Kind, volts float64) []Level {
		for i := range levels {
			if levels[i].Kind == k {
				levels[i].Seen += volts
			}
		}
		return levels
	}
	noisy := func(levels []Level, volts float64) []Level {
		for i := range levels {
			levels[i].Random = volts
		}
		return levels
	}
	bench := append(shown(Chain{0.96, 0}, BenchKind), Level{Kind: BenchKind, Known: 4.5, Seen: 4.32, Random: 0.001, Tolerance: BenchTolerance})
	for _, row := range []struct {
		name   string
		levels []Level
		want   Verdict
		says   string
		usable bool
	}{
		{"nothing seen", nil, NotEnough, "no known level of the output", false},
		{"a good chain", shown(Chain{1, 0}, all...), Agrees, "The wiring is good", true},
		{"a loss too small to matter", shown(Chain{0.99, 0}, all...), Agrees, "to within", true},
		{"4 % lost", shown(Chain{0.96, 0}, all...), GainLike, "loses 4.0", true},
		{"4 % lost, two bench levels", bench, GainLike, "The line loses 4.0 ± 0.2 %", true},
		{"the ground 100 mV higher", shown(Chain{1, 0.1}, all...), OffsetLike, "mV above the logger's", true},
		{"the ground 120 mV lower", shown(Chain{1, -0.12}, all...), OffsetLike, "mV below the logger's", true},
		{"both", shown(Chain{0.93, 0.12}, all...), GainAndOffset, "and the controller's ground is 120", true},
		{"one certain, of the other less than half", shown(Chain{0.93, 0.04}, all...), GainLike, "The line loses", true},
		{"what may matter and may be nothing", noisy(shown(Chain{0.98, 0}, CruiseKind, IdleKind), 0.03), NotEnough, "Not enough was seen yet", true},
		{"either", shown(Chain{0.98, -0.04}, all...), Unclear, "not clear yet", true},
		{"the warm-up level alone", shown(Chain{0.96, 0}, WarmupKind), NotEnough, "a gain of 0.960, if the grounds do not differ", true},
		{"λ = 1 alone", shown(Chain{0.96, 0}, CruiseKind), NotEnough, "Not enough was seen yet (cruise)", true},
		{"cruise without a leak, idle with one", move(shown(Chain{0.96, 0}, all...), IdleKind, 0.13), LeakLike, "Idling looks leaner than cruising by 0.023", true},
		{"a top that is not the controller's", move(shown(Chain{1, 0}, all...), FuelCutKind, 0.25), Disagrees, "contradicts itself", false},
		{"half of it missing", shown(Chain{0.5, 0}, all...), WiringFault, "a gain of 0.500", false},
		{"half a volt off", shown(Chain{1, 0.5}, all...), WiringFault, "an offset of +0.5", false},
	} {
		t.Run(row.name, func(t *testing.T) {
			f := Judge(outside(), row.levels)
			assert.Equal(t, row.want.String(), f.Verdict.String())
			assert.Contains(t, f.Text(), row.says)
			assert.Equal(t, row.usable, f.Usable)
			if !row.usable {
				assert.Zero(t, f.Chain)
			}
		})
	}
	odd := Judge(outside(), move(shown(Chain{1, 0}, all...), FuelCutKind, 0.25))
	require.Len(t, odd.Odd, 1)
	assert.Equal(t, FuelCutKind, odd.Odd[0].Kind)
}

// Derived on the 10 to 20 AFR scale: a full-scale deficit as gain moves λ by −(d/5)(λ − λ at 0 V), as offset by slope times d.
func TestFindingEffect(t *testing.T) {
	for missing, want := range map[float64][2]float64{0.1: {-0.0034, -0.0064}, 0.2: {-0.0068, -0.0128}, 0.25: {-0.0085, -0.0160}, 0.3: {-0.0102, -0.0192}} {
		f := Finding{law: lawA(), Chain: Chain{Gain: 1 - missing/5}}
		assert.InDelta(t, want[0], f.Effect(RichLambda), 0.00005, "%v V missing", missing)
		assert.InDelta(t, want[1], f.Effect(StoichLambda), 0.00005)
	}
	f := Finding{law: lawA(), Chain: Chain{Gain: 1, Offset: -0.25}}
	assert.InDelta(t, -0.0340, f.Effect(RichLambda), 0.00005)
	assert.InDelta(t, -0.0340, f.Worst(), 0.00005)
}

// Derived: how gain and offset show at λ = 1 and at the top tells one from the other; r is 0.47 for a loss and 1 for a shift.
func TestTwoLevelsTellLossFromShift(t *testing.T) {
	r := func(c Chain) float64 { return (c.Seen(2.350) - 2.350) / (c.Seen(5) - 5) }
	assert.InDelta(t, 0.470, r(Chain{Gain: 0.95}), 0.0005)
	assert.InDelta(t, 1.000, r(Chain{Gain: 1, Offset: -0.25}), 0.0005)
	// And so they are judged, from cruise and fuel cut, each as well known as a session knows it.
	l := Levels{Law: lawA()}
	for want, c := range map[Verdict]Chain{GainLike: {Gain: 0.95}, OffsetLike: {Gain: 1, Offset: -0.25}} {
		f := Judge(l, []Level{
			{Kind: CruiseKind, Known: 2.350, Seen: c.Seen(2.350), ClosedLoop: ClosedLoopTolerance / lawA().Slope()},
			{Kind: FuelCutKind, Known: 5, Seen: c.Seen(5), Tolerance: OutputTolerance},
		})
		assert.Equal(t, want.String(), f.Verdict.String())
		assert.InDelta(t, c.Gain, f.Chain.Gain, 0.0001)
		assert.InDelta(t, c.Offset, f.Chain.Offset, 0.0001)
	}
}

// The wrong verdicts of many chains, with levels as wrong as their uncertainties say: a loss called a shift or the other way
// round, or a chain that a correction mends called a fault.
func TestJudgeIsSeldomWrong(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n = 3000
	wrong := 0
	for range n {
		truth := Chain{1 - 0.1*r.Float64(), 0.3*r.Float64() - 0.15}
		var shared [3]float64
		for i := range shared {
			shared[i] = r.NormFloat64()
		}
		var levels []Level
		for range 3 { // drives
			for i, l := range shown(Chain{1, 0}, CruiseKind, FuelCutKind, OwnSensorKind) {
				l.Seen = truth.Seen(l.Known+l.Tolerance*shared[i]+l.ClosedLoop*shared[0]) + 0.002*r.NormFloat64()
				levels = append(levels, l)
			}
		}
		f := Judge(outside(), levels)
		loss, shift := (1-truth.Gain)*2.5, math.Abs(truth.Offset)
		if f.Verdict == GainLike && shift > loss || f.Verdict == OffsetLike && loss > shift || !f.Usable || f.Verdict == NotEnough {
			wrong++
		}
	}
	assert.Less(t, float64(wrong)/n, 0.02)
}

func TestTrend(t *testing.T) {
	line := func(slope, scatter float64, seed uint64) (points []TrendPoint) {
		r := rand.New(rand.NewPCG(seed, 1))
		for i := range 8 {
			points = append(points, TrendPoint{float64(i), 2.4 + slope*float64(i) + scatter*r.NormFloat64(), 0.005})
		}
		return points
	}
	moving := FitTrend(line(0.01, 0.005, 1))
	assert.True(t, moving.Moves())
	assert.InDelta(t, 0.01, moving.Slope, 3*moving.Sigma)
	false1 := 0
	for seed := range uint64(500) {
		if FitTrend(line(0, 0.02, seed)).Moves() {
			false1++
		}
	}
	assert.Less(t, false1, 20, "one in a hundred where nothing moves, scatter or not")
	assert.False(t, FitTrend(line(0.01, 0, 1)[:2]).Moves(), "two points are no trend")
	assert.False(t, FitTrend([]TrendPoint{{1, 1, 1}, {1, 2, 1}, {1, 3, 1}}).Moves(), "nor is a day")

	for _, row := range []struct {
		t       float64
		freedom int
		tail    float64
	}{{12.706, 1, 0.05}, {4.303, 2, 0.05}, {2.228, 10, 0.05}, {3.169, 10, 0.01}, {0, 5, 1}} {
		assert.InDelta(t, row.tail, studentTail(row.t, row.freedom), 0.0005, "tables of Student's distribution: %v with %d", row.t, row.freedom)
	}

	sessions := [][]Level{shown(Chain{1, 0}, CruiseKind, FuelCutKind), shown(Chain{1, 0.03}, CruiseKind), shown(Chain{1, 0.06}, CruiseKind, FuelCutKind), shown(Chain{1, 0.09}, CruiseKind)}
	drifts := Drifts([]float64{0, 1, 2, 3}, sessions)
	require.Len(t, drifts, 2)
	assert.Equal(t, CruiseKind, drifts[0].Kind)
	assert.True(t, drifts[0].Trend.Moves())
	assert.InDelta(t, 0.03, drifts[0].Trend.Slope, 0.0001)
	assert.Equal(t, 2, drifts[1].Trend.N)
}

// What is said of a good chain holds for rich and lean mixtures too, which are known worse than λ = 1 by levels that lie about it; and
// levels that all lie at λ = 1 do not tell that a chain is good.
func TestWithinHoldsForEveryMixture(t *testing.T) {
	for _, kinds := range [][]Kind{{CruiseKind, FuelCutKind}, {WarmupKind, CruiseKind}, {WarmupKind, CruiseKind, FuelCutKind}} {
		f := Judge(outside(), shown(Chain{1, 0}, kinds...))
		require.Equal(t, Agrees, f.Verdict, "%v", kinds)
		for _, lambda := range []float64{RichLambda, StoichLambda, LeanLambda} {
			assert.GreaterOrEqual(t, f.Within(), 2*f.Sigma(lambda))
		}
		assert.Greater(t, f.Within(), 2*f.Sigma(StoichLambda))
		assert.Contains(t, f.Text(), fmt.Sprintf("to within %.3f", f.Within()))
	}
	f := Judge(outside(), shown(Chain{0.95, 0.125}, CruiseKind, IdleKind)) // reads λ 1 as it is
	assert.Equal(t, NotEnough, f.Verdict, f.Text())
}

// A level that drives show again and again, and each time otherwise, is known no better than it moves.
func TestALevelThatMovesFromDriveToDrive(t *testing.T) {
	var levels []Level
	for i := range 6 {
		levels = append(levels, shown(Chain{1, 0.03 * float64(i%2*2-1)}, CruiseKind)...)
	}
	f := Judge(outside(), levels)
	assert.Equal(t, NotEnough, f.Verdict, f.Text())
	assert.True(t, f.Usable)
	plain, err := FitChain(levels)
	require.NoError(t, err)
	require.Less(t, plain.Contradiction(), 0.001)
	assert.InDelta(t, plain.ChiSquare/float64(plain.Freedom), f.Fit.GainVariance/plain.GainVariance, 1e-9)
}
