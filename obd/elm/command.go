package elm

import (
	"fmt"
	"strings"
	"time"

	"underdash/obd"
)

// command is one of the adapter commands this program ever sends. None of them writes the adapter's memory: a
// protocol is tried (TP), never stored (SP), programmable parameters (PP) are left alone, and nothing puts raw
// frames on the bus or listens to the bus without asking.
type command string

// lead stands before every command, which the adapter ignores. It is for the first characters after a prompt or a connection:
// an adapter that is busy takes the first as the sign to stop, or is not ready yet, and drops it. ATM0 without its first letter is
// refused, and the adapter would then store the protocol that it finds.
const lead = "  "

// The commands that take no choice.
const (
	identify       command = "ATI"
	identifySlowly command = "               ATI" // the same, and spacesMore characters longer on the line
	warmStart      command = "ATWS"               // settings back to default, the quick way
	reset          command = "ATZ"                // the slow way, for adapters that do not know the quick one
	echoOn         command = "ATE1"
	echoOff        command = "ATE0"
	linefeedsOff   command = "ATL0"
	spacesOff      command = "ATS0"
	headersOn      command = "ATH1"
	headersOff     command = "ATH0"
	memoryOff      command = "ATM0" // a protocol that was found is not stored
	adaptiveOff    command = "ATAT0"
	adaptive       command = "ATAT1"
	adaptiveTight  command = "ATAT2"
	timeoutUsual   command = "ATST32" // 50 × 4.096 ms, the default
	timeoutShort   command = "ATST19" // 25 × 4.096 ms: twice what a CAN engine computer may take
	timeoutLong    command = "ATSTFF" // 255 × 4.096 ms
	protocolNumber command = "ATDPN"
	volts          command = "ATRV"
	closeProtocol  command = "ATPC"
	lowPower       command = "ATLP"
	receiveAll     command = "ATCRA" // known since firmware 1.4b
	receiveUsual   command = "ATAR"  // the same, older
	toAll11        command = "ATSH7DF"
	toAll29        command = "ATSHDB33F1"
)

const spacesMore = len(identifySlowly) - len(identify)

// The commands that take a choice, as far as they are ever sent.
var (
	// anyProtocol lets the next request search; the others try one protocol.
	anyProtocol command = "ATTP0"
	protocolOf          = map[byte]command{
		'1': "ATTP1", '2': "ATTP2", '3': "ATTP3", '4': "ATTP4", '5': "ATTP5", '6': "ATTP6", '7': "ATTP7", '8': "ATTP8", '9': "ATTP9",
	}
	// rates are the serial rates the adapter can be raised to: 4 Mbit/s over a divisor (data sheet, rev. DSJ, p. 51).
	rates = map[int]struct {
		command command
		actual  int // what the adapter makes of it
	}{
		57600: {"ATBRD45", 57971}, 115200: {"ATBRD23", 114286}, 230400: {"ATBRD11", 235294}, 500000: {"ATBRD08", 500000},
	}
)

// sendTo and receiveFrom address the engine computer whose answers come from a. They know the legislated addresses
// only: 7E8 to 7EF on CAN with 11-bit identifiers, 18DAF1xx with 29 bits (ISO 15765-4). Others give "".
func sendTo(a obd.Address) command {
	switch {
	case a >= 0x7E8 && a <= 0x7EF:
		return command(fmt.Sprintf("ATSH%03X", uint32(a)-8))
	case a>>8 == 0x18DAF1:
		return command(fmt.Sprintf("ATSHDA%02XF1", byte(a)))
	}
	return ""
}

func receiveFrom(a obd.Address) command {
	if sendTo(a) == "" {
		return ""
	}
	return command("ATCRA" + a.String())
}

