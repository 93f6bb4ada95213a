package calibration

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/daemon/config"
)

// converter gives the codes of a voltage at the plug, behind sample's divider: 0.125 mV a code, 16 bits.
type converter struct {
	volts  func(t time.Duration) float64
	start  time.Time
	broken error
}

func (c *converter) Period() time.Duration             { return 0 }
func (c *converter) Close() error                      { return nil }
func (c *converter) Scale() float64                    { return 0.125 }
func (c *converter) Offset() float64                   { return 0 }
func (c *converter) Range() (low, high int32, ok bool) { return -32768, 32767, true }
func (c *converter) Read() (int32, error) {
	code := math.Round(c.volts(time.Since(c.start)) / 1.5 / 0.000125)
	return int32(max(-32768, min(32767, code))), c.broken
}

func TestMeasure(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	noisy := func(sigma float64, w func(time.Duration) float64) func(time.Duration) float64 {
		return func(t time.Duration) float64 { return w(t) + sigma*r.NormFloat64() }
	}
	flat := func(v float64) func(time.Duration) float64 { return func(time.Duration) float64 { return v } }
	for _, row := range []struct {
		name  string
		volts func(time.Duration) float64
		zero  bool // 0 V is the level that was set
		want  Condition
		mean  float64
		says  string
	}{
		{"a level", noisy(0.005, flat(2.5)), false, Held, 2.5, ""},
		{"a level with the ripple of a filtered PWM", func(t time.Duration) float64 { return 2.5 + 0.02*math.Sin(2*math.Pi*33*t.Seconds()) }, false, Held, 2.5, ""},
		{"0 V that was set", noisy(0.002, flat(0.01)), true, Held, 0.01, ""},
		{"0 V otherwise", noisy(0.002, flat(0.01)), false, AtGround, 0.01, "not plugged in"},
		{"the wire touches the battery", flat(12.6), false, AtTop, 6.14, "touches a supply"},
		{"hum on a pin that nothing drives", func(t time.Duration) float64 { return 1 + 0.6*math.Sin(2*math.Pi*50.3*t.Seconds()) }, false, Floating, 1, "floats"},
		{"noise on a pin that nothing drives", noisy(0.35, flat(1.6)), false, Floating, 1.6, "floats"},
		{"a level that creeps", func(t time.Duration) float64 { return 2.5 + 0.03*t.Seconds() }, false, Moving, 2.575, "does not hold a level"},
		{"an engine that idles", func(t time.Duration) float64 { return 2.5 + 0.1*math.Sin(2*math.Pi*1.3*t.Seconds()) }, false, Moving, 2.5, "does not hold a level"},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, err := Measure(t.Context(), &converter{volts: row.volts, start: time.Now()}, sample(), 5*time.Second)
				require.NoError(t, err)
				assert.InDelta(t, 500, s.Readings, 2)
				assert.InDelta(t, row.mean, s.Volts, 0.05)
				assert.Equal(t, row.want, s.Condition(row.zero))
				assert.InDelta(t, 0.0001875, s.Step, 1e-9)
				_, err = Take(mixture.Level{Kind: mixture.SetKind, Known: map[bool]float64{true: 0, false: max(0.1, row.mean)}[row.zero]}, s, "wideband")
				if row.want == Held {
					assert.NoError(t, err)
					return
				}
				var plug *PlugError
				require.ErrorAs(t, err, &plug)
				assert.Contains(t, err.Error(), row.says)
				assert.NotContains(t, err.Error(), "\n")
			})
		})
	}
}

// The mean's uncertainty is honest: noise that hangs together averages away slower than noise that does not, and a spike not at all.
func TestMeasureUncertainty(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, row := range []struct {
		name  string
		tau   float64 // readings that hang together
		sigma float64
		spike bool
	}{{"white noise", 0, 0.005, false}, {"noise that hangs together", 20, 0.005, false}, {"white noise and spikes", 0, 0.005, true}} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				covered := 0
				const runs = 60
				for range runs {
					now, n := 0.0, 0
					volts := func(time.Duration) float64 {
						keep := 0.0
						if row.tau > 0 {
							keep = math.Exp(-1 / row.tau)
						}
						now = keep*now + row.sigma*math.Sqrt(1-keep*keep)*r.NormFloat64()
						if n++; row.spike && n%50 == 7 {
							return 0
						}
						return 2.5 + now
					}
					s, err := Measure(t.Context(), &converter{volts: volts, start: time.Now()}, sample(), 5*time.Second)
					require.NoError(t, err)
					require.Equal(t, Held, s.Condition(false))
					if math.Abs(s.Volts-2.5) < 2.3*s.Sigma { // Student's t at 9 degrees of freedom: 95 %
						covered++
					}
					if row.spike {
						require.InDelta(t, 10, s.Spikes, 1)
						require.Contains(t, s.Warning(), "stood alone")
					}
				}
				assert.Greater(t, covered, runs*85/100)
			})
		})
	}
}

func TestMeasureFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		broken := errors.New("gone")
		_, err := Measure(t.Context(), &converter{volts: func(time.Duration) float64 { return 1 }, broken: broken}, sample(), time.Second)
		require.ErrorIs(t, err, broken)
		a := sample()
		a.Rate = 1
		_, err = Measure(t.Context(), &converter{volts: func(time.Duration) float64 { return 1 }, start: time.Now()}, a, 2*time.Second)
		require.ErrorContains(t, err, "too few to tell anything")
	})
}

func TestRemarks(t *testing.T) {
	held := Seen{Volts: 4.8, Noise: 0.003, Readings: 500, Step: 0.0002}
	assert.Contains(t, held.Remark(sample()), "--level warmup")
	held.Volts = 2.5
	assert.Contains(t, held.Remark(sample()), "λ 1.000")
	assert.NotContains(t, held.Remark(sample()), "warmup")
	held.same = true
	assert.Contains(t, held.Remark(sample()), "one and the same code")
	held.Volts = 0
	assert.Contains(t, held.Remark(sample()), "not plugged in")
	// Where the controller puts out 0 V while it heats, that is no proof of anything.
	parked := sample()
	parked.Warmup = volts(0)
	assert.Contains(t, held.Remark(parked), "heats its sensor, or the plug is out")
	// Nor where it is what the controller puts out in free air.
	falling := sample()
	falling.Low, falling.High = config.Point{Volts: 0, Value: 1.5}, config.Point{Volts: 5, Value: 0.5}
	assert.Contains(t, held.Remark(falling), "has its sensor in free air, or the plug is out")
	held.clipped = 1
	assert.Contains(t, held.Remark(parked), "end of the converter's range")
}

func TestParseLevel(t *testing.T) {
	plain := sample()
	plain.Warmup = nil
	for _, row := range []struct {
		text  string
		kind  mixture.Kind
		known float64
		says  string
	}{
		{"warmup", mixture.WarmupKind, 5, ""},
		{" Warmup ", mixture.WarmupKind, 5, ""},
		{"top", TopKind, 4.5, ""},
		{"ground", mixture.GroundKind, 0, ""},
		{"0", mixture.GroundKind, 0, ""},
		{"0.0 V", mixture.GroundKind, 0, ""},
		{"2.5", mixture.SetKind, 2.5, ""},
		{"2.5V", mixture.SetKind, 2.5, ""},
		{"bench=4.998", mixture.BenchKind, 4.998, ""},
		{"bench=0", mixture.GroundKind, 0, ""},
		{"lambda=1", mixture.SetKind, 2.5, ""},
		{"lambda=0.65", mixture.SetKind, 0.5, ""},
		{"lambda=14.7", "", 0, "λ 14.7 is not on the scale of wideband, which goes from 0.65 to 1.35"},
		{"lambda=", "", 0, "is no level"},
		{"", "", 0, `"" is no level: give warmup, top`},
		{"full", "", 0, `"full" is no level`},
		{"afr=14.7", "", 0, "is no level"},
		{"nan", "", 0, "is no level"},
		{"1e9", "", 0, "outside -1 to 30"},
		{"warmup=5", "", 0, "is no level"},
	} {
		t.Run(row.text, func(t *testing.T) {
			l, err := ParseLevel(row.text, sample())
			if row.says != "" {
				require.ErrorContains(t, err, row.says)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, row.kind, l.Kind)
			assert.InDelta(t, row.known, l.Known, 1e-9)
		})
	}
	_, err := ParseLevel("warmup", plain)
	require.ErrorContains(t, err, "no warm-up level: add it there")
}

