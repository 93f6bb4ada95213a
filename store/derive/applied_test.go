package derive

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
)

// A calibration that was applied later is in force from its session on, instead of what the session found by itself, and the
// readings stay what they were. λ = 0.65 + (seen/gain − 0.5)·0.175, worked by hand.
func TestAppliedCalibrations(t *testing.T) {
	own := store.Calibration{Input: "wideband", Gain: 0.97, Method: "warm-up level"}
	later := store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 0.95, Offset: 0.05, Method: store.MethodApplied}, From: 5}
	kept := store.Calibration{Input: "wideband", At: -time.Second, Gain: 0.96, Method: store.MethodApplied}
	other := store.Applied{Calibration: store.Calibration{Input: "another", Gain: 0.5}, From: 1}
	for _, row := range []struct {
		name    string
		session uint64
		applied []store.Applied
		lambda  float64
		method  string
		own     []store.Calibration
	}{
		{"none applied", 5, nil, 1, "warm-up level", nil},
		{"one that was applied when it was recorded, without the list", 5, nil, 0.65 + (2.425/0.96-0.5)*0.175, store.MethodApplied, []store.Calibration{kept, own}},
		{"the same with a list", 5, []store.Applied{later}, 0.65 + ((2.425-0.05)/0.95-0.5)*0.175, store.MethodApplied, []store.Calibration{kept, own}},
		{"the same, withdrawn since", 5, []store.Applied{later, {Calibration: store.Calibration{Input: "wideband"}, From: 1, Withdrawn: true}}, 1, "warm-up level", []store.Calibration{own, kept}},
		{"before it applies", 4, []store.Applied{later, other}, 1, "warm-up level", nil},
		{"from its session on", 5, []store.Applied{later, other}, 0.65 + ((2.425-0.05)/0.95-0.5)*0.175, store.MethodApplied, nil},
		{"withdrawn again", 6, []store.Applied{later, {Calibration: store.Calibration{Input: "wideband"}, From: 6, Withdrawn: true}}, 1, "warm-up level", nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			meta := store.Meta{Number: row.session, Channels: []store.Channel{wide("wideband")}, Calibrations: row.own}
			if row.own == nil {
				meta.Calibrations = []store.Calibration{own}
			}
			s, err := NewWith(given{meta: meta, samples: []store.Sample{{Code: 2425}}}, Options{Calibrations: row.applied})
			require.NoError(t, err)
			var got []float64
			for v, err := range s.Values() {
				require.NoError(t, err)
				got = append(got, v.Number)
			}
			assert.InDeltaSlice(t, []float64{2.425, row.lambda}, got, 1e-9)
			k, ok := s.Correction("wideband")
			require.True(t, ok)
			assert.Equal(t, row.method, k.Calibration.Method)
			assert.Equal(t, row.method == store.MethodApplied && row.applied != nil, k.Applied != nil)
		})
	}
}

// Where the scale ends depends on the calibration that a session is read by, not on the one it was recorded with.
func TestLimitsFollowTheCalibration(t *testing.T) {
	meta := store.Meta{Number: 1, Channels: []store.Channel{wide("wideband")}}
	samples := []store.Sample{{Code: 4140}, {Code: 4100}, {Code: 4000}}
	_, got := derive(t, given{meta: meta, samples: samples})
	require.Len(t, got, 6, "by no calibration all three are on the scale")
	s, err := NewWith(given{meta: meta, samples: samples}, Options{Calibrations: []store.Applied{{Calibration: store.Calibration{Input: "wideband", Gain: 0.92}, From: 1}}})
	require.NoError(t, err)
	for range 2 {
		var states []string
		for v, err := range s.Values() {
			require.NoError(t, err)
			if s.Channels()[v.Channel].Kind == Volts {
				states = append(states, v.State)
			}
		}
		assert.Equal(t, []string{HighLimit, HighLimit, ""}, states, "4.14 V is the top; 4.1 V is still near enough; 4 V is not")
	}
}