// known reports whether a command is in the list.
func known(k command) bool {
	switch k {
	case identify, identifySlowly, warmStart, reset, echoOn, echoOff, linefeedsOff, spacesOff, headersOn, headersOff,
		memoryOff, adaptiveOff, adaptive, adaptiveTight, timeoutUsual, timeoutShort, timeoutLong, anyProtocol, protocolNumber, volts,
		closeProtocol, lowPower, receiveAll, receiveUsual, toAll11, toAll29:
		return true
	}
	for _, p := range protocolOf {
		if k == p {
			return true
		}
	}
	for _, r := range rates {
		if k == r.command {
			return true
		}
	}
	var a obd.Address
	for _, form := range []struct {
		format string
		add    obd.Address
	}{{"ATSH%03X", 8}, {"ATSHDA%02XF1", 0x18DAF100}, {"ATCRA%03X", 0}, {"ATCRA%08X", 0}} {
		var n uint32
		if _, err := fmt.Sscanf(string(k), form.format, &n); err == nil {
			a = obd.Address(n) + form.add
			if k == sendTo(a) || k == receiveFrom(a) {
				return true
			}
		}
	}
	return false
}

// maxPIDs is how many parameters fit one request: a CAN frame holds seven bytes.
const maxPIDs = 6

// utterance is one thing to say to the adapter: a command or a request, whole or in two steps, or one of the few
// single characters of a dialogue.
type utterance struct {
	command command
	request obd.Request // its parameters in the order in which they are sent
	frames  int         // expected answer lines, 1 to 15; 0 = unknown
	step    step
}

type step uint8

const (
	whole    step = iota // a line with its end
	unended              // a line without its end, which the adapter does not act on yet
	ending               // the end of the line before; only after that was seen to have arrived
	voiding              // more of a line, without its end, that makes it meaningless, whatever has arrived of it
	aborting             // a single space: ends what runs, means nothing otherwise
	agreeing             // accepts a new serial rate
)

// write is the one function that gives bytes to the adapter. It sends nothing but commands of the list, requests of
// services that only read, and single characters that mean nothing by themselves, or make a line mean nothing; a line that
// could become an order by losing its first characters it sends in two steps only. It returns the instant just before the bytes left.
func (c *Conn) write(u utterance) (sent time.Time, err error) {
	switch u.step {
	case aborting:
		c.out = append(c.out[:0], ' ')
	case voiding:
		c.out = append(c.out[:0], "XXXX"...)
	case ending, agreeing:
		c.out = append(c.out[:0], '\r')
	case whole, unended:
		if c.out, err = appendLine(c.out[:0], u); err != nil {
			return time.Time{}, err
		}
		if u.step == whole && becomesOrder(c.out, cautionOf(u.request)) {
			return time.Time{}, fmt.Errorf("%w: %q", ErrHazard, strings.TrimSpace(string(c.out)))
		}
		if u.step == whole {
			c.out = append(c.out, '\r')
		}
	}
	if s, ok := c.stream.(interface{ SetWriteDeadline(time.Time) error }); ok {
		// A pipe or socket whose other end has stopped reading must not hold us. Where deadlines are not to be
		// had, Close wakes a blocked write.
		_ = s.SetWriteDeadline(time.Now().Add(c.o.Timeout))
	}
	c.busy = true
	if u.step != aborting && u.step != voiding {
		c.unended = u.step == unended
	}
	sent = time.Now()
	if _, err = c.stream.Write(c.out); err != nil {
		return sent, c.lost(err)
	}
	return sent, nil
}

// appendLine appends a command's or a request's line without its end.
func appendLine(dst []byte, u utterance) ([]byte, error) {
	if u.command != "" {
		if !known(u.command) {
			return dst, fmt.Errorf("%w: the command %q is not in the list", ErrNotAllowed, string(u.command))
		}
		return append(append(dst, lead...), u.command...), nil
	}
	if err := allowed(u.request); err != nil {
		return dst, err
	}
	if u.frames < 0 || u.frames > maxCount {
		return dst, fmt.Errorf("%w: a count of %d frames does not fit one digit", ErrNotAllowed, u.frames)
	}
	return appendRequest(dst, u.request, u.frames), nil
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

// appendRequest appends a request's digits. The space in front is for the adapter that was busy or awakening and
// drops the first character; it ignores spaces otherwise.
func appendRequest(dst []byte, r obd.Request, frames int) []byte {
	dst = append(dst, ' ')
	dst = appendHex(dst, byte(r.Service))
	for _, p := range r.PIDs {
		dst = appendHex(dst, byte(p))
	}
	if frames > 0 {
		dst = append(dst, digits[frames])
	}
	return dst
}

const digits = "0123456789ABCDEF"

func appendHex(dst []byte, b byte) []byte { return append(dst, digits[b>>4], digits[b&0xF]) }
