//go:build linux || windows

package pid

import (
	"fmt"
	"slices"
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

// disagreement is an answer that elmobd reads otherwise than the standard.
type disagreement struct {
	name    string
	line    string
	command elmobd.OBDCommand
	theirs  string  // what elmobd prints
	ours    float64 // SAE J1699-3
	signal  int
}

func disagreements() []disagreement {
	return []disagreement{
		{"timing advance is in half degrees", "41 0E 95", elmobd.NewTimingAdvance(), "10.000000", 10.5, 0},
		{"timing advance, before the top", "41 0E 8F", elmobd.NewTimingAdvance(), "7.000000", 7.5, 0},
		{"timing advance, small", "41 0E 81", elmobd.NewTimingAdvance(), "0.000000", 0.5, 0},
		{"timing advance, large", "41 0E C3", elmobd.NewTimingAdvance(), "33.000000", 33.5, 0},
		{"load is a percentage, not a fraction", "41 04 2E", elmobd.NewEngineLoad(), "0.180392", 46 * 100.0 / 255, 0},
		{"throttle is a percentage", "41 11 28", elmobd.NewThrottlePosition(), "0.156863", 40 * 100.0 / 255, 0},
		{"fuel level is a percentage", "41 2F 5C", elmobd.NewFuel(), "0.360784", 92 * 100.0 / 255, 0},
		{"air flow is rounded to float32", "41 10 6B 01", elmobd.NewMafAirFlowRate(), "273.929993", 273.93, 0},
		{"the gear ratio is in the last two bytes", "41 A4 03 40 0B B8", elmobd.NewTransmissionActualGear(), "0.832000", 3, 1},
		{"odometer is rounded to float32", "41 A6 01 2D 68 7D", elmobd.NewOdometer(), "1975308.375000", 1975308.5, 0},
		{"odometer of a real car", "41 A6 00 1C 81 78", elmobd.NewOdometer(), "186815.203125", 186815.2, 0},
		{"module voltage is rounded to float32", "41 42 FF FF", elmobd.NewControlModuleVoltage(), "65.535004", 65.535, 0},
	}
}

// Where elmobd differs from the standard the standard holds.
func TestStandardWinsOverElmobd(t *testing.T) {
	for _, tt := range disagreements() {
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
	t.Run("a full scale of manifold pressure that the car declares", func(t *testing.T) {
		assert.Equal(t, "75", literal(t, elmobd.NewIntakeManifoldPressure(), "41 0B 4B"))
		values, err := Decode(0x0B, []byte{0x4B}, Context{MAPkPa: 340}, nil)
		require.NoError(t, err)
		assert.Equal(t, 100.0, values[0].Number)
	})
	t.Run("a full scale of air flow that the car declares", func(t *testing.T) {
		assert.Equal(t, "40.959999", literal(t, elmobd.NewMafAirFlowRate(), "41 10 10 00"))
		values, err := Decode(0x10, []byte{0x10, 0x00}, Context{MAFgps: 400}, nil)
		require.NoError(t, err)
		assert.InDelta(t, 25.000381, values[0].Number, 1e-6)
	})
	t.Run("monitors", func(t *testing.T) {
		assert.Equal(t, `{"mil_active": true, "dts_amount": 3`, literal(t, elmobd.NewMonitorStatus(), "41 01 83 07 65 04"), "it has the lamp and the count, no monitors")
		s, err := ReadMonitors(0x01, []byte{0x83, 0x07, 0x65, 0x04})
		require.NoError(t, err)
		assert.True(t, s.MIL && s.Codes == 3 && len(s.Monitors) == 10)
	})
}

func literal(t *testing.T, command elmobd.OBDCommand, line string) string {
	t.Helper()
	result, err := elmobd.NewResult(line)
	require.NoError(t, err)
	require.NoError(t, result.Validate(command))
	require.NoError(t, command.SetValue(result))
	return command.ValueAsLit()
}

// Every parameter that elmobd can decode is either asked of it, and agrees in every code, or is named among those that
// differ. Its commands are listed by hand; it has no complete list of its own.
func TestElmobdIsTrustedOrContradicted(t *testing.T) {
	contradicted := map[obd.PID]bool{0x01: true} // monitors, above
	for _, x := range disagreements() {
		contradicted[obd.PID(x.command.ParameterID())] = true
	}
	all := []elmobd.OBDCommand{elmobd.NewMonitorStatus(), elmobd.NewEngineLoad(), elmobd.NewFuel(), elmobd.NewDistSinceDTCClear(),
		elmobd.NewOdometer(), elmobd.NewTransmissionActualGear(), elmobd.NewCoolantTemperature(), elmobd.NewShortFuelTrim1(),
		elmobd.NewLongFuelTrim1(), elmobd.NewShortFuelTrim2(), elmobd.NewLongFuelTrim2(), elmobd.NewFuelPressure(),
		elmobd.NewIntakeManifoldPressure(), elmobd.NewEngineRPM(), elmobd.NewVehicleSpeed(), elmobd.NewTimingAdvance(),
		elmobd.NewIntakeAirTemperature(), elmobd.NewMafAirFlowRate(), elmobd.NewThrottlePosition(), elmobd.NewOBDStandards(),
		elmobd.NewRuntimeSinceStart(), elmobd.NewControlModuleVoltage(), elmobd.NewAmbientTemperature(),
		elmobd.NewEngineOilTemperature(), elmobd.NewAbsoluteBarometricPressure()}
	for _, c := range append(all, elmobd.GetSensorCommands()...) {
		p := obd.PID(c.ParameterID())
		_, ours := Lookup(p)
		assert.True(t, ours, "%s is in the table", p)
		assert.NotEqual(t, elmobdTable[p] != nil, contradicted[p], "%s (%s) is either trusted or contradicted", p, c.Key())
	}
	for p, m := range elmobdTable {
		if m != nil {
			assert.False(t, contradicted[obd.PID(p)], "%02X", p)
		}
	}
}

// 00, 20 and so on: elmobd's reading of a bitmap is the table's.
func TestElmobdAgreesOnBitmaps(t *testing.T) {
	for _, bits := range []string{"BE 1F A8 13", "80 01 80 01", "FF FF FF FF", "00 00 00 01"} {
		c := elmobd.NewPartSupported(1)
		literal(t, c, "41 00 "+bits)
		for p := obd.PID(1); p <= 0x20; p++ {
			assert.Equal(t, slices.Contains(Supported(0, unhex(t, bits)), p), c.SupportsPID(elmobd.OBDParameterID(p)), "%s in %s", p, bits)
		}
	}
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
