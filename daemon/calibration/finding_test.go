package calibration

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
)

func volts(v float64) *float64 { return &v }

// sample is the invented scale of 0.5 to 4.5 V for λ 0.65 to 1.35, with 5 V while the controller heats.
func sample() config.Analog {
	return config.Analog{Name: "wideband", Kind: config.Wideband, Device: "d", Channel: "voltage0", Divider: 1.5, Rate: 100,
		Low: config.Point{Volts: 0.5, Value: 0.65}, High: config.Point{Volts: 4.5, Value: 1.35}, Warmup: volts(5)}
}

// seenThrough are levels as a chain shows them, with a little noise left in their means.
func seenThrough(t *testing.T, a config.Analog, c mixture.Chain, names ...string) (levels []store.Level) {
	t.Helper()
	r := rand.New(rand.NewPCG(5, 6))
	for _, name := range names {
		l, err := ParseLevel(name, a)
		require.NoError(t, err)
		got, err := Take(l, Seen{Volts: c.Seen(l.Known) + 0.0005*r.NormFloat64(), Sigma: 0.0005, Noise: 0.005, Step: 0.0001875, Readings: 500}, a.Name)
		require.NoError(t, err)
		levels = append(levels, Stored(got, 0.005))
	}
	return levels
}

// Each fault of the wiring ends in the finding that names it, and in no other.
func TestFindingsInPlainWords(t *testing.T) {
	for _, row := range []struct {
		name    string
		chain   mixture.Chain
		levels  []string
		verdict mixture.Verdict
		says    []string
		not     []string
		worth   bool
		apply   bool // it may be made the calibration
	}{
		{"nothing wrong", mixture.Chain{}, []string{"4.5", "0.5"}, mixture.Agrees, []string{"The chain is well"}, []string{"loss", "ground"}, false, true},
		{"4 % loss, two levels", mixture.Chain{Gain: 0.96}, []string{"warmup", "2.5"}, mixture.GainLike, []string{"A line loss of 4.0 %", "wire"}, []string{"ground shift"}, true, true},
		{"4 % loss, two levels set", mixture.Chain{Gain: 0.96}, []string{"4.5", "0.5"}, mixture.GainLike, []string{"A line loss of 4.0 %"}, []string{"ground shift"}, true, true},
		{"100 mV of ground shift", mixture.Chain{Offset: 0.1}, []string{"4.5", "lambda=0.7"}, mixture.OffsetLike, []string{"A ground shift of +100 mV", "above", "leaner", "0.017", "differential"}, []string{"line loss of", "dangerous"}, true, true},
		{"100 mV below", mixture.Chain{Offset: -0.1}, []string{"4.5", "0.5"}, mixture.OffsetLike, []string{"A ground shift of -100 mV", "below", "richer", "dangerous"}, []string{"line loss of"}, true, true},
		{"both", mixture.Chain{Gain: 0.96, Offset: 0.1}, []string{"warmup", "0.5"}, mixture.GainAndOffset, []string{"Both", "A line loss of 4.", "A ground shift of +", "leaner", "nearly cancel"}, []string{"richer"}, false, true},
		{"both, a bench supply", mixture.Chain{Gain: 0.96, Offset: 0.1}, []string{"bench=4.5", "bench=0.5"}, mixture.GainAndOffset, []string{"Both", "A line loss of 4.0 %", "A ground shift of +100 mV"}, nil, false, true},
		{"both, adding up", mixture.Chain{Gain: 0.96, Offset: -0.1}, []string{"bench=4.5", "bench=0.5"}, mixture.GainAndOffset, []string{"Both", "dangerous"}, []string{"cancel"}, true, true},
		{"both, small and adding up", mixture.Chain{Gain: 0.985, Offset: -0.025}, []string{"bench=4.5", "bench=0.5"}, mixture.GainAndOffset, []string{"Both", "A line loss of 1.5 %"}, []string{"cancel"}, false, true},
		{"4 % loss, one level", mixture.Chain{Gain: 0.96}, []string{"warmup"}, mixture.NotEnough, []string{"4.800 V arrive of 5.000 V", "4.0 % are missing", "line loss", "-200 mV", "measure a second"}, nil, true, true},
		{"100 mV of ground shift, one level", mixture.Chain{Offset: 0.1}, []string{"warmup"}, mixture.NotEnough, []string{"5.100 V arrive of 5.000 V", "which no line loss does", "100 mV above"}, nil, false, false},
		{"one level as it should be", mixture.Chain{}, []string{"warmup"}, mixture.NotEnough, []string{"as it should be"}, []string{"missing"}, false, true},
		{"a divider that is half as large", mixture.Chain{Gain: 0.85, Offset: 0.25}, []string{"4.5", "1.5"}, mixture.WiringFault, []string{"A fault in the wiring", "gain of 0.850"}, nil, false, false},
		{"a level of 0 V alone", mixture.Chain{Offset: 0.05}, []string{"0"}, mixture.NotEnough, []string{"too near to 0 V"}, nil, false, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			f := Judge(sample(), seenThrough(t, sample(), row.chain, row.levels...), 14.7)
			assert.Equal(t, row.verdict.String(), f.Verdict, f.Text)
			for _, words := range row.says {
				assert.Contains(t, f.Text, words)
			}
			for _, words := range row.not {
				assert.NotContains(t, f.Text, words)
			}
			assert.Equal(t, row.worth, f.Worth)
			assert.Equal(t, row.apply, f.NotToApply() == "", "%q", f.NotToApply())
			for _, e := range f.Effects {
				assert.InDelta(t, e.Lambda+e.Error, e.Reads, 1e-12)
			}
		})
	}
}

