package derive

import (
	"testing"

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
		ok   bool
		// chain's part at λ = 1, which is 2.5 V, derived: slope 0.175 times what the levels leave there
		chain, within float64
	}{
		{"nothing known", store.Calibration{}, false, 0, 0},
		{"one level: an offset of 75 mV may stand behind it", store.Calibration{Gain: 0.97, Levels: []store.Level{one}}, true, 0.175 * 0.075 / 2 / 0.97, 0.0005},
		{"two levels", store.Calibration{Gain: 0.97, Levels: []store.Level{one, two}}, true, 0.175 * 0.0058 * 0.714, 0.0002},
		{"as it was fitted", store.Calibration{Gain: 1, GainSigma: 0.01, OffsetSigma: 0.02, Covariance: -0.0002}, true, 0.175 * 0.005, 1e-6},
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
			require.Equal(t, row.ok, ok)
			if !ok {
				return
			}
			assert.InDelta(t, row.chain, u.Chain, row.within)
			assert.InDelta(t, 0.175*mixture.OutputTolerance, u.Law, 1e-9)
			assert.InDelta(t, mixture.ElementTolerance(1, mixture.Aged500h)/2, u.Element, 1e-9)
			assert.Positive(t, u.Converter)
			assert.Contains(t, k.Known(), "at λ 0.85 and ±")
		})
	}
}
