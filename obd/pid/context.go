package pid

import (
	"slices"

	"underdash/obd"
)

// Context is what must be known about one engine computer before some of its answers can be read: the full scales that
// it declares by 4F and 50, and how it numbers its oxygen sensors. The zero value is the standard's default. It belongs
// to one sender; another engine computer of the same car may declare other scales.
type Context struct {
	Lambda          float64 // full scale of λ in 24–2B and 34–3B (4F.A); 0 = default
	OxygenVolts     float64 // full scale of the voltage in 24–2B, volt (4F.B); 0 = default
	OxygenMilliamps float64 // full scale of the current in 34–3B, milliampere (4F.C); 0 = default
	MAPkPa          float64 // full scale of 0B, kilopascal (4F.D·10); 0 = default
	MAFgps          float64 // full scale of 10, gram per second (50.A·10); 0 = default

	// CommandedLambda is the full scale of 44 where somebody has decided it; DefaultLambda decides for default scaling.
	// 0 leaves it open, which is right where the car declares no full scale of λ. Where it declares one, SAE J1699-3
	// applies 4F.A to 44 as well, but every real car seen that declares 32 sends 44 in default scaling: 8000h there is
	// a commanded 1.0, where the rule would make it 16. So an open 44 of such a car is read in default scaling only if
	// the rule would make it more than 4, which nobody commands, and is of UnknownScale otherwise. What it is a warm
	// engine's closed loop tells, whose commanded λ is near 1. Note leaves the field alone.
	CommandedLambda float64

	Banks4        bool // the car numbers its sensors by 1D (four banks) instead of 13 (two)
	LocationKnown bool // 13 or 1D was answered; else two banks are an assumption

	// The bitmap 40 lists 4F and 50, and they were answered. A full scale that is listed and was not answered is not
	// known: what depends on it is of UnknownScale, not of default scaling.
	Lists4F, Lists50       bool
	Answered4F, Answered50 bool
}

// DefaultLambda is the full scale of λ in default scaling: 65536 steps of 1/32768.
const DefaultLambda = 2

// highestCommand is a λ that no engine is commanded to burn at.
const highestCommand = 4

// Note takes in an answer to 4F, 50, 13, 1D, or to the bitmap 40, which tells whether there is a 4F and a 50. Other
// parameters and answers of a wrong length are ignored. A car that answers both 13 and 1D breaks the standard; the
// two-bank numbering of 13 then stays.
func (c *Context) Note(p obd.PID, data []byte) {
	t := table[p]
	if t == nil || !t.fits(len(data)) {
		return
	}
	switch p {
	case 0x40:
		listed := Supported(0x40, data)
		c.Lists4F, c.Lists50 = slices.Contains(listed, 0x4F), slices.Contains(listed, 0x50)
	case 0x4F:
		c.Lambda, c.OxygenVolts = float64(data[0]), float64(data[1])
		c.OxygenMilliamps, c.MAPkPa = float64(data[2]), float64(data[3])*10
		c.Answered4F = true
	case 0x50:
		c.MAFgps = float64(data[0]) * 10
		c.Answered50 = true
	case 0x13:
		c.Banks4, c.LocationKnown = false, true
	case 0x1D:
		if !c.LocationKnown {
			c.Banks4, c.LocationKnown = true, true
		}
	}
}

// Signal returns signal index of parameter p as it is called in this car: with four banks the acronyms and names of
// the oxygen sensors follow 1D. The ranges stay those of default scaling.
func (c Context) Signal(p obd.PID, index int) (Signal, bool) {
	t := table[p]
	if t == nil || index < 0 || index >= len(t.Signals) {
		return Signal{}, false
	}
	if c.Banks4 {
		s := sensors1D[p&7^4]
		switch {
		case p >= 0x14 && p <= 0x1B:
			return narrowSignals(s)[index], true
		case p >= 0x24 && p <= 0x2B:
			return wideSignals(s, false)[index], true
		case p >= 0x34 && p <= 0x3B:
			return wideSignals(s, true)[index], true
		}
	}
	return t.Signals[index], true
}

// IsOxygenSensor reports whether parameter p belongs to a sensor whose place in the exhaust 13 or 1D tells: 14 to 1B, 24
// to 2B, 34 to 3B.
func IsOxygenSensor(p obd.PID) bool {
	return p >= 0x14 && p <= 0x1B || p >= 0x24 && p <= 0x2B || p >= 0x34 && p <= 0x3B
}

// CommandedOpen reports whether the scale of 44 takes a decision that has not been made.
func (c Context) CommandedOpen() bool {
	return c.CommandedLambda == 0 && (c.Lists4F && !c.Answered4F || c.Lambda > 0 && c.Lambda != DefaultLambda)
}

// unknown reports whether a raw number cannot be read for want of its full scale.
func (c Context) unknown(m meaning, raw uint32) bool {
	switch m {
	case sensorLambda, sensorVolts, sensorCurrent, manifold:
		return c.Lists4F && !c.Answered4F
	case airFlow:
		return c.Lists50 && !c.Answered50
	case commandedLambda:
		return c.CommandedOpen() && float64(raw)*c.Lambda/65535 <= highestCommand
	}
	return false
}

// scaled is the value of a raw number under this car's full scales.
func (c Context) scaled(l *layout, raw uint32) float64 {
	x := float64(raw)
	switch {
	case l.meaning == sensorLambda && c.Lambda > 0:
		return x * c.Lambda / 65535
	case l.meaning == commandedLambda && c.CommandedLambda > 0 && c.CommandedLambda != DefaultLambda:
		return x * c.CommandedLambda / 65535
	case l.meaning == sensorVolts && c.OxygenVolts > 0:
		return x * c.OxygenVolts / 65535
	case l.meaning == sensorCurrent && c.OxygenMilliamps > 0:
		return (x - 32768) * c.OxygenMilliamps / 32768
	case l.meaning == manifold && c.MAPkPa > 0:
		return x * c.MAPkPa / 255
	case l.meaning == airFlow && c.MAFgps > 0:
		return x * c.MAFgps / 65535
	}
	return l.number(raw)
}

// Scale is the full scale that the car's word gives to signal index of parameter p, in the signal's unit; 0 where the
// standard fixes it. known is false where the car lists the parameter that tells it and did not answer.
func (c Context) Scale(p obd.PID, index int) (full float64, known bool) {
	t := table[p]
	if t == nil || index < 0 || index >= len(t.Signals) {
		return 0, true
	}
	m := t.Signals[index].layout.meaning
	switch m {
	case sensorLambda:
		full = c.Lambda
	case sensorVolts:
		full = c.OxygenVolts
	case sensorCurrent:
		full = c.OxygenMilliamps
	case manifold:
		full = c.MAPkPa
	case airFlow:
		full = c.MAFgps
	case commandedLambda:
		full = c.CommandedLambda
	}
	return full, !c.unknown(m, 0)
}
