package elm

import (
	"bytes"

	"underdash/obd"
)

// Status is the worst thing the adapter said instead of, or beside, an answer. Higher is worse.
type Status uint8

// The adapter's words, by what they mean to a caller. Source of the words: ELM327 data sheet, rev DSJ, p. 87-89.
const (
	StatusNone      Status = iota // nothing but lines of data, or nothing at all
	StatusNoData                  // NO DATA
	StatusGarbled                 // DATA ERROR, <DATA ERROR, <RX ERROR, words nobody knows
	StatusStopped                 // STOPPED
	StatusRejected                // ?
	StatusBus                     // BUS INIT: ERROR, BUS ERROR, BUS BUSY, CAN ERROR
	StatusNoConnect               // UNABLE TO CONNECT
	StatusOverflow                // BUFFER FULL
	StatusFault                   // FB ERROR, ERRxx
	StatusAsleep                  // LP ALERT
	StatusReset                   // LV RESET, or the start-up banner
)

// err is the status as an error, nil for StatusNone.
func (s Status) err() error {
	switch s {
	case StatusNoData:
		return obd.ErrNoAnswer
	case StatusGarbled:
		return ErrGarbled
	case StatusStopped:
		return ErrStopped
	case StatusRejected:
		return ErrRejected
	case StatusBus:
		return ErrBus
	case StatusNoConnect:
		return ErrUnableToConnect
	case StatusOverflow:
		return ErrOverflow
	case StatusFault:
		return ErrFault
	case StatusAsleep:
		return ErrAsleep
	case StatusReset:
		return ErrReset
	}
	return nil
}

// words are whole lines, without spaces because adapters differ in them. Several begin with hexadecimal digits
// (FB ERROR, DATA ERROR, ACT ALERT, BUS BUSY), so that a line is data only if all of it is hexadecimal.
var words = []struct {
	text   string
	status Status
}{
	{"NODATA", StatusNoData},
	{"DATAERROR", StatusGarbled},
	{"STOPPED", StatusStopped},
	{"BUSERROR", StatusBus},
	{"BUSBUSY", StatusBus},
	{"CANERROR", StatusBus},
	{"UNABLETOCONNECT", StatusNoConnect},
	{"BUFFERFULL", StatusOverflow},
	{"FBERROR", StatusFault},
	{"LPALERT", StatusAsleep},
	{"!LPALERT", StatusAsleep},
	{"LVRESET", StatusReset},
	// It will sleep in a minute if nobody asks it anything; the next request is the remedy.
	{"ACTALERT", StatusNone},
	{"!ACTALERT", StatusNone},
	// Part of an initialisation's report on some adapters.
	{"OK", StatusNone},
}

// suffixes may stand at the end of a line of data, which is then of no use.
var suffixes = []struct {
	text   string
	status Status
}{
	{"<DATAERROR", StatusGarbled},
	{"<RXERROR", StatusGarbled},
	{"BUFFERFULL", StatusOverflow},
	{"STOPPED", StatusStopped},
}

var (
	searching = []byte("SEARCHING")
	busInit   = []byte("BUSINIT:")
	banner    = []byte("ELM327")
)

// prelude cuts a report of a search or a bus initialisation off a line's beginning. The answer may follow on the
// same line. failed tells an initialisation that did not succeed.
func prelude(line []byte) (rest []byte, found, failed bool) {
	for {
		switch {
		case bytes.HasPrefix(line, searching):
			line = line[len(searching):]
		case bytes.HasPrefix(line, busInit):
			line = bytes.TrimLeft(line[len(busInit):], ".")
			if bytes.HasPrefix(line, []byte("ERROR")) {
				return nil, true, true
			}
			line = bytes.TrimPrefix(line, []byte("OK"))
		default:
			return line, found, false
		}
		line = bytes.TrimLeft(line, ".")
		found = true
	}
}

// status reads a whole line that is not data. known is false for words nobody knows.
func status(line []byte) (s Status, known bool) {
	for i := range words {
		if string(line) == words[i].text {
			return words[i].status, true
		}
	}
	switch {
	case line[0] == '?':
		return StatusRejected, true
	case bytes.HasPrefix(line, banner):
		return StatusReset, true
	case len(line) == 5 && bytes.HasPrefix(line, []byte("ERR")):
		return StatusFault, true
	}
	return StatusGarbled, false
}
