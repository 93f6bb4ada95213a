package channel

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
	"underdash/daemon/timebase"
	"underdash/obd"
	"underdash/store"
)

func TestOBDSamples(t *testing.T) {
	start := time.Now()
	table := New(timebase.New(start))
	at := start.Add(1500 * time.Millisecond)
	for _, row := range []struct {
		name string
		pid  obd.PID
		data []byte
		want []store.Sample
	}{
		{"engine speed of two bytes", 0x0C, []byte{0x1A, 0xF8},
			[]store.Sample{{At: 1500 * time.Millisecond, Half: time.Millisecond, Channel: 0, Code: 0x1AF8}}},
		{"the same again keeps its number", 0x0C, []byte{0x1A, 0xF9},
			[]store.Sample{{At: 1500 * time.Millisecond, Half: time.Millisecond, Channel: 0, Code: 0x1AF9}}},
		{"eight bytes with the top bit set", 0x6A, []byte{0xFF, 0, 0, 0, 0, 0, 0, 1},
			[]store.Sample{{At: 1500 * time.Millisecond, Half: time.Millisecond, Channel: 1, Code: -0x00FFFFFFFFFFFFFF}}},
		{"ten bytes take two channels", 0x70, []byte{7, 0x0C, 0xA0, 0x0D, 0x55, 0, 0, 0, 0, 1},
			[]store.Sample{
				{At: 1500 * time.Millisecond, Half: time.Millisecond, Channel: 2, Code: 0x070CA00D55000000},
				{At: 1500 * time.Millisecond, Half: time.Millisecond, Channel: 3, Code: 1},
			}},
		{"no bytes, no sample", 0x0D, nil, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			got := table.OBD(nil, 0x7E8, obd.CurrentData, row.pid, row.data, at, time.Millisecond)
			assert.Equal(t, row.want, got)
		})
	}
	channels := table.Channels()
	require.Len(t, channels, 4)
	assert.Equal(t, "01.0C@7E8", channels[0].Name)
	assert.Equal(t, "01.70@7E8+8", channels[3].Name)
	assert.Equal(t, &store.OBDChannel{Service: 1, PID: 0x70, From: 0x7E8, Bytes: 2, Part: 1}, channels[3].OBD)
}

func TestTheSameParameterOfAnotherComputerIsAnotherChannel(t *testing.T) {
	start := time.Now()
	table := New(timebase.New(start))
	a := table.OBD(nil, 0x7E8, obd.CurrentData, 0x0D, []byte{40}, start, 0)
	b := table.OBD(nil, 0x7E9, obd.CurrentData, 0x0D, []byte{41}, start, 0)
	assert.NotEqual(t, a[0].Channel, b[0].Channel)
}

func TestAnalogSample(t *testing.T) {
	start := time.Now()
	table := New(timebase.New(start))
	n := table.AddAnalog("wideband", store.AnalogChannel{Kind: "wideband"})
	s := table.Analog(n, analog.Reading{Code: -3, At: start.Add(time.Second), Half: time.Millisecond}, store.Warming)
	assert.Equal(t, store.Sample{At: time.Second, Half: time.Millisecond, Channel: n, Code: -3, Flags: store.Warming}, s)
}

func TestAFullTableRefusesAndCounts(t *testing.T) {
	table := New(timebase.New(time.Now()))
	for i := range Limit {
		table.OBD(nil, obd.Address(i+1), obd.CurrentData, 0x0C, []byte{1, 2}, time.Now(), 0)
	}
	assert.Empty(t, table.OBD(nil, 0x99999, obd.CurrentData, 0x0C, []byte{1, 2}, time.Now(), 0))
	assert.Equal(t, uint64(1), table.Refused())
	assert.Len(t, table.Channels(), Limit)
	assert.Len(t, table.OBD(nil, 1, obd.CurrentData, 0x0C, []byte{1, 2}, time.Now(), 0), 1, "known channels go on")
}
