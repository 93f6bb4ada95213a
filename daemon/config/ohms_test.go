package config

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// All derived: g = R_in/(R_in + R_s), and what the converter's resistance takes from a divider of that internal resistance.
func TestOhms(t *testing.T) {
	for _, row := range []struct {
		name             string
		divider          float64
		ohms             Ohms
		plugPerPin, load float64
	}{
		{"nothing is known", 1.5, Ohms{}, 1.5, 1},
		{"1 kΩ into a divider of 30 kΩ", 1.5, Ohms{Output: 1000, Divider: 30000}, 1.5, 0.96774},
		{"100 Ω into an ADS1115 at ±6.144 V, 10 MΩ and 22 MΩ side by side (an ADC vendor's support forum)", 1, Ohms{Output: 100, Converter: 6.875e6}, 1, 0.99999},
		{"10 kΩ over 15 kΩ into 6 MΩ read 0.10 % less", 1 / 0.6, Ohms{Divider: 25000, Converter: 6e6}, 1.001 / 0.6, 1},
		{"6.8 kΩ over 10 kΩ into 6 MΩ read 0.07 % less", 1.68, Ohms{Divider: 16800, Converter: 6e6}, 1.68 * 1.00067, 1},
		{"the converter loads the output through the divider too", 2, Ohms{Output: 1000, Divider: 20000, Converter: 10000}, 3, 0.9375},
		{"no divider, its resistance a load to ground", 1, Ohms{Output: 470, Divider: 10000}, 1, 0.95511},
	} {
		t.Run(row.name, func(t *testing.T) {
			a := Analog{Divider: row.divider, Ohms: row.ohms}
			assert.InDelta(t, row.plugPerPin, a.PlugPerPin(), 0.0001)
			assert.InDelta(t, row.load, a.LoadGain(), 0.00001)
		})
	}
	// Series resistance that costs so much of 5 V (derived): 0.1, 0.2 and 0.3 V into 30 kΩ.
	for ohms, volts := range map[float64]float64{612: 0.1, 1250: 0.2, 1915: 0.3} {
		a := Analog{Divider: 1.5, Ohms: Ohms{Output: ohms, Divider: 30000}}
		assert.InDelta(t, volts, 5*(1-a.LoadGain()), 0.0001)
	}
}
