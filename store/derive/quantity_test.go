package derive

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/store"
)

// What the engine's computer says reaches those that build upon it as the standard's formulas have it (SAE J1979, as published widely):
// λ is word/32768, a trim (A − 128)·100/128 percent.
func TestWhatIsToldOfTheMixture(t *testing.T) {
	for _, row := range []struct {
		name   string
		pid    byte
		bytes  int
		code   int64
		q      mixture.Quantity
		want   float64
		within float64
	}{
		{"a real car's answer 41 34 7B D1 7F CC (an open OBD library's issue tracker)", 0x34, 4, 0x7BD17FCC, mixture.OwnLambda, 0.9673, 0.00005},
		{"commanded 1", 0x44, 2, 0x8000, mixture.CommandedLambda, 1, 0},
		{"commanded 0.85", 0x44, 2, 0x6CCD, mixture.CommandedLambda, 0.85, 0.00005},
		{"commanded as far as it goes", 0x44, 2, 0xFFFF, mixture.CommandedLambda, 1.99997, 0.000005},
		{"the sensor's end, as in a fuel cut", 0x34, 4, 0xFFFF8A00, mixture.OwnLambda, 1.99997, 0.000005},
		{"no trim", 0x06, 1, 0x80, mixture.ShortTrim, 0, 0},
		{"a trim of 85h", 0x06, 1, 0x85, mixture.ShortTrim, 3.906, 0.0005},
		{"a trim of 89h", 0x07, 1, 0x89, mixture.LongTrim, 7.031, 0.0005},
		{"all taken away", 0x06, 1, 0x00, mixture.ShortTrim, -100, 0},
		{"as much as can be", 0x07, 1, 0xFF, mixture.LongTrim, 99.22, 0.005},
		{"closed loop", 0x03, 2, 0x0200, mixture.FuelStatus, 2, 0},
		{"open loop by load or fuel cut", 0x03, 2, 0x0400, mixture.FuelStatus, 4, 0},
		{"open loop, cold", 0x03, 2, 0x0100, mixture.FuelStatus, 1, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			told := tell(t, row.pid, row.bytes, row.code)
			require.Contains(t, told, row.q)
			assert.InDelta(t, row.want, told[row.q], row.within+1e-12)
		})
	}
	// The text of SAE J1979 has it as an example (quoted in a forum): 14.64 × 0.95 is 13.9 of air to fuel.
	assert.InDelta(t, 13.9, 14.64*tell(t, 0x44, 2, 0x799A)[mixture.CommandedLambda], 0.05)
	assert.Empty(t, tell(t, 0x34, 4, 0x00008000), "a word of 0 is a dropout and no λ (a public log)")
}

// Answers of real cars to 03: two fuel systems that differ, and one alone.
func TestFuelStatusOfBothBanks(t *testing.T) {
	for _, row := range []struct {
		name         string
		code         int64
		bank1, bank2 float64
	}{
		{"one fuel system", 0x0200, 2, 2},
		{"one fuel system, open loop", 0x0400, 4, 4},
		{"both closed", 0x0202, 2, 2},
		{"the second still cold", 0x0201, 2, 1},
		{"the first still cold", 0x0104, 1, 4},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.Equal(t, row.bank1, tellBank(t, 1, 0x03, 2, row.code)[mixture.FuelStatus])
			assert.Equal(t, row.bank2, tellBank(t, 2, 0x03, 2, row.code)[mixture.FuelStatus])
		})
	}
}

// tell is what listeners hear of one answer.
func tell(t *testing.T, p byte, bytes int, code int64) map[mixture.Quantity]float64 {
	t.Helper()
	return tellBank(t, 1, p, bytes, code)
}

func tellBank(t *testing.T, bank int, p byte, bytes int, code int64) map[mixture.Quantity]float64 {
	t.Helper()
	s, err := New(given{meta: store.Meta{Channels: []store.Channel{parameter(0x7E8, p, bytes, 0)}}, samples: []store.Sample{{Code: code}}})
	require.NoError(t, err)
	told := map[mixture.Quantity]float64{}
	s.listeners = append(s.listeners, listener{bank, func(_ time.Duration, q mixture.Quantity, v float64) { told[q] = v }})
	for _, err := range s.Values() {
		require.NoError(t, err)
	}
	return told
}

func TestObserveWhatThereIsNot(t *testing.T) {
	s, err := New(given{meta: store.Meta{Channels: []store.Channel{wide("wideband")}}})
	require.NoError(t, err)
	o, err := s.Observe("another")
	require.NoError(t, err)
	assert.Nil(t, o)
	o, err = s.Observe("wideband")
	require.NoError(t, err)
	assert.Empty(t, o.Levels())
	assert.False(t, o.Delay().Fitted)
}
