package derive

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
)

func TestRates(t *testing.T) {
	meta := store.Meta{Channels: []store.Channel{parameter(0x7E8, 0x0C, 2, 0), parameter(0x7E8, 0x24, 4, 0), parameter(0x7E8, 0x51, 1, 0), parameter(0x7E8, 0x0D, 1, 0)},
		Static: []store.Static{{From: 0x7E8, Service: 1, PID: 0x13, Payload: []byte{0x41, 0x13, 3}}}}
	s := time.Second
	samples := []store.Sample{{At: 0, Code: 4000}, {At: 1 * s, Code: 8000}, {At: 2 * s, Code: 12000}, {At: 4 * s, Code: 8000},
		{At: 1 * s, Channel: 1, Code: 0}, {At: 2 * s, Channel: 1, Code: 0x80002000}, {At: 3 * s, Channel: 1, Code: 0xFFFF2000},
		{At: 2 * s, Channel: 2, Code: 1}}
	session, err := New(given{meta: meta, samples: samples})
	require.NoError(t, err)
	rates, err := session.Rates()
	require.NoError(t, err)
	by := map[string]Rate{}
	for i, c := range session.Channels() {
		by[c.Name] = rates[i]
	}
	assert.Equal(t, Rate{Readings: 4, PerSecond: 0.75, WorstGap: 2 * s, Min: 1000, Mean: 2000, Max: 3000}, by["RPM"])
	lambda := by["LAMBDA11"]
	assert.Equal(t, Rate{Readings: 3, Missing: 2, PerSecond: 1, WorstGap: s, Min: 1, Mean: 1, Max: 1}, lambda, "a marker and an end of the range are no measurements")
	assert.Equal(t, 1, by["FUEL_TYP"].Readings)
	assert.Zero(t, by["FUEL_TYP"].PerSecond)
	assert.True(t, math.IsNaN(by["FUEL_TYP"].Mean), "a state has no mean")
	assert.Zero(t, by["VSS"].Readings)
	assert.True(t, math.IsNaN(by["VSS"].Min))
}

func TestRatesOfADamagedSession(t *testing.T) {
	meta := store.Meta{Channels: []store.Channel{parameter(0x7E8, 0x0C, 2, 0)}}
	samples := []store.Sample{{Code: 4}, {At: time.Second, Code: 8}}
	damage := &store.BlockError{Session: "00001", Err: errors.New("damaged")}
	session, err := New(given{meta: meta, samples: samples, err: damage})
	require.NoError(t, err)
	rates, err := session.Rates()
	require.ErrorIs(t, err, damage)
	assert.Equal(t, 2, rates[0].Readings, "what is not damaged counts")

	broken := errors.New("broken")
	session, err = New(given{meta: meta, samples: samples, err: broken})
	require.NoError(t, err)
	_, err = session.Rates()
	assert.ErrorIs(t, err, broken)
}
