package elm

import (
	"fmt"
	"slices"
	"time"

	"underdash/obd"
)

// command is one of the adapter commands this program ever sends. None of them writes the adapter's memory: the
// protocol is tried (TP), never stored (SP), programmable parameters (PP) are left alone, and nothing puts raw
// frames on the bus.
type command uint8

const (
	identify  command = iota + 1
	warmStart         // settings back to default, the quick way
	reset             // the slow way, for adapters that do not know the quick one
	echoOff
	linefeedsOff
	spacesOff
	headersOn
	memoryOff // a protocol that was found is not stored
	adaptiveTiming
	anyProtocol // the next request searches
	protocolNumber
	volts
)

// commands are the lines. The space before ATI is for the first character after a connection: an adapter that was
// busy takes it as the sign to stop, and drops it.
var commands = [...]string{
	identify:       " ATI",
	warmStart:      "ATWS",
	reset:          "ATZ",
	echoOff:        "ATE0",
	linefeedsOff:   "ATL0",
	spacesOff:      "ATS0",
	headersOn:      "ATH1",
	memoryOff:      "ATM0",
	adaptiveTiming: "ATAT1",
	anyProtocol:    "ATTP0",
	protocolNumber: "ATDPN",
	volts:          "ATRV",
}

// maxPIDs is how many parameters fit one request: a CAN frame holds seven bytes.
const maxPIDs = 6

// utterance is one thing to say to the adapter: a command, a request, or, if it is neither, the single space that
// aborts what runs.
type utterance struct {
	command command
	request obd.Request
	frames  int // expected answer lines, 1 to 15; 0 = unknown
}

// write is the one function that gives bytes to the adapter. It sends nothing but the commands above, requests of
// services that only read, and the aborting space. It returns the instant just before the bytes left.
func (c *Conn) write(u utterance) (sent time.Time, err error) {
	switch {
	case u.command != 0:
		c.out = append(append(c.out[:0], commands[u.command]...), '\r')
	case u.request.Service != 0 || len(u.request.PIDs) > 0:
		if err := allowed(u.request); err != nil {
			return time.Time{}, err
		}
		c.out = appendRequest(c.out[:0], u.request, u.frames)
	default:
		c.out = append(c.out[:0], ' ')
	}
	if s, ok := c.stream.(interface{ SetWriteDeadline(time.Time) error }); ok {
		// A pipe or socket whose other end has stopped reading must not hold us. Where deadlines are not to be
		// had, Close wakes a blocked write.
		_ = s.SetWriteDeadline(time.Now().Add(c.o.Timeout))
	}
	c.busy = true
	sent = time.Now()
	if _, err = c.stream.Write(c.out); err != nil {
		return sent, c.lost(err)
	}
	return sent, nil
}

// allowed says whether a request may be sent at all: its service only reads, and it has as many parameters as that
// service takes.
func allowed(r obd.Request) error {
	if !r.Service.ReadsOnly() {
		return fmt.Errorf("%w: service %02X is not one that only reads", ErrNotAllowed, byte(r.Service))
	}
	low, high := 1, maxPIDs
	switch r.Service {
	case obd.StoredCodes, obd.PendingCodes, obd.PermanentCodes:
		low, high = 0, 0
	case obd.VehicleInfo:
		high = 1
	}
	if n := len(r.PIDs); n < low || n > high {
		return fmt.Errorf("%w: service %02X takes %d to %d parameters and got %d", ErrNotAllowed, byte(r.Service), low, high, n)
	}
	return nil
}

// appendRequest appends a request's line. Two spaces lead it and the order of its parameters is chosen, both
// against one accident: a line that loses its beginning and becomes another request. The adapter ignores spaces;
// the character that it may drop, because it was busy or awakening, is then one of them. And a parameter whose
// number is that of a service which writes (04, engine load, is also the service that clears trouble codes) comes
// neither first, where it would stand alone once the 01 before it is lost, nor last, where it would be a whole
// request, if there are others to put around it. A lone parameter 04 is guarded by the spaces alone.
func appendRequest(dst []byte, r obd.Request, frames int) []byte {
	dst = append(dst, ' ', ' ')
	dst = appendHex(dst, byte(r.Service))
	var room [maxPIDs]obd.PID
	for _, p := range order(room[:0], r) {
		dst = appendHex(dst, byte(p))
	}
	if frames > 0 {
		dst = append(dst, digits[frames])
	}
	return append(dst, '\r')
}

const digits = "0123456789ABCDEF"

func appendHex(dst []byte, b byte) []byte { return append(dst, digits[b>>4], digits[b&0xF]) }

// order appends the request's parameters to dst in the order in which they are sent. Only service 01 may be put in
// another order: in service 02 a frame number follows each parameter.
func order(dst []obd.PID, r obd.Request) []obd.PID {
	dst = append(dst, r.PIDs...)
	if r.Service != obd.CurrentData {
		return dst
	}
	if i := slices.IndexFunc(dst, harmless); i > 0 {
		first := dst[i]
		copy(dst[1:i+1], dst[:i])
		dst[0] = first
	}
	if n := len(dst); n > 2 && !harmless(dst[n-1]) {
		for i := n - 2; i > 0; i-- {
			if harmless(dst[i]) {
				dst[i], dst[n-1] = dst[n-1], dst[i]
				break
			}
		}
	}
	return dst
}

// harmless reports whether a parameter's number is not also that of a service that changes something: clearing
// (04, 14), actuators (08, 2F, 30), sessions and resets (10, 11), security and communication (27, 28), writing and
// routines (2E, 31, 3B, 3D), transfers (34-37), supervision (3E, 85). Sources: SAE J1979, ISO 14229-1, ISO 14230-3;
// the list itself from memory.
func harmless(p obd.PID) bool {
	switch p {
	case 0x04, 0x08, 0x10, 0x11, 0x14, 0x27, 0x28, 0x2E, 0x2F, 0x30, 0x31, 0x34, 0x35, 0x36, 0x37, 0x3B, 0x3D, 0x3E, 0x85:
		return false
	}
	return true
}