func FuzzParseLevel(f *testing.F) {
	for _, text := range []string{"warmup", "2.5", "bench=1", "lambda=0.9", "0", "=", "lambda=inf", "1_0"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		l, err := ParseLevel(text, sample())
		if err == nil && !(l.Known >= mixture.MinVolts && l.Known <= mixture.MaxVolts) {
			t.Fatalf("%q gave %v", text, l.Known)
		}
	})
}

// What cannot be the level that was named is not kept, with the reason.
func TestTakeRefuses(t *testing.T) {
	held := func(v float64) Seen {
		return Seen{Volts: v, Sigma: 0.0005, Noise: 0.003, Step: 0.0002, Readings: 500, single: true}
	}
	take := func(name string, s Seen) (mixture.Level, error) {
		l, err := ParseLevel(name, sample())
		require.NoError(t, err)
		return Take(l, s, "wideband")
	}
	_, err := take("warmup", held(2.5))
	require.ErrorIs(t, err, ErrLevel)
	assert.ErrorContains(t, err, "is not heating its sensor any more")
	_, err = take("4.5", held(2.5))
	require.ErrorIs(t, err, ErrLevel)
	assert.ErrorContains(t, err, "does not hold that level now")

	// A ground below the logger's cannot be seen at 0 V by a converter that reads nothing below.
	_, err = take("ground", held(0.0003))
	require.ErrorIs(t, err, ErrLevel)
	assert.ErrorContains(t, err, "reads nothing below 0 V")
	l, err := take("ground", held(0.05))
	require.NoError(t, err)
	assert.InDelta(t, 0.05, l.Seen, 1e-9)
	pair := held(-0.05)
	pair.single = false
	l, err = take("ground", pair)
	require.NoError(t, err, "a differential pair can")
	assert.InDelta(t, -0.05, l.Seen, 1e-9)
	_, err = take("ground", Seen{Volts: 0.0003, Sigma: 0.0005, Noise: 0.003, Step: 0.0002, Readings: 500})
	require.ErrorIs(t, err, ErrLevel)
	assert.ErrorContains(t, err, "with its plug out")

	kept := Stored(l, 0.003)
	assert.Equal(t, l, Known(kept))
	assert.Equal(t, "grounded of 0.000 V seen as -0.050 V", LevelText(kept))
	l, err = take("top", held(4.48))
	require.NoError(t, err)
	assert.Equal(t, "top of the output of 4.500 V seen as 4.480 V", LevelText(Stored(l, 0.003)), "nobody cut the fuel in the driveway")
}

// Whatever a level at 0 V is called, an input that shows nothing else with its plug out does not show it: the 0 V end is kept only of a
// reading of more than three codes (common practice, no source).
func TestALevelAtZeroByAnyName(t *testing.T) {
	a := sample()
	a.Warmup, a.Low = volts(0), config.Point{Volts: 0, Value: 0.65}
	for _, row := range []struct {
		name, level string
		seen        float64 // volts; a code is 0.2 mV
		says        string  // why it is not kept; empty if it is
	}{
		{"warm-up level of 0 V, plug out", "warmup", 0.0003, "reads nothing below 0 V"},
		{"the mixture at the 0 V end, plug out", "lambda=0.65", 0.0003, "reads nothing below 0 V"},
		{"a bench supply just above 0 V, plug out", "bench=0.02", 0.0003, "a plug that is out"},
		{"three codes", "ground", 0.0006, "reads nothing below 0 V"},
		{"warm-up level of 0 V, a ground above the logger's", "warmup", 0.04, ""},
		{"the mixture at the 0 V end, a ground above the logger's", "lambda=0.65", 0.04, ""},
		{"a bench supply just above 0 V", "bench=0.02", 0.021, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			l, err := ParseLevel(row.level, a)
			require.NoError(t, err)
			_, err = Take(l, Seen{Volts: row.seen, Sigma: 0.0005, Noise: 0.003, Step: 0.0002, Readings: 500, single: true}, a.Name)
			if row.says == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorIs(t, err, ErrLevel)
			assert.ErrorContains(t, err, row.says)
		})
	}
}

func TestAConverterWithoutARange(t *testing.T) {
	// A converter that does not know its range is never at its end.
	synctest.Test(t, func(t *testing.T) {
		c := &converter{volts: func(time.Duration) float64 { return 12.6 }, start: time.Now()}
		s, err := Measure(t.Context(), struct{ Converter }{c}, sample(), time.Second)
		require.NoError(t, err)
		assert.Equal(t, Held, s.Condition(false))
	})

}
