package mixture

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// level is a level of its own, known to within random.
func level(known, seen, random float64) Level {
	return Level{Kind: BenchKind, Known: known, Seen: seen, Random: random}
}

func TestFitChainTwoLevels(t *testing.T) {
	f, err := FitChain([]Level{level(2.350, 2.1995, 0.005), level(5, 4.770, 0.005)})
	require.NoError(t, err)
	assert.InDelta(t, 0.9700, f.Chain.Gain, 0.00005, "derived: (4.770 − 2.1995)/(5 − 2.350)")
	assert.InDelta(t, -0.0800, f.Chain.Offset, 0.0001, "derived: 2.1995 − 0.97 × 2.350")
	assert.False(t, f.AssumedOffset)
	assert.Zero(t, f.Freedom)
	assert.Equal(t, 1.0, f.Contradiction())
	for _, r := range f.Residuals {
		assert.InDelta(t, 0, r, 1e-9)
	}
}

// Derived: σ²(V) = [(V2−V)/(V2−V1)]²σ1² + [(V−V1)/(V2−V1)]²σ2² on the 10 to 20 AFR scale.
func TestFitChainUncertainty(t *testing.T) {
	l := lawA()
	stoich := level(2.350, 2.350, 0.005/0.13605)
	top := level(5, 5, 0.010)
	ground := level(0, 0, 0.005)
	for _, row := range []struct {
		name   string
		levels []Level
		want   map[float64]float64 // standard uncertainty of λ at λ
	}{
		{"λ = 1 and the top reach badly to the rich side", []Level{stoich, top},
			map[float64]float64{0.75: 0.0085, 0.80: 0.0078, 0.85: 0.0071, 0.90: 0.0064, 1.00: 0.0050, 1.10: 0.0036, 1.20: 0.0024, 1.30: 0.0014}},
		{"0 V and λ = 1", []Level{ground, stoich}, map[float64]float64{0.75: 0.0012, 0.80: 0.0019, 0.85: 0.0027, 0.90: 0.0034, 1.00: 0.0050}},
		{"both ends", []Level{ground, top}, map[float64]float64{0.80: 0.0006, 0.85: 0.0006, 1.00: 0.0007, 1.20: 0.0011}},
	} {
		t.Run(row.name, func(t *testing.T) {
			f, err := FitChain(row.levels)
			require.NoError(t, err)
			for lambda, want := range row.want {
				assert.InDelta(t, want, Accuracy{Law: l, Fit: f}.At(lambda).Chain, 0.0001, "at λ %v", lambda)
			}
		})
	}
}

func TestFitChainOneLevel(t *testing.T) {
	f, err := FitChain([]Level{{Kind: WarmupKind, Known: 5, Seen: 4.85, Random: 0.001}})
	require.NoError(t, err)
	assert.True(t, f.AssumedOffset)
	assert.InDelta(t, 0.97, f.Chain.Gain, 1e-6)
	assert.InDelta(t, 0, f.Chain.Offset, 1e-6)
	assert.InDelta(t, OffsetTolerance/5, f.GainSigma(), 0.0005, "a plausible offset may stand behind it")
	assert.InDelta(t, 0.001/0.97, f.Sigma(5), 0.0003, "the level itself is known well")
	assert.InDelta(t, OffsetTolerance/0.97, f.Sigma(0), 0.001)

	same, err := FitChain([]Level{{Kind: WarmupKind, Known: 5, Seen: 4.85, Random: 0.001}, {Kind: FuelCutKind, Known: 4.9, Seen: 4.76, Random: 0.02}})
	require.NoError(t, err)
	assert.True(t, same.AssumedOffset, "two levels side by side tell no offset")
	assert.InDelta(t, 0.97, same.Chain.Gain, 0.002)
	assert.Equal(t, 1, same.Freedom)
}

func TestFitChainRefused(t *testing.T) {
	_, err := FitChain(nil)
	assert.ErrorIs(t, err, ErrNoLevel)
	_, err = FitChain([]Level{{Known: math.NaN(), Seen: 1}, {Known: 1, Seen: 1, Random: -1}, {Known: 1, Seen: math.Inf(1)}})
	assert.ErrorIs(t, err, ErrNoLevel)
	var fault *GainError
	_, err = FitChain([]Level{level(0, 0.1, 0.001)})
	assert.ErrorAs(t, err, &fault, "0 V alone tells no gain")
	f, err := FitChain([]Level{level(5, 0, 0.001), level(0, 0, 0.001)})
	require.NoError(t, err)
	_, err = f.Correction()
	assert.ErrorContains(t, err, "a gain of 0.000", "nothing arrives at the plug")
}

