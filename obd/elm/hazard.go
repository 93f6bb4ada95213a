package elm

import "underdash/obd"

// A line may lose its beginning: an adapter that is busy drops the first character, one that restarts after a dip of
// its supply drops any number. What is left is a request of its own. 0104 (engine load) becomes 04, which clears the
// trouble codes. Counted in characters and not in bytes there is more: 01104 (air flow in four frames) becomes 04 too;
// 01101 (air flow in one frame) becomes 1101, a hard reset of the engine computer; 01002 becomes a programming
// session; and 0904 (calibration identification) becomes 04.
//
// So every line is looked at in all its shortened forms. Where one of them is an order, service 01 gets its
// parameters in another order, or no count. Where that does not help the line is sent in two steps: first without
// its end, and the end only when the adapter's echo has shown that all of it arrived. Any form that begins with 04
// counts as that order whatever follows, so that parameter 04 of service 01 has no other way than two steps and is
// best asked alone.

// orders are the services that change something in the car, with the length in bytes of the shortest request that an
// engine computer could carry out; longer ones count too. Some of them only do so in a session that this program
// never opens, which is not relied on. Sources: SAE J1979 (04, 08), ISO 14229-1 and ISO 14230-3 (the rest), the
// shorter of both where they differ; numbers and lengths from memory. Not in the list: reading, keeping a session
// alive (3E), transfers that need one of the list to begin with (36, 37), and what makers define for themselves.
var orders = [256]uint8{
	clearCodes:    1,
	controlSystem: 1,
	openSession:   2,
	resetComputer: 2,
	0x14:          3, // clear diagnostic information: a group of two or three bytes
	0x27:          3, // security access with a key
	0x28:          2, // communication off
	0x2C:          2, // define an identifier
	0x2E:          4, // write by identifier
	0x2F:          4, // control an output by identifier
	0x30:          3, // control an output by local identifier
	0x31:          2, // start a routine
	0x32:          2, // stop a routine
	0x34:          5, // download
	0x35:          5, // upload
	0x38:          6, // file transfer
	0x3B:          3, // write by local identifier
	0x3D:          5, // write memory
	0x83:          2, // timing
	0x85:          2, // trouble codes off
	0x86:          2, // answer on events
	0x87:          2, // link control
}

// The services of which more than the length counts; see isOrder.
const (
	clearCodes    = 0x04
	controlSystem = 0x08
	openSession   = 0x10
	resetComputer = 0x11
)

// caution is how a shortened form that begins with service 08 is judged.
type caution bool

const (
	// strictly takes it for an order whatever follows.
	strictly caution = true
	// byTest goes by the number of a test that SAE J1979 has this service take, of which only 01 is defined (from
	// memory).
	byTest caution = false
)

// becomesOrder reports whether a line, given without its end, is an order once it has lost some of its first
// characters, whether the adapter takes an odd last digit for a count or not.
func becomesOrder(line []byte, how caution) bool {
	var nibbles [32]byte
	n := 0
	for i := len(line) - 1; i >= 0; i-- { // from the end: a shortened form is digits to the end, or nothing
		c := line[i]
		if c == ' ' {
			continue
		}
		if isOrder(nibbles[:n], how) {
			return true
		}
		v, ok := nibble(c)
		if !ok || n == len(nibbles) {
			return false // nothing longer is a request
		}
		nibbles[n] = v
		n++
	}
	return false // the whole line is what was meant
}

// isOrder judges one request, whose digits are given last first.
func isOrder(reversed []byte, how caution) bool {
	n := len(reversed)
	if n < 2 {
		return false
	}
	at := func(i int) byte { return reversed[n-1-2*i]<<4 | reversed[n-2-2*i] } // the i-th byte
	service, size := at(0), n/2
	if least := orders[service]; least == 0 || size < int(least) {
		return false
	}
	switch service {
	case clearCodes:
		return true // it takes nothing, but who knows whether every engine computer minds what follows
	case controlSystem:
		return how == strictly || size == 1 || at(1) == 0x01
	case openSession:
		// Another session changes nothing by itself and ends by itself; the programming session (02, or 85 by ISO
		// 14230-3) stops the engine computer's work. Bit 7 only asks for no answer.
		return at(1)&0x7F == 0x02 || at(1) == 0x85
	case resetComputer: // all that the standard has not kept in reserve
		kind := at(1) & 0x7F
		return kind != 0 && (kind < 0x06 || kind > 0x3F)
	}
	return true
}

// cautionOf is by the test's number for groups of live parameters, since 08 among them has no other quick way, and
// strict for everything else.
func cautionOf(r obd.Request) caution {
	return caution(r.Service != obd.CurrentData || len(r.PIDs) == 1)
}

// arrange puts a request's parameters into an order in which its line is safe to lose its beginning, the given one
// if that will do. Only service 01 may be put in another order: in service 02 a frame number follows each parameter.
// It reports false if there is no such order; the parameters are then as they were.
func arrange(r obd.Request, frames int) bool {
	var room [1 + 2 + 2*maxPIDs + 1]byte
	safe := func() bool { return !becomesOrder(appendRequest(room[:0], r, frames), cautionOf(r)) }
	if r.Service != obd.CurrentData || len(r.PIDs) < 2 || len(r.PIDs) > maxPIDs {
		return safe()
	}
	guarded := func() bool { return r.PIDs[0] != controlSystem && safe() }
	// What a line can become depends on its end alone, so that orders with a bad end need not be gone through.
	tail := func(k int) bool {
		line := append(room[:0], '0') // stands for what is before it
		for _, p := range r.PIDs[k:] {
			line = appendHex(line, byte(p))
		}
		if frames > 0 {
			line = append(line, digits[frames])
		}
		return !becomesOrder(line, cautionOf(r))
	}
	var was [maxPIDs]obd.PID
	copy(was[:], r.PIDs)
	// Of all accidents it is the likeliest that just the 01 is lost, so that 08 had better not follow it.
	if guarded() || permute(r.PIDs, len(r.PIDs), tail, guarded) || permute(r.PIDs, len(r.PIDs), tail, safe) {
		return true
	}
	copy(r.PIDs, was[:])
	return false
}

// permute goes through all orders of the first k of p, from the last place on and only behind good tails, until one is
// good as a whole, and leaves it there.
func permute(p []obd.PID, k int, tail func(from int) bool, good func() bool) bool {
	if k == 0 {
		return good()
	}
	for i := k - 1; i >= 0; i-- {
		p[k-1], p[i] = p[i], p[k-1]
		if tail(k-1) && permute(p, k-1, tail, good) {
			return true
		}
		p[k-1], p[i] = p[i], p[k-1]
	}
	return false
}
