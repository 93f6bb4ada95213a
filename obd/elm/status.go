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
	StatusFeedback                // FB ERROR: the adapter does not hear itself on the bus
	StatusFault                   // ERRxx
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
	case StatusFeedback, StatusFault:
		return ErrFault
	case StatusAsleep:
		return ErrAsleep
	case StatusReset:
		return ErrReset
	}
	return nil
}

// words stand for themselves or at the end of a line, without spaces because adapters differ in them. Several begin
// with hexadecimal digits (FB ERROR, DATA ERROR, ACT ALERT, BUS BUSY), so that a line is data only if all of it is
// hexadecimal.
var words = []struct {
	text   string
	status Status
}{
	{"NODATA", StatusNoData},
	{"DATAERROR", StatusGarbled},
	{"<DATAERROR", StatusGarbled},
	{"<RXERROR", StatusGarbled},
	{"STOPPED", StatusStopped},
	{"BUSERROR", StatusBus},
	{"BUSBUSY", StatusBus},
	{"CANERROR", StatusBus},
	{"UNABLETOCONNECT", StatusNoConnect},
	{"BUFFERFULL", StatusOverflow},
	{"FBERROR", StatusFeedback},
	{"LPALERT", StatusAsleep},
	{"!LPALERT", StatusAsleep},
	{"LVRESET", StatusReset},
	// It will sleep in a minute if nobody asks it anything; the next request is the remedy.
	{"ACTALERT", StatusNone},
	{"!ACTALERT", StatusNone},
	// Part of an initialisation's report on some adapters.
	{"OK", StatusNone},
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

// spoken reads what a line that is not data throughout ends in: words, several of them perhaps, which may stand at
// the end of a line of data. rest is what is left in front of them. known is false if it ends in words nobody knows.
func spoken(line []byte) (rest []byte, s Status, known bool) {
	if i := bytes.Index(line, banner); i >= 0 {
		return line[:i], StatusReset, true
	}
	for len(line) > 0 {
		n, w := lastWord(line)
		if n == 0 {
			break
		}
		line, s, known = line[:len(line)-n], max(s, w), true
	}
	if i := bytes.IndexByte(line, '?'); i >= 0 { // some copies say more behind it
		return line[:i], max(s, StatusRejected), true
	}
	return line, s, known
}

// lastWord finds the word that a line ends in, and its length; 0 if there is none.
func lastWord(line []byte) (n int, s Status) {
	for i := range words {
		if w := &words[i]; len(w.text) > n && len(w.text) <= len(line) && string(line[len(line)-len(w.text):]) == w.text {
			n, s = len(w.text), w.status
		}
	}
	if k := len(line) - 5; n == 0 && k >= 0 && string(line[k:k+3]) == "ERR" { // ERR94
		return 5, StatusFault
	}
	return n, s
}
