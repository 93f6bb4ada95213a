package mixture

// LoadGain is the gain that is left when an output with a series resistance works into an input: R_in/(R_in + R_s), both in
// ohms. It is a pure gain error, the ordinary reason for a line loss: 1 kΩ into a divider of 30 kΩ costs 3.2 %.
func LoadGain(series, input float64) float64 { return input / (input + series) }

// Parallel is the resistance of two side by side, in ohms: what a converter's common-mode and differential resistances make at
// a single input.
func Parallel(a, b float64) float64 { return a * b / (a + b) }

// ReturnOffset is the ground offset in volts that a current makes in a return wire of copper: amperes, metres, mm². At 20 °C copper
// has 0.0172 Ω mm²/m; 0.5 mm² are 34 mΩ/m (handbook value, from memory).
func ReturnOffset(amperes, metres, squareMillimetres float64) float64 {
	return amperes * metres * 0.0172 / squareMillimetres
}