func TestNotToApply(t *testing.T) {
	for _, row := range []struct {
		name   string
		chain  mixture.Chain
		levels []string
		says   string
	}{
		{"nothing measured", mixture.Chain{}, nil, "no measured level"},
		{"a wiring fault", mixture.Chain{Gain: 0.85, Offset: 0.25}, []string{"4.5", "1.5"}, "it is no calibration"},
		{"one level that is too high", mixture.Chain{Offset: 0.15}, []string{"4.5"}, "measure a second level"},
		{"one level with a loss", mixture.Chain{Gain: 0.96}, []string{"4.5"}, ""},
		{"two levels with a shift", mixture.Chain{Offset: 0.15}, []string{"4.5", "0.5"}, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			f := Judge(sample(), seenThrough(t, sample(), row.chain, row.levels...), 14.7)
			if row.says == "" {
				assert.Empty(t, f.NotToApply())
				c := f.Calibration()
				assert.InDelta(t, row.chain.Seen(2.5), mixture.Chain{Gain: c.Gain, Offset: c.Offset}.Seen(2.5), 0.01)
				assert.Positive(t, c.GainSigma)
				return
			}
			assert.Contains(t, f.NotToApply(), row.says)
		})
	}
}

// The trade's worked example: a controller that puts out 7.35 to 22.39 AFR over 0 to 5 V, seen as 4.85 V at its 5 V level, gives the new
// upper end 7.35 + (22.39 − 7.35)/4.85 × 5 = 22.86; a deficit of 0.15 V is not worth correcting, 0.2 V is (common practice, no
// source).
func TestTheTradesWorkedExample(t *testing.T) {
	a := sample()
	a.Low, a.High = config.Point{Volts: 0, Value: 7.35 / 14.7}, config.Point{Volts: 5, Value: 22.39 / 14.7}
	one := func(seen float64) Finding {
		return Judge(a, []store.Level{{Kind: string(mixture.SetKind), Known: 5, Seen: seen, Random: 0.0005, Tolerance: mixture.OutputTolerance}}, 14.7)
	}
	f := one(4.85)
	require.Len(t, f.Ends, 2)
	assert.InDelta(t, 22.86, f.Ends[1].AFR, 0.005)
	assert.InDelta(t, 7.35, f.Ends[0].AFR, 0.005)
	assert.Equal(t, 5.0, f.Ends[1].Volts)
	assert.False(t, f.Worth)
	assert.Contains(t, f.WorthText, "not worth typing in by hand")
	for missing, worth := range map[float64]bool{0.1: false, 0.2: true, 0.3: true} {
		assert.Equal(t, worth, one(5-missing).Worth, "%v V", missing)
	}
	// As λ: 3 % of what is above the λ at 0 V (derived).
	assert.InDelta(t, -0.03*(1-0.5), f.Effects[1].Error, 0.0005)
}

// What is told of a chain that is well holds for the true chain: what was seen of it by two levels of ±10 mV is not known better than they
// are. Two levels at the scale's ends that are known to σ tell λ 1, in their middle, to σ/√2 (derived), and rich and lean worse.
func TestWellToWithinWhatIsKnown(t *testing.T) {
	f := Judge(sample(), seenThrough(t, sample(), mixture.Chain{}, "4.5", "0.5"), 14.7)
	require.Equal(t, mixture.Agrees.String(), f.Verdict)
	var within float64
	_, text, _ := strings.Cut(f.Text, "to within ")
	_, err := fmt.Sscanf(text, "%f λ", &within)
	require.NoError(t, err, f.Text)
	assert.Greater(t, within, 2*0.175*mixture.OutputTolerance/math.Sqrt2)
	assert.Less(t, within, 2*0.175*mixture.OutputTolerance+0.001)
}

// Levels that contradict each other are no calibration.
func TestLevelsThatContradict(t *testing.T) {
	levels := append(seenThrough(t, sample(), mixture.Chain{}, "4.5", "0.5"), seenThrough(t, sample(), mixture.Chain{Offset: 0.2}, "top")...)
	levels[2].Known = 2.5
	levels[2].Seen = 2.8
	f := Judge(sample(), levels, 14.7)
	assert.Equal(t, mixture.Disagrees.String(), f.Verdict, f.Text)
	assert.Contains(t, f.Text, "contradict")
	assert.NotEmpty(t, f.NotToApply())
}

