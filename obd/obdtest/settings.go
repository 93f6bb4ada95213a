package obdtest

import (
	"fmt"
	"strconv"
	"time"
)

// stUnit is the unit of AT ST (data sheet: nominally 4 ms, 4.096 ms by the clock).
const stUnit = 4096 * time.Microsecond

// settings are what AT commands change.
type settings struct {
	echo, linefeed, spaces, headers, dlc, format, long bool

	adaptive int  // 0 off, 1 on, 2 aggressive
	st       int  // time-out in units of stUnit
	factor   int  // time-out multiplier on CAN, 1 or 5
	auto     bool // may search for the protocol
	protocol byte // '0' not chosen, '1' to 'C'
	open     bool // the protocol is in use
	header   uint32
	priority uint32 // top bits of a 29-bit header given in three bytes
	filter   string // identifier to receive, X for any digit; "" the default
	baud     int
	offer    time.Duration // how long a rate change waits for the host
	asleep   bool          // low power
}

func defaults(baud int) settings {
	return settings{
		echo: true, spaces: true, format: true, adaptive: 1, st: 0x32, factor: 1, auto: true, protocol: '0',
		priority: 0x18, baud: baud, offer: 75 * time.Millisecond,
	}
}

// restart puts everything back to how it is after power-up.
func (d *dialogue) restart() {
	d.set = defaults(d.o.Baud)
	d.slowest, d.late = 0, nil
	d.line.baud = d.o.Baud
}

// reload puts everything but the rate back (AT D and AT WS).
func (d *dialogue) reload() {
	baud := d.set.baud
	d.set = defaults(d.o.Baud)
	d.set.baud = baud
	d.slowest, d.late = 0, nil
}

// timeout is how long the adapter listens after a request or a frame.
func (d *dialogue) timeout() time.Duration {
	ceiling := time.Duration(d.set.st) * stUnit
	if d.set.protocol >= '6' {
		ceiling *= time.Duration(d.set.factor)
	}
	switch {
	case d.set.adaptive == 0 || d.slowest == 0 || d.refuses("AT", "AT"): // who does not know it does not do it
		return ceiling
	case d.set.adaptive == 1:
		return min(ceiling, max(d.slowest*3/2+16*time.Millisecond, d.set.least()))
	}
	return min(ceiling, d.slowest+8*time.Millisecond)
}

// least is what adaptive timing goes down to on the older buses, where an answer may be several messages: the longest
// pause between two of them and the longest message, so that a long answer is not cut.
func (s settings) least() time.Duration {
	if s.can() {
		return 0
	}
	return legacyPause + s.frame(7)
}

// legacyPause is P2max of ISO 14230-2 and the time between answers of SAE J1850 in the field (from memory), with some
// room for what the adapter's clock is off.
const legacyPause = 55 * time.Millisecond

// learn feeds the adaptive time-out with a request's slowest answer, 0 when nothing answered.
func (d *dialogue) learn(slowest time.Duration) {
	if slowest == 0 {
		if ceiling := time.Duration(d.set.st) * stUnit; d.slowest > 0 && d.slowest < ceiling {
			d.slowest += (ceiling - d.slowest) / 2
		}
		return
	}
	d.slowest = max(slowest, d.slowest-d.slowest/8)
}

// protocols are the numbers of AT SP and what AT DP calls them.
var protocols = map[byte]string{
	'1': "SAE J1850 PWM", '2': "SAE J1850 VPW", '3': "ISO 9141-2", '4': "ISO 14230-4 (KWP 5BAUD)",
	'5': "ISO 14230-4 (KWP FAST)", '6': "ISO 15765-4 (CAN 11/500)", '7': "ISO 15765-4 (CAN 29/500)",
	'8': "ISO 15765-4 (CAN 11/250)", '9': "ISO 15765-4 (CAN 29/250)", 'A': "SAE J1939 (CAN 29/250)",
	'B': "USER1 (CAN 11/125)", 'C': "USER2 (CAN 11/50)",
}

func (s settings) describe() string {
	name, known := protocols[s.protocol]
	switch {
	case !known:
		return "AUTO"
	case s.auto:
		return "AUTO, " + name
	}
	return name
}

func (s settings) number() string {
	if s.auto {
		return "A" + string(s.protocol)
	}
	return string(s.protocol)
}

// wide reports whether identifiers have 29 bits.
func (s settings) wide() bool { return s.protocol == '7' || s.protocol == '9' || s.protocol == 'A' }

func (s settings) can() bool { return s.protocol >= '6' }

// choose is AT SP and AT TP: a number, or A and a number.
func (s *settings) choose(arg string) bool {
	auto := false
	if len(arg) == 2 && (arg[0] == 'A' || arg[0] == '0') {
		auto, arg = arg[0] == 'A', arg[1:]
	}
	if len(arg) != 1 {
		return false
	}
	if _, known := protocols[arg[0]]; !known && arg[0] != '0' {
		return false
	}
	s.auto, s.protocol, s.open = auto || arg[0] == '0', arg[0], false
	return true
}

func isHex(s string) bool {
	for _, r := range s {
		if !(r >= '0' && r <= '9' || r >= 'A' && r <= 'F') {
			return false
		}
	}
	return s != ""
}

func hexNumber(s string) uint32 {
	v, _ := strconv.ParseUint(s, 16, 32)
	return uint32(v)
}

func volts(v float64) string { return fmt.Sprintf("%.1fV", max(0, v)) }
