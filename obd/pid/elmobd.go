//go:build linux || windows

package pid

import (
	"fmt"
	"math"
	"sync"
	"sync/atomic"

	"github.com/rzetterberg/elmobd"

	"underdash/obd"
)

// The parameters that elmobd decodes exactly as the standard says. The rest of its table is left alone: it halves 0E
// in integers, reads the wrong bytes of A4, gives fractions for the percentages 04, 11 and 2F, and rounds 10, 42 and A6
// to float32. elmobd needs tarm/serial, which does not build everywhere, hence the build tag; the table's own decoders
// give the same numbers, and a test holds the two against each other.
//
// elmobd reads text and allocates, so each code is asked of it once. Codes have two bytes at most; all 65536 of them
// take a quarter of a megabyte, allocated when the parameter is first met.
var elmobdTable = [256]*elmobdMemo{
	0x05: memo(1, elmobd.NewCoolantTemperature, func(c *elmobd.CoolantTemperature) float64 { return float64(c.Value) }),
	0x06: memo(1, elmobd.NewShortFuelTrim1, func(c *elmobd.ShortFuelTrim1) float64 { return float64(c.Value) }),
	0x07: memo(1, elmobd.NewLongFuelTrim1, func(c *elmobd.LongFuelTrim1) float64 { return float64(c.Value) }),
	0x08: memo(1, elmobd.NewShortFuelTrim2, func(c *elmobd.ShortFuelTrim2) float64 { return float64(c.Value) }),
	0x09: memo(1, elmobd.NewLongFuelTrim2, func(c *elmobd.LongFuelTrim2) float64 { return float64(c.Value) }),
	0x0A: memo(1, elmobd.NewFuelPressure, func(c *elmobd.FuelPressure) float64 { return float64(c.Value) }),
	0x0B: memo(1, elmobd.NewIntakeManifoldPressure, func(c *elmobd.IntakeManifoldPressure) float64 { return float64(c.Value) }),
	0x0C: memo(2, elmobd.NewEngineRPM, func(c *elmobd.EngineRPM) float64 { return float64(c.Value) }),
	0x0D: memo(1, elmobd.NewVehicleSpeed, func(c *elmobd.VehicleSpeed) float64 { return float64(c.Value) }),
	0x0F: memo(1, elmobd.NewIntakeAirTemperature, func(c *elmobd.IntakeAirTemperature) float64 { return float64(c.Value) }),
	0x1C: memo(1, elmobd.NewOBDStandards, func(c *elmobd.OBDStandards) float64 { return float64(c.Value) }),
	0x1F: memo(2, elmobd.NewRuntimeSinceStart, func(c *elmobd.RuntimeSinceStart) float64 { return float64(c.Value) }),
	0x31: memo(2, elmobd.NewDistSinceDTCClear, func(c *elmobd.DistSinceDTCClear) float64 { return float64(c.Value) }),
	0x33: memo(1, elmobd.NewAbsoluteBarometricPressure, func(c *elmobd.AbsoluteBarometricPressure) float64 { return float64(c.Value) }),
	0x46: memo(1, elmobd.NewAmbientTemperature, func(c *elmobd.AmbientTemperature) float64 { return float64(c.Value) }),
	0x5C: memo(1, elmobd.NewEngineOilTemperature, func(c *elmobd.EngineOilTemperature) float64 { return float64(c.Value) }),
}

// elmobdMemo remembers what elmobd said about each code of one parameter. It may be used by several goroutines.
type elmobdMemo struct {
	bytes int
	ask   func(line string) (float64, error)

	once  sync.Once
	codes []atomic.Uint32 // by code: the float32's bits inverted, so that 0 is "not asked" (it would be a NaN)
}

// memo ties one of elmobd's commands to the way its value is taken out. A command is made anew for each question,
// since it holds its value.
func memo[C elmobd.OBDCommand](bytes int, command func() C, number func(C) float64) *elmobdMemo {
	return &elmobdMemo{bytes: bytes, ask: func(line string) (float64, error) {
		result, err := elmobd.NewResult(line)
		if err != nil {
			return 0, err
		}
		c := command()
		if err := result.Validate(c); err != nil {
			return 0, err
		}
		if err := c.SetValue(result); err != nil {
			return 0, err
		}
		return number(c), nil
	}}
}

// elmobdNumber returns elmobd's value for a code of parameter p, and false if elmobd is not asked about p.
func elmobdNumber(p obd.PID, raw uint32) (float64, bool) {
	m := elmobdTable[p]
	if m == nil {
		return 0, false
	}
	m.once.Do(func() { m.codes = make([]atomic.Uint32, 1<<(8*m.bytes)) })
	if int(raw) >= len(m.codes) {
		return 0, false
	}
	if known := m.codes[raw].Load(); known != 0 {
		return float64(math.Float32frombits(^known)), true
	}
	line := fmt.Sprintf("41 %s %02X", p, raw)
	if m.bytes == 2 {
		line = fmt.Sprintf("41 %s %02X %02X", p, raw>>8, raw&0xFF)
	}
	n, err := m.ask(line)
	if err != nil {
		return 0, false
	}
	m.codes[raw].Store(^math.Float32bits(float32(n)))
	return n, true
}
