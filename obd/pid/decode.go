package pid

import (
	"fmt"
	"math"
	"strings"

	"underdash/obd"
)

// State says whether a decoded number is a measurement.
type State uint8

// The states of a value.
const (
	Valid        State = iota
	NotAvailable       // the car sent a marker or filler instead of a measurement; Number is NaN
	Saturated          // λ at the end of its range (raw FF00 and above): a fuel cut or beyond; Number is that end
	UnknownScale       // the full scale is the car's to tell and is not known, see Context; Number is NaN
)

func (s State) String() string {
	switch s {
	case Valid:
		return "valid"
	case NotAvailable:
		return "not available"
	case Saturated:
		return "saturated"
	case UnknownScale:
		return "unknown scale"
	}
	return fmt.Sprintf("State(%d)", uint8(s))
}

// Value is one decoded signal.
type Value struct {
	Index  int     // place in Parameter.Signals
	Number float64 // in the signal's unit; for states and bitmaps the raw number; NaN without a measurement or its scale
	State  State
	Text   string // what states, bitmaps and codes mean in words; empty for measurements
}

// Decode reads the data bytes of parameter p (what follows 41 p in the answer) and appends one value a signal to into.
// A second trim byte that the car does not send gives no value. The error is an *Error with ErrUnknown (no decoder) or
// ErrLength, and into is then returned as it was. Values without text are decoded without allocating, save that the
// first time a code is met some are asked of elmobd.
func Decode(p obd.PID, data []byte, c Context, into []Value) ([]Value, error) {
	t := table[p]
	if t == nil {
		return into, &Error{Service: obd.CurrentData, PID: p, Bytes: len(data), Err: ErrUnknown}
	}
	if !t.fits(len(data)) {
		return into, &Error{Service: obd.CurrentData, PID: p, Bytes: len(data), Err: ErrLength,
			Want: fmt.Sprintf("%d are right", t.Bytes)}
	}
	for i := range t.Signals {
		l := &t.Signals[i].layout
		if l.at+l.bytes > len(data) {
			continue
		}
		into = append(into, value(p, i, l, data, c))
	}
	return into, nil
}

// lambdaEnd is the raw λ from which on a computer tells the end of its range: some stand short of FFFF in a fuel cut, one for half a
// minute at 1.9988, which is FFD9 (a public analysis of a car's log).
const lambdaEnd = 0xFF00

func value(p obd.PID, index int, l *layout, data []byte, c Context) Value {
	raw := l.raw(data)
	v := Value{Index: index}
	switch {
	case !l.holds(data) || absent(l, raw, data):
		v.Number, v.State = math.NaN(), NotAvailable
		return v
	case c.unknown(l.meaning, raw):
		v.Number, v.State = math.NaN(), UnknownScale
		return v
	}
	if n, ok := delegated(p, index, raw, c); ok {
		v.Number = n
	} else {
		v.Number = c.scaled(l, raw)
	}
	switch l.meaning {
	case sensorLambda, commandedLambda, fixedLambda:
		if raw >= lambdaEnd {
			v.State = Saturated
		}
	default:
		v.Text = text(p, l.meaning, raw, data)
	}
	return v
}

// absent tells the markers that stand for no measurement. A λ of 0000 is sent before the sensor is ready or with the
// engine off; all four bytes 00 (λ 0 with −128 mA, or with 0 V) is the same filler for the whole answer. Both are
// from answers of real cars; a trim of FF in 14–1B is the standard's word for a sensor that trims nothing. A trim of
// FF in 06–09 is +99.2 % and no marker.
func absent(l *layout, raw uint32, data []byte) bool {
	switch l.meaning {
	case sensorLambda, commandedLambda, fixedLambda:
		return raw == 0
	case sensorVolts, sensorCurrent:
		return data[0]|data[1]|data[2]|data[3] == 0
	case sensorTrim:
		return raw == 0xFF
	case concentration:
		return raw == 0xFFFF
	case longTime:
		return raw == 0xFFFFFFFF
	}
	return false
}

// delegated asks elmobd for the signals that it decodes exactly.
func delegated(p obd.PID, index int, raw uint32, c Context) (float64, bool) {
	if index != 0 || p == 0x0B && c.MAPkPa > 0 {
		return 0, false
	}
	return elmobdNumber(p, raw)
}

// text is what a state, a bitmap or a code means in words.
func text(p obd.PID, m meaning, raw uint32, data []byte) string {
	switch m {
	case onOff:
		return [2]string{"off", "on"}[raw&1]
	case fuelSystem:
		return fuelSystemText[raw&0xFF]
	case secondaryAir:
		return enumText(secondaryAirText, raw)
	case obdStandard:
		return enumText(obdStandardText, raw)
	case fuelType:
		return enumText(fuelTypeText, raw)
	case boostStatus:
		return enumText(boostStatusText, raw)
	case location13:
		return locationText(&sensors13, raw)
	case location1D:
		return locationText(&sensors1D, raw)
	case troubleCode:
		if raw == 0 {
			return "none"
		}
		return TroubleCode(byte(raw>>8), byte(raw))
	case supportedText:
		return pidList(Supported(p, data))
	case monitors:
		return monitorText(p, data)
	}
	return ""
}

func locationText(places *[8]sensor, raw uint32) string {
	var there []string
	for i, s := range places {
		if raw>>i&1 == 1 {
			there = append(there, s.String())
		}
	}
	return strings.Join(there, " ")
}

func pidList(pids []obd.PID) string {
	var b strings.Builder
	for i, p := range pids {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(p.String())
	}
	return b.String()
}
