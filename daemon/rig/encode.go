package rig

import "math"

// This file writes numbers as an engine computer does: the standard's decoding formulas (SAE J1979 / ISO 15031-5)
// turned round, rounded to the nearest step and held at the ends.

func byteOf(v float64) byte {
	return byte(min(255, max(0, math.Round(v))))
}

func word(v float64) []byte {
	n := uint16(min(65535, max(0, math.Round(v))))
	return []byte{byte(n >> 8), byte(n)}
}

func one(v float64) []byte { return []byte{byteOf(v)} }

func percent(v float64) []byte { return one(v * 255 / 100) }

func celsius(v float64) []byte { return one(v + 40) }

func trim(v float64) []byte { return one((v + 100) * 128 / 100) }

func lambdaWord(v float64) []byte { return word(v * 32768) }

// pumpCurrent is a planar wide-range element's characteristic in mA over λ, from memory of its data sheet; a real
// car's answer 41 34 7B D1 7F CC (λ 0.967, -0.203 mA) lies on it.
var pumpCurrent = []point{
	{0.65, -2.22}, {0.70, -1.82}, {0.80, -1.11}, {0.90, -0.50}, {1.0, 0}, {1.18, 0.33}, {1.43, 0.67}, {1.70, 0.94},
	{2.42, 1.38}, {air, 2.5},
}

// parameter is one PID of service 01 and how its data bytes come about.
type parameter struct {
	pid  byte
	data func(s State) []byte
}

func fixed(b ...byte) func(State) []byte { return func(State) []byte { return b } }

// engineParameters are the engine computer's, in ascending order.
var engineParameters = []parameter{
	{0x01, fixed(0x00, 0x07, 0x61, 0x00)}, // no codes; misfire, fuel, components, catalyst, sensor and heater tested
	{0x03, func(s State) []byte { return []byte{s.FuelStatus, 0} }},
	{0x04, func(s State) []byte { return percent(s.Load) }},
	{0x05, func(s State) []byte { return celsius(s.Coolant) }},
	{0x06, func(s State) []byte { return trim(s.STFT) }},
	{0x07, func(s State) []byte { return trim(s.LTFT) }},
	{0x0B, func(s State) []byte { return one(s.MAP) }},
	{0x0C, func(s State) []byte { return word(s.RPM * 4) }},
	{0x0D, func(s State) []byte { return one(s.Speed) }},
	{0x0E, func(s State) []byte { return one((s.Spark + 64) * 2) }},
	{0x0F, func(s State) []byte { return celsius(s.IntakeAir) }},
	{0x10, func(s State) []byte { return word(s.MAF * 100) }},
	{0x11, func(s State) []byte { return percent(s.Throttle) }},
	{0x13, fixed(0x03)}, // bank 1: one sensor before and one after the catalyst
	{0x15, func(s State) []byte { return []byte{byteOf(afterCatalyst(s) * 200), 0xFF} }},
	{0x1C, fixed(0x06)}, // EOBD
	{0x1F, func(s State) []byte { return word(math.Floor(s.RunTime)) }},
	{0x2F, func(s State) []byte { return percent(s.FuelLevel) }},
	{0x33, func(s State) []byte { return one(s.Baro) }},
	{0x34, func(s State) []byte {
		return append(lambdaWord(s.LambdaECU), word((interpolate(s.LambdaECU, pumpCurrent)+128)*256)...)
	}},
	{0x42, moduleVoltage},
	{0x43, func(s State) []byte { return word(s.LoadAbs * 255 / 100) }},
	{0x44, func(s State) []byte { return lambdaWord(s.CommandedLambda) }},
	{0x46, func(s State) []byte { return celsius(s.OutsideAir) }},
	{0x49, func(s State) []byte { return percent(15 + 0.65*s.Pedal) }}, // a pedal sensor starts above its zero
	{0x4F, fixed(0, 0, 0, 0)}, // scales as in the standard
	{0x50, fixed(0, 0, 0, 0)},
	{0x51, fixed(0x01)}, // petrol
	{0x52, func(State) []byte { return percent(10) }},
}

// gearboxParameters are the transmission computer's.
var gearboxParameters = []parameter{
	{0x01, fixed(0x00, 0x04, 0x00, 0x00)},
	{0x0D, func(s State) []byte { return one(s.Speed) }},
	{0x1C, fixed(0x06)},
	{0x42, func(s State) []byte { s.SupplyVolts -= 0.06; return moduleVoltage(s) }}, // further down the wire
}

func moduleVoltage(s State) []byte { return word(s.SupplyVolts * 1000) }

// afterCatalyst is the switching sensor's voltage after a good catalyst: steady on the rich side, low without fuel.
func afterCatalyst(s State) float64 {
	switch {
	case s.RPM == 0:
		return 0.45
	case s.FuelCut:
		return 0.06
	case s.CommandedLambda < 0.95:
		return 0.86
	}
	return 0.72
}