// What levels share does not average away (derived: σ² = common² + random²/n).
func TestFitChainSharedTolerance(t *testing.T) {
	var many []Level
	for range 100 {
		many = append(many, Level{Kind: CruiseKind, Known: 2.5, Seen: 2.5, Random: 0.01, ClosedLoop: 0.014})
	}
	f, err := FitChain(many)
	require.NoError(t, err)
	assert.InDelta(t, math.Hypot(0.014, 0.001), f.Sigma(2.5), 0.0002)

	for i := range many {
		many[i].Kind, many[i].ClosedLoop, many[i].Tolerance = BenchKind, 0, 0.014
	}
	f, err = FitChain(many)
	require.NoError(t, err)
	assert.InDelta(t, math.Hypot(0.014, 0.01)/10, f.Sigma(2.5), 0.0002, "a bench level is set anew each time")
}

func TestFitCorrection(t *testing.T) {
	at := func(gain, offset, random float64) Fit {
		c := Chain{gain, offset}
		f, err := FitChain([]Level{level(0.5, c.Seen(0.5), random), level(4.5, c.Seen(4.5), random)})
		require.NoError(t, err)
		return f
	}
	for _, row := range []struct {
		name         string
		fit          Fit
		gain, offset float64
		fault        bool
	}{
		{"4 % loss", at(0.96, 0, 0.005), 0.96, 0, false},
		{"150 mV", at(0.93, -0.15, 0.005), 0.93, -0.15, false},
		{"10 % and a little, known badly", at(0.895, 0, 0.02), 0.90, -0.0125, false},
		{"10 % and a little, known well", at(0.895, 0, 0.002), 0, 0, true},
		{"half of it missing", at(0.5, 0, 0.005), 0, 0, true},
		{"more than the controller puts out", at(1.06, 0, 0.002), 0, 0, true},
		{"0.4 V", at(1, 0.4, 0.005), 0, 0, true},
		{"0.31 V, known badly", at(1, 0.31, 0.01), 1.0044, 0.30, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			c, err := row.fit.Correction()
			if row.fault {
				var fault *FaultError
				require.ErrorAs(t, err, &fault)
				assert.ErrorContains(t, err, "a fault in the wiring")
				return
			}
			require.NoError(t, err)
			assert.InDelta(t, row.gain, c.Gain, 0.002)
			assert.InDelta(t, row.offset, c.Offset, 0.002)
		})
	}
}

// A fit of many draws states its own scatter, and χ² has the mean of its degrees of freedom (derived).
func TestFitChainIsCalibrated(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	truth := Chain{0.95, 0.06}
	const n = 4000
	var z2, chi float64
	inside := 0
	for range n {
		common := r.NormFloat64()
		var levels []Level
		for _, known := range []float64{0.8, 2.5, 2.5, 4.5} {
			l := Level{Kind: SetKind, Known: known, Random: 0.004, Tolerance: 0.003}
			off := 0.003 * r.NormFloat64()
			if known == 2.5 {
				l.Kind, l.Tolerance, l.ClosedLoop = CruiseKind, 0, 0.012
				off = 0.012 * common
			}
			l.Seen = truth.Seen(known+off) + 0.004*r.NormFloat64()
			levels = append(levels, l)
		}
		f, err := FitChain(levels)
		require.NoError(t, err)
		z := (f.Chain.True(2.0) - truth.True(2.0)) / f.Sigma(2.0)
		z2 += z * z
		chi += f.ChiSquare
		if f.Contradiction() > 0.05 {
			inside++
		}
	}
	assert.InDelta(t, 1, z2/n, 0.1)
	assert.InDelta(t, 2, chi/n, 0.15)
	assert.InDelta(t, 0.95, float64(inside)/n, 0.015)
}

func TestStatistics(t *testing.T) {
	for _, row := range []struct {
		chi     float64
		freedom int
		tail    float64
	}{
		{3.841, 1, 0.05}, {5.991, 2, 0.05}, {18.307, 10, 0.05}, {10.828, 1, 0.001}, {0.103, 2, 0.95}, {200, 3, 0}, {0, 4, 1}, {7, 0, 1},
	} {
		assert.InDelta(t, row.tail, chiSquareTail(row.chi, row.freedom), 0.0005, "tables of the χ² distribution: %v with %d", row.chi, row.freedom)
	}
	inv, ok := inverse([][]float64{{4, 2}, {2, 3}})
	require.True(t, ok)
	assert.InDeltaSlice(t, []float64{0.375, -0.25}, inv[0], 1e-12, "derived: 1/8 × (3 −2; −2 4)")
	assert.InDeltaSlice(t, []float64{-0.25, 0.5}, inv[1], 1e-12)
	_, ok = inverse([][]float64{{1, 1}, {1, 1}})
	assert.False(t, ok, "singular")

	// Derived: 300 readings with ρ = 0.846 are worth 25, and σ 0.012 gives a standard error of 0.0024.
	n := effective(300, 0.846)
	assert.InDelta(t, 25, n, 0.1)
	assert.InDelta(t, 0.0024, 0.012/math.Sqrt(n), 0.00005)
	assert.Equal(t, 1.0, effective(5, 1))
	assert.InDelta(t, -0.875, correlation([]float64{1, -1, 1, -1, 1, -1, 1, -1}), 1e-9, "derived: −7/8")
}