// A level that was not held is found out and named, also where all were set in the same way.
func TestALevelThatWasNotHeld(t *testing.T) {
	for _, row := range []struct {
		name  string
		names []string
		wrong int // of them is off by 150 mV
		says  string
	}{
		{"the middle one of three", []string{"1", "2.5", "4"}, 1, "without the set level of 2.500 V seen as 2.65"},
		{"the highest of three", []string{"1", "2.5", "4"}, 2, "without the set level of 4.000 V seen as 4.15"},
		{"one of four", []string{"1", "2", "3", "4"}, 1, "without the set level of 2.000 V seen as 2.15"},
		{"beside a grounded plug", []string{"0", "2.5", "4"}, 1, "without the set level of 2.500 V seen as 2.65"},
	} {
		t.Run(row.name, func(t *testing.T) {
			chain := mixture.Chain{Offset: 0.01} // a level of 0 V cannot be told from a plug that is out
			levels := seenThrough(t, sample(), chain, row.names...)
			levels[row.wrong].Seen += 0.14
			f := Judge(sample(), levels, 14.7)
			assert.Equal(t, mixture.Disagrees.String(), f.Verdict, f.Text)
			assert.Contains(t, f.Text, row.says)
			assert.False(t, f.Usable)
			assert.Contains(t, f.NotToApply(), "no calibration")
			assert.Empty(t, f.Ends)
		})
	}
}

// One level tells a gain and no offset: where the gain is more than a line loses it is none to correct by, and no offset is made up
// that would explain the rest.
func TestOneLevelTellsNoOffset(t *testing.T) {
	for seen, verdict := range map[float64]mixture.Verdict{4.4: mixture.NotEnough, 4.6: mixture.NotEnough, 4.25: mixture.WiringFault} {
		f := Judge(sample(), seenThrough(t, sample(), mixture.Chain{Gain: seen / 5}, "5"), 14.7)
		assert.Equal(t, verdict.String(), f.Verdict, f.Text)
		assert.Equal(t, seen/5 >= mixture.MinGain, f.Usable)
		assert.InDelta(t, 0, f.Offset, 1e-9)
		assert.InDelta(t, seen/5, f.Gain, 0.001)
		if !f.Usable {
			assert.NotEmpty(t, f.NotToApply())
			assert.Empty(t, f.Ends)
		}
	}
	f := Judge(sample(), seenThrough(t, sample(), mixture.Chain{Gain: 0.88}, "5"), 14.7)
	assert.Contains(t, f.Text, "12.0 % are missing, and a line loss alone takes no more than 10 %")
	f = Judge(sample(), seenThrough(t, sample(), mixture.Chain{Offset: 0.15}, "4.5"), 14.7)
	assert.Empty(t, f.Ends, "one level above what is possible is not to be typed in elsewhere")
}

// What is kept has each level's residual and the fuel.
func TestResidualsAndFuelAreKept(t *testing.T) {
	levels := seenThrough(t, sample(), mixture.Chain{Gain: 0.97, Offset: 0.01}, "4.5", "0.5", "2.5")
	levels[2].Seen += 0.003
	f := Judge(sample(), levels, 14.7)
	f.Fuel = &store.Fuel{Name: "E10", AFRst: 14.1}
	c := f.Calibration()
	require.Len(t, c.Levels, 3)
	for i, l := range c.Levels {
		assert.InDelta(t, l.Seen-(f.Gain*l.Known+f.Offset), l.Residual, 1e-12)
		assert.Zero(t, levels[i].Residual, "what was given is left alone")
	}
	assert.InDelta(t, 0.002, c.Levels[2].Residual, 0.0005, "derived: of three levels of equal weight the middle one keeps two thirds")
	assert.Equal(t, "E10", c.Fuel.Name)
}

// Over random chains with two levels that were set, the finding names what is there, and the correction is right.
func TestFindingsOverRandomChains(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for i := range 200 {
		c := mixture.Chain{Gain: 1 - 0.08*r.Float64(), Offset: 0.3*r.Float64() - 0.15}
		f := Judge(sample(), seenThrough(t, sample(), c, "4.5", "0.5"), 14.7)
		require.True(t, f.Usable, fmt.Sprint(c))
		got := mixture.Chain{Gain: f.Gain, Offset: f.Offset}
		for _, v := range []float64{0.5, 1.6, 2.5, 4.5} {
			require.InDelta(t, v, got.True(c.Seen(v)), 0.005)
		}
		if math.Abs(f.Effects[0].Error) < 0.0075 && math.Abs(f.Effects[2].Error) < 0.0075 {
			continue // it hardly matters, whatever it is
		}
		if math.Abs(1-c.Gain) > 0.02 {
			require.True(t, strings.Contains(f.Text, "line loss"), "%d: %+v: %s", i, c, f.Text)
		}
		if math.Abs(c.Offset) > 0.04 {
			require.True(t, strings.Contains(f.Text, "ground shift"), "%d: %+v: %s", i, c, f.Text)
		}
	}
}
