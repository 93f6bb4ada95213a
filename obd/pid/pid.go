// Package pid is the table of the standard parameters of service 01 (SAE J1979 / ISO 15031-5): names, units, ranges,
// how many data bytes each has, and what the bytes mean. It also reads trouble codes (services 03, 07, 0A) and vehicle
// information (service 09). It knows payloads only, no adapter and no instant.
//
// The text of the standard is not public. Formulas and widths follow the compliance test SAE J1699-3, names and
// enumerations the public tables of SAE J1979; where the two or the common libraries disagree, a comment beside the
// decoder says which one holds and why.
//
// Bytes after the parameter are called A, B, C and so on, as in the standard.
package pid

import (
	"errors"
	"fmt"

	"underdash/obd"
)

// Signal is one quantity of a parameter.
type Signal struct {
	Acronym string // the standard's short name, RPM. Not unique: FRP is what 22, 23 and 59 each call their own
	Name    string
	Unit    string  // SI-style, "1" for ratios and counts, empty for states, bitmaps and codes
	Min     float64 // what the lowest raw value means, in default scaling
	Max     float64 // what the highest raw value means, in default scaling

	layout layout
}

// Parameter is one parameter of service 01.
type Parameter struct {
	PID     obd.PID
	Name    string
	Bytes   int      // data bytes; the trims 06 to 09 and 55 to 58 have one more on a car with banks 3 and 4
	Signals []Signal // shared by all who look the parameter up, not to be changed
}

// Optional reports whether a car may leave signal i out of its answer: the second byte of a trim.
func (p Parameter) Optional(i int) bool {
	l := p.Signals[i].layout
	return l.at+l.bytes > p.Bytes
}

// fits reports whether an answer may have n data bytes.
func (p *Parameter) fits(n int) bool {
	return n == p.Bytes || isTrim(p.PID) && n == p.Bytes+1
}

// isTrim tells the parameters whose width depends on the car: a second byte exists only where the sensor location is
// told by 1D (SAE J1699-3, SidSaveResponseData.c). None of 856 trim answers of real cars had it.
func isTrim(p obd.PID) bool { return p >= 0x06 && p <= 0x09 || p >= 0x55 && p <= 0x58 }

// ErrUnknown says that a parameter is not in the table: its bytes can be kept, not understood.
var ErrUnknown = errors.New("the parameter is not in the table")

// ErrLength says that an answer has another number of bytes than its parameter.
var ErrLength = errors.New("the number of bytes is wrong")

// ErrNotAnswer says that a payload is not a positive answer to the service it was read as.
var ErrNotAnswer = errors.New("not a positive answer to that service")

// ErrNotProgrammed says that an engine computer has a place for a text and nothing in it.
var ErrNotProgrammed = errors.New("the engine computer was never told it")

// ErrText says that a text has characters that it cannot have.
var ErrText = errors.New("the text has characters that it cannot have")

// Error says which answer could not be read and why.
type Error struct {
	Service obd.Service // the service asked, 01 for parameters
	PID     obd.PID
	Bytes   int    // bytes that were there
	Want    string // what would have been right, in words
	Err     error  // ErrUnknown, ErrLength, ErrNotAnswer, ErrNotProgrammed or ErrText
}

func (e *Error) Error() string {
	s := fmt.Sprintf("service %02X parameter %s with %d bytes: %v", byte(e.Service), e.PID, e.Bytes, e.Err)
	if e.Want != "" {
		s += ", " + e.Want
	}
	return s
}

func (e *Error) Unwrap() error { return e.Err }

var (
	table  [256]*Parameter // by PID; nil where the table has none
	byName map[string]ref  // by acronym; the lowest PID wins
)

type ref struct {
	pid   obd.PID
	index int
}

func init() {
	byName = make(map[string]ref)
	for _, list := range [][]Parameter{firstParameters, oxygenParameters(), middleParameters, laterParameters, lastParameters} {
		for i := range list {
			p := &list[i]
			table[p.PID] = p
			for j, s := range p.Signals {
				if old, ok := byName[s.Acronym]; !ok || p.PID < old.pid {
					byName[s.Acronym] = ref{p.PID, j}
				}
			}
		}
	}
	fillWidths()
}

// Lookup returns the parameter p, and false if the table has no decoder for it.
func Lookup(p obd.PID) (Parameter, bool) {
	if t := table[p]; t != nil {
		return *t, true
	}
	return Parameter{}, false
}

// All returns every parameter that can be decoded, in the order of their numbers.
func All() []Parameter {
	all := make([]Parameter, 0, 128)
	for _, t := range table {
		if t != nil {
			all = append(all, *t)
		}
	}
	return all
}

// ByAcronym finds a signal by its standard acronym in upper case, "RPM", and returns its parameter and its place in
// Parameter.Signals. Of several parameters that use the same acronym it returns the one with the lowest number.
func ByAcronym(s string) (Parameter, int, bool) {
	r, ok := byName[s]
	if !ok {
		return Parameter{}, 0, false
	}
	return *table[r.pid], r.index, true
}
