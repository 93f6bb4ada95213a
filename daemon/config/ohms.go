package config

import "underdash/analog/mixture"

// Ohms are the resistances between a sender and the converter, in ohms. 0 stands for one that is not known and does no harm.
type Ohms struct {
	Output    float64 // in series with the sender's output, wire included
	Divider   float64 // of the whole divider, from the plug to ground
	Converter float64 // from the converter's pin to ground
}

// PlugPerPin is volts at the plug per volt at the converter, with the converter's own resistance on the divider: 10 kΩ over 15 kΩ
// into 6 MΩ read 0.1 % less than they would into nothing.
func (a Analog) PlugPerPin() float64 {
	upper, lower := a.split()
	if a.Ohms.Converter == 0 || upper <= 0 {
		return a.Divider
	}
	lower = mixture.Parallel(lower, a.Ohms.Converter)
	return (upper + lower) / lower
}

// LoadGain is volts at the plug per volt that the sender would put out into nothing: what its series resistance loses into the divider
// and the converter. 1 where not enough is known.
func (a Analog) LoadGain() float64 {
	upper, lower := a.split()
	input := upper + lower
	switch o := a.Ohms; {
	case o.Converter == 0:
	case o.Divider == 0:
		input = o.Converter
	default:
		input = upper + mixture.Parallel(lower, o.Converter)
	}
	if a.Ohms.Output == 0 || input == 0 {
		return 1
	}
	return mixture.LoadGain(a.Ohms.Output, input)
}

// split is the divider's resistance above and below the converter's pin.
func (a Analog) split() (upper, lower float64) {
	lower = a.Ohms.Divider / max(1, a.Divider)
	return a.Ohms.Divider - lower, lower
}

func readOhms(t *table, a *Analog) {
	const most = 1e9
	sub := t.table("ohms")
	a.Ohms = Ohms{
		Output:    sub.number("output", 0, most, 0),
		Divider:   sub.number("divider", 1, most, 0),
		Converter: sub.number("converter", 1, most, 0),
	}
	sub.finish()
	switch o := a.Ohms; {
	case o.Output > 0 && o.Divider == 0 && o.Converter == 0:
		sub.fault("output", "a resistance in series loses nothing by itself: give the divider's or the converter's too")
	case o.Divider > 0 && a.Divider < 1:
		sub.fault("divider", "an input with a divider of %v volts per volt amplifies, so it has no divider with a resistance: leave it out", a.Divider)
	case a.LoadGain() < mixture.MinGain:
		sub.fault("", "into this input the output loses %.0f %% of its voltage, more than the %.0f %% that can be corrected: use a divider of a higher resistance", 100*(1-a.LoadGain()), 100*(1-mixture.MinGain))
	}
}
