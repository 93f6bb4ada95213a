package derive

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/store"
)

func TestUncertainty(t *testing.T) {
	one := store.Level{Kind: "warm-up level", Known: 5, Seen: 4.85}
	two := store.Level{Kind: "bench supply", Known: 0.5, Seen: 0.485, Random: 0.001}
	for _, row := range []struct {
		name string
		c    store.Calibration
		// chain's part at λ = 1, which is 2.5 V, derived: slope 0.175 times what the levels leave there
		chain, within float64
	}{
		// 2.5 V are known to hypot(0.05·2.5, 0.075) V, derived
		{"nothing known: the stated bound", store.Calibration{}, 0.175 * 0.14577, 1e-5},
		{"reckoned from resistances", store.Calibration{Gain: 0.98, Method: "modelled", AssumedOffset: true}, 0.175 * 0.07603 / 0.98, 1e-5},
		{"one level: an offset of 75 mV may stand behind it", store.Calibration{Gain: 0.97, Levels: []store.Level{one}}, 0.175 * 0.075 / 2 / 0.97, 0.0005},
		{"two levels", store.Calibration{Gain: 0.97, Levels: []store.Level{one, two}}, 0.175 * 0.0058 * 0.714, 0.0002},
		{"as it was fitted", store.Calibration{Gain: 1, GainSigma: 0.01, OffsetSigma: 0.02, Covariance: -0.0002}, 0.175 * 0.005, 1e-6},
	} {
		t.Run(row.name, func(t *testing.T) {
			row.c.Input = "wideband"
			meta := store.Meta{Channels: []store.Channel{wide("wideband")}}
			if row.c.Gain != 0 {
				meta.Calibrations = []store.Calibration{row.c}
			}
			s, err := New(given{meta: meta})
			require.NoError(t, err)
			k, ok := s.Correction("wideband")
			require.True(t, ok)
			u, ok := k.Uncertainty(1)
			require.True(t, ok)
			assert.InDelta(t, row.chain, u.Chain, row.within)
			assert.InDelta(t, 0.175*mixture.OutputTolerance, u.Law, 1e-9)
			assert.InDelta(t, mixture.ElementTolerance(1, mixture.Aged500h)/2, u.Element, 1e-9)
			assert.InDelta(t, 0.175*0.001/math.Sqrt(12)/max(row.c.Gain, 0.9999), u.Converter, 2e-6, "steps of 1 mV")
			assert.Contains(t, k.Known(), "at λ 0.85 and ±")
		})
	}
}

func TestUncertaintyChannel(t *testing.T) {
	meta := store.Meta{Channels: []store.Channel{wide("wideband"), parameter(0x7E8, 0x10, 2, 0)},
		Fuel: store.Fuel{Name: "E10", AFRst: 14},
		Calibrations: []store.Calibration{{Input: "wideband", Gain: 1, GainSigma: 0.01, OffsetSigma: 0.02, Covariance: -0.0002,
			Levels: []store.Level{{Kind: "cruise", Known: 2.5, Seen: 2.5, Sigma: 0.006}}}}}
	air := func(at time.Duration, gramsPerSecond int64) store.Sample {
		return store.Sample{At: at, Channel: 1, Code: 100 * gramsPerSecond}
	}
	read := func(at time.Duration, code int64) store.Sample { return store.Sample{At: at, Code: code} }
	s, err := NewWith(given{meta: meta, samples: []store.Sample{
		read(0, 2500), read(1*time.Second, 1500), // λ 1 and 0.825, and nobody tells a flow
		air(2*time.Second, 15), read(2100*time.Millisecond, 1500),
		air(3*time.Second, 80), read(3100*time.Millisecond, 1500), read(3200*time.Millisecond, 2500),
		{At: 4 * time.Second, Code: 4490, Flags: store.AtLimit},
	}}, Options{Uncertainty: true})
	require.NoError(t, err)
	assert.Contains(t, names(s), "wideband lambda uncertainty [1]")
	k, ok := s.Correction("wideband")
	require.True(t, ok)
	// Derived: noise of 6 mV and steps of 1 mV, times the slope.
	one, _ := k.Uncertainty(1)
	assert.InDelta(t, 0.175*math.Hypot(0.006, 0.001/math.Sqrt(12)), one.Converter, 1e-7)
	rich, _ := k.Uncertainty(0.825)
	high := math.Hypot(rich.Total(), 0.005)
	var got []float64
	last := ""
	for v, err := range s.Values() {
		require.NoError(t, err)
		c := s.Channels()[v.Channel]
		if c.Kind == LambdaUncertainty {
			assert.Equal(t, "wideband lambda", last, "beside its λ")
			got = append(got, v.Number)
		}
		if c.Kind == AFR {
			assert.Greater(t, v.Number, 11.0, "λ times the ratio")
		}
		last = c.Name
	}
	assert.InDeltaSlice(t, []float64{2 * one.Total(), 2 * high, 2 * rich.Total(), 2 * high, 2 * one.Total()}, got, 1e-9)
}
