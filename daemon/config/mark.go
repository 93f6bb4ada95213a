package config

import "math"

// Mark makes an analog input a switch: a reading that goes beyond a level puts a mark into the session.
type Mark struct {
	Volts float64 // at the plug
	Above bool    // beyond is above; otherwise below
	Text  string  // of the mark; the input's name by default
}

func readMark(t *table, a *Analog) {
	sub := t.table("mark")
	above := sub.number("above", minVolts, maxVolts, math.NaN())
	below := sub.number("below", minVolts, maxVolts, math.NaN())
	text := sub.text("text", a.Name)
	if sub.present {
		switch {
		case sub.has("above") && sub.has("below"):
			sub.fault("below", "a mark is set above one level or below one: leave either out")
		case !sub.has("above") && !sub.has("below"):
			sub.fault("", "this needs a level in volts: give it like mark = { above = 2.5 }")
		}
	}
	sub.finish()
	switch {
	case !math.IsNaN(above):
		a.Mark = &Mark{Volts: above, Above: true, Text: text}
	case !math.IsNaN(below):
		a.Mark = &Mark{Volts: below, Text: text}
	}
}
