//go:build linux || windows

package pid

import (
	"fmt"
	"sync"
	"testing"

	"github.com/rzetterberg/elmobd"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// Every code of every parameter that elmobd is trusted with gives what the table's own decoder gives, to the last bit.
func TestElmobdAgreesWithTheTable(t *testing.T) {
	trusted := 0
	for p, m := range elmobdTable {
		if m == nil {
			continue
		}
		trusted++
		pid := obd.PID(p)
		require.Equal(t, table[p].Bytes, m.bytes, "%s", pid)
		l := table[p].Signals[0].layout
		for code := range uint32(1) << (8 * m.bytes) {
			line := fmt.Sprintf("41 %s %02X", pid, code)
			if m.bytes == 2 {
				line = fmt.Sprintf("41 %s %02X %02X", pid, code>>8, code&0xFF)
			}
			n, err := m.ask(line)
			require.NoError(t, err, line)
			if n != l.number(code) {
				t.Fatalf("%s: elmobd says %v, the table %v", line, n, l.number(code))
			}
		}
	}
	assert.Equal(t, 16, trusted)
}

// Where elmobd differs from the standard the standard holds.
func TestStandardWinsOverElmobd(t *testing.T) {
	for _, tt := range []struct {
		name    string
		line    string
		command elmobd.OBDCommand
		theirs  string  // what elmobd prints
		ours    float64 // SAE J1699-3
		signal  int
	}{
		{"timing advance is in half degrees", "41 0E 95", elmobd.NewTimingAdvance(), "10.000000", 10.5, 0},
		{"timing advance, small", "41 0E 81", elmobd.NewTimingAdvance(), "0.000000", 0.5, 0},
		{"load is a percentage, not a fraction", "41 04 2E", elmobd.NewEngineLoad(), "0.180392", 46 * 100.0 / 255, 0},
		{"throttle is a percentage", "41 11 28", elmobd.NewThrottlePosition(), "0.156863", 40 * 100.0 / 255, 0},
		{"fuel level is a percentage", "41 2F 5C", elmobd.NewFuel(), "0.360784", 92 * 100.0 / 255, 0},
		{"air flow is rounded to float32", "41 10 6B 01", elmobd.NewMafAirFlowRate(), "273.929993", 273.93, 0},
		{"the gear ratio is in the last two bytes", "41 A4 03 40 0B B8", elmobd.NewTransmissionActualGear(), "0.832000", 3, 1},
		{"odometer is rounded to float32", "41 A6 01 2D 68 7D", elmobd.NewOdometer(), "1975308.375000", 1975308.5, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			result, err := elmobd.NewResult(tt.line)
			require.NoError(t, err)
			require.NoError(t, result.Validate(tt.command))
			require.NoError(t, tt.command.SetValue(result))
			assert.Equal(t, tt.theirs, tt.command.ValueAsLit(), "elmobd has changed; look whether it is right now")

			b := unhex(t, tt.line)
			values, err := Decode(obd.PID(b[1]), b[2:], Context{}, nil)
			require.NoError(t, err)
			assert.Equal(t, tt.ours, values[tt.signal].Number)
		})
	}
	t.Run("a trim of two banks", func(t *testing.T) {
		result, err := elmobd.NewResult("41 06 8D 79")
		require.NoError(t, err)
		require.Error(t, result.Validate(elmobd.NewShortFuelTrim1()))
		values, err := Decode(0x06, []byte{0x8D, 0x79}, Context{}, nil)
		require.NoError(t, err)
		require.Len(t, values, 2)
		assert.Equal(t, 10.15625, values[0].Number)
		assert.Equal(t, -5.46875, values[1].Number)
	})
	t.Run("a full scale that the car declares", func(t *testing.T) {
		values, err := Decode(0x0B, []byte{0x4B}, Context{MAPkPa: 340}, nil)
		require.NoError(t, err)
		assert.Equal(t, 100.0, values[0].Number)
	})
}

func TestElmobdIsAskedFromManyGoroutines(t *testing.T) {
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			var values []Value
			for code := range 2000 {
				values, _ = Decode(0x0C, []byte{byte(code >> 8), byte(code)}, Context{}, values[:0])
				if values[0].Number != float64(code)/4 {
					t.Errorf("code %d gave %v", code, values[0].Number)
					return
				}
			}
		})
	}
	wg.Wait()
}
