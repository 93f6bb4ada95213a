package pid

import "underdash/obd"

// layout says where a signal's raw number lies and how it becomes a value: raw·mul/div + add.
type layout struct {
	at, bytes     int     // first byte, counted from A = 0, and number of bytes
	shift, width  int     // bits within those bytes; width 0 takes all
	twos          bool    // two's complement over all bytes
	mul, div, add float64 // in this order, so that 255·100/255 is exactly 100
	valid         int     // 1 + the bit of A that must be set for the bytes to hold data; 0 = they always do
	wide          int     // 1 + a bit of A that may be set instead: the raw number then counts four times; 0 = none
	meaning       meaning
}

// meaning picks what a plain number does not say: a full scale that the car may change, markers, text.
type meaning uint8

const (
	plain           meaning = iota
	sensorLambda            // 24–2B, 34–3B: full scale by 4F.A; 0000 and FF00 to FFFF are markers
	commandedLambda         // 44: see Context.CommandedLambda; the same markers
	fixedLambda             // 8C, 9C: no full scale; the same markers
	sensorVolts             // 24–2B: full scale by 4F.B
	sensorCurrent           // 34–3B: full scale by 4F.C
	manifold                // 0B: full scale by 4F.D
	airFlow                 // 10: full scale by 50.A
	sensorTrim              // 14–1B: FF is a marker
	concentration           // 83: FFFF is a marker (from memory of later editions)
	longTime                // 7F: FFFFFFFF is a marker
	onOff
	fuelSystem
	secondaryAir
	obdStandard
	fuelType
	boostStatus
	location13
	location1D
	troubleCode
	supportedText
	monitors
)

func octet(at int, mul, div, add float64) layout {
	return layout{at: at, bytes: 1, mul: mul, div: div, add: add}
}

func word(at int, mul, div, add float64) layout {
	return layout{at: at, bytes: 2, mul: mul, div: div, add: add}
}

func long(at int, mul, div, add float64) layout {
	return layout{at: at, bytes: 4, mul: mul, div: div, add: add}
}

func signed(at int, mul, div, add float64) layout {
	l := word(at, mul, div, add)
	l.twos = true
	return l
}

func bits(at, shift, width int) layout {
	l := octet(at, 1, 1, 0)
	l.shift, l.width = shift, width
	return l
}

func flag(at, bit int) layout { return bits(at, bit, 1) }

// monitorBits are B, C and D of the monitor status, as one number.
func monitorBits() layout {
	l := long(0, 1, 1, 0)
	l.width = 24
	return l
}

// when makes a layout depend on a bit of the status byte A.
func when(bit int, l layout) layout {
	l.valid = bit + 1
	return l
}

// either is for the temperatures of 6B, which are sent in steps of 1 °C or of 4 °C; a bit of A for each says which.
func either(narrow, wide int, l layout) layout {
	l.valid, l.wide = narrow+1, wide+1
	return l
}

func as(m meaning, l layout) layout {
	l.meaning = m
	return l
}

// holds reports whether the status byte says that the signal's bytes hold data.
func (l *layout) holds(data []byte) bool {
	return l.valid == 0 || data[0]>>(l.valid-1)&1 == 1 || l.wide > 0 && data[0]>>(l.wide-1)&1 == 1
}

// raw returns the signal's raw number; data reaches over the layout.
func (l *layout) raw(data []byte) uint32 {
	var n uint32
	for _, b := range data[l.at : l.at+l.bytes] {
		n = n<<8 | uint32(b)
	}
	if l.width > 0 {
		n = n >> l.shift & (1<<l.width - 1)
	}
	if l.wide > 0 && data[0]>>(l.valid-1)&1 == 0 {
		n *= 4
	}
	return n
}

// number is the value in default scaling.
func (l *layout) number(raw uint32) float64 {
	x := float64(raw)
	if l.twos {
		x = float64(int16(raw))
	}
	return x*l.mul/l.div + l.add
}

// sensor is a place in the exhaust: bank and sensor, counted from the engine.
type sensor struct{ bank, number byte }

func (s sensor) digits() string { return string([]byte{'0' + s.bank, '0' + s.number}) }
func (s sensor) String() string { return string([]byte{'B', '0' + s.bank, 'S', '0' + s.number}) }

// The n-th parameter of 14–1B, 24–2B and 34–3B is another sensor's on a car that tells its sensors' places by 1D
// (four banks) than on one that tells them by 13 (two banks).
var (
	sensors13 = [8]sensor{{1, 1}, {1, 2}, {1, 3}, {1, 4}, {2, 1}, {2, 2}, {2, 3}, {2, 4}}
	sensors1D = [8]sensor{{1, 1}, {1, 2}, {2, 1}, {2, 2}, {3, 1}, {3, 2}, {4, 1}, {4, 2}}
)

// oxygenParameters builds the oxygen sensors' parameters, named for two banks.
func oxygenParameters() []Parameter {
	var list []Parameter
	for n, s := range sensors13 {
		list = append(list,
			Parameter{obd.PID(0x14 + n), narrowName + s.String(), 2, narrowSignals(s)},
			Parameter{obd.PID(0x24 + n), wideVoltName + s.String(), 4, wideSignals(s, false)},
			Parameter{obd.PID(0x34 + n), wideCurrentName + s.String(), 4, wideSignals(s, true)})
	}
	return list
}

const (
	narrowName      = "Oxygen sensor "
	wideVoltName    = "Wide-range oxygen sensor (voltage) "
	wideCurrentName = "Wide-range oxygen sensor (pump current) "
)

func narrowSignals(s sensor) []Signal {
	return []Signal{
		{"O2S" + s.digits(), "Oxygen sensor voltage " + s.String(), "V", 0, 1.275, octet(0, 5, 1000, 0)},
		{"SHRTFT_" + s.digits(), "Short-term fuel trim of oxygen sensor " + s.String(), "%", -100, 99.21875,
			as(sensorTrim, octet(1, 100, 128, -100))},
	}
}

// wideSignals uses 2/65536 for λ and 8/65536 for volts. The printed constants 0.0000305 and 0.000122 are these,
// rounded: only 2/65536 makes 8000h exactly 1, and engine computers of real cars send 8000h for stoichiometric.
func wideSignals(s sensor, current bool) []Signal {
	lambda := Signal{"LAMBDA" + s.digits(), "Equivalence ratio λ " + s.String(), "1", 0, 65535.0 / 32768,
		as(sensorLambda, word(0, 1, 32768, 0))}
	if current {
		return []Signal{lambda, {"O2S" + s.digits(), "Wide-range oxygen sensor pump current " + s.String(), "mA",
			-128, 32767.0 / 256, as(sensorCurrent, word(2, 1, 256, -128))}}
	}
	return []Signal{lambda, {"O2S" + s.digits(), "Wide-range oxygen sensor voltage " + s.String(), "V",
		0, 65535.0 / 8192, as(sensorVolts, word(2, 1, 8192, 0))}}
}
