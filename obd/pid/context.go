package pid

import "underdash/obd"

// Context is what must be known about one engine computer before some of its answers can be read: the full scales that
// it declares by 4F and 50, and how it numbers its oxygen sensors. The zero value is the standard's default. It belongs
// to one sender; another engine computer of the same car may declare other scales.
type Context struct {
	Lambda          float64 // full scale of λ in 24–2B and 34–3B (4F.A); 0 = default
	OxygenVolts     float64 // full scale of the voltage in 24–2B, volt (4F.B); 0 = default
	OxygenMilliamps float64 // full scale of the current in 34–3B, milliampere (4F.C); 0 = default
	MAPkPa          float64 // full scale of 0B, kilopascal (4F.D·10); 0 = default
	MAFgps          float64 // full scale of 10, gram per second (50.A·10); 0 = default

	// CommandedLambda is the full scale of 44; 0 = default. Note leaves it alone. SAE J1699-3 applies 4F.A to 44 as
	// well, but every real car seen that declares a full scale of 32 sends 44 in default scaling: 8000h there is a
	// commanded 1.0, where the rule would make it 16. So 44 keeps the default unless somebody who has compared its
	// values with a warm engine's closed loop decides otherwise and sets this.
	CommandedLambda float64

	Banks4        bool // the car numbers its sensors by 1D (four banks) instead of 13 (two)
	LocationKnown bool // 13 or 1D was answered; else two banks are an assumption
}

// Note takes in an answer to 4F, 50, 13 or 1D. Other parameters and answers of a wrong length are ignored. A car that
// answers both 13 and 1D breaks the standard; the two-bank numbering of 13 then stays.
func (c *Context) Note(p obd.PID, data []byte) {
	t := table[p]
	if t == nil || !t.fits(len(data)) {
		return
	}
	switch p {
	case 0x4F:
		c.Lambda, c.OxygenVolts = float64(data[0]), float64(data[1])
		c.OxygenMilliamps, c.MAPkPa = float64(data[2]), float64(data[3])*10
	case 0x50:
		c.MAFgps = float64(data[0]) * 10
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

// scaled is the value of a raw number under this car's full scales.
func (c Context) scaled(l layout, raw uint32) float64 {
	x := float64(raw)
	switch {
	case l.meaning == sensorLambda && c.Lambda > 0:
		return x * c.Lambda / 65535
	case l.meaning == commandedLambda && c.CommandedLambda > 0:
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
