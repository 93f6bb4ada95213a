package rig

import (
	"encoding/hex"
	"slices"
	"time"
)

// Addresses of the two engine computers, CAN with 11-bit identifiers.
const (
	engineAddress  = 0x7E8
	gearboxAddress = 0x7E9
)

// VIN, the calibrations and their verification numbers are invented. No maker has the region code ZZ (ISO 3780, from
// memory), and a letter that is not X in ninth place is no North American check digit.
const (
	VIN                  = "ZZ9VRTLXCAR000017"
	CalibrationID        = "VRTL-20NA-E10-17"
	CVN                  = "17E10A2F"
	GearboxCalibrationID = "VRTL-6AT-000-017"
	GearboxCVN           = "0006A717"
)

// computer is one engine computer: what it knows and who it is.
type computer struct {
	address     uint32
	parameters  []parameter
	vin         string
	calibration string
	cvn         string
	name        string // four letters and fifteen, InfoType 0A
}

var (
	engine  = computer{engineAddress, engineParameters, VIN, CalibrationID, CVN, "ECM\x00-EngineControl\x00\x00"}
	gearbox = computer{gearboxAddress, gearboxParameters, "", GearboxCalibrationID, GearboxCVN, "TCM\x00-TransmisCtrl\x00\x00\x00"}
)

// answer is what a computer says to a request whose values it samples at an instant; nil when it stays silent.
func (c *Car) answer(who computer, request []byte, instant time.Time) []byte {
	at := c.elapsed(instant)
	s := c.drive.at(at)
	if !s.Ignition || len(request) == 0 {
		return nil
	}
	switch request[0] {
	case 0x01:
		return c.current(who, request[1:], s, at)
	case 0x02:
		if who.address == engineAddress {
			return c.frozen(request[1:])
		}
	case 0x03, 0x07, 0x0A:
		return c.codes(who, request[0])
	case 0x09:
		return who.information(request)
	}
	return nil
}

// current answers service 01: every parameter it knows, in the order asked, and nothing when it knows none.
func (c *Car) current(who computer, pids []byte, s State, at time.Duration) []byte {
	payload := []byte{0x41}
	type span struct {
		pid      byte
		from, to int
	}
	var spans []span
	for _, pid := range pids[:min(6, len(pids))] {
		data := who.data(pid, s)
		if data == nil {
			continue
		}
		if n := len(codesOf(c.o.Codes)); pid == monitorStatus && who.address == engineAddress && n > 0 {
			data = append([]byte{lampOn | byte(n)}, data[1:]...)
		}
		payload = append(payload, pid)
		spans = append(spans, span{pid, len(payload), len(payload) + len(data)})
		payload = append(payload, data...)
	}
	if len(spans) == 0 {
		return nil
	}
	kept := slices.Clone(payload) // what was sent stays as it is, whatever becomes of the answer
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, sp := range spans {
		c.sent = append(c.sent, Sent{At: at, From: who.address, PID: sp.pid, Data: kept[sp.from:sp.to:sp.to]})
	}
	return payload
}

// data is a parameter's data bytes, nil if the computer does not know it.
func (who computer) data(pid byte, s State) []byte {
	if pid%0x20 == 0 {
		return who.bitmap(pid)
	}
	i, known := slices.BinarySearchFunc(who.parameters, pid, func(p parameter, pid byte) int { return int(p.pid) - int(pid) })
	if !known {
		return nil
	}
	return who.parameters[i].data(s)
}

// bitmap says which of the 32 parameters after base are known; its last bit, that there is another bitmap. A bitmap
// that would be empty is not known itself, except the first.
func (who computer) bitmap(base byte) []byte {
	bits := make([]byte, 4)
	last := who.parameters[len(who.parameters)-1].pid
	if base > 0 && last <= base {
		return nil
	}
	set := func(n int) { bits[n/8] |= 0x80 >> (n % 8) }
	for _, p := range who.parameters {
		if n := int(p.pid) - int(base) - 1; n >= 0 && n < 32 {
			set(n)
		}
	}
	if int(last) > int(base)+0x20 {
		set(31)
	}
	return bits
}

// information answers service 09.
func (who computer) information(request []byte) []byte {
	if len(request) != 2 {
		return nil
	}
	text := ""
	switch request[1] {
	case 0x00:
		bits := byte(0x14) // calibration ID and its verification number
		if who.vin != "" {
			bits |= 0x40
		}
		return []byte{0x49, 0x00, bits, 0x40, 0, 0} // and the computer's name, 0A
	case 0x02:
		text = who.vin
	case 0x04:
		text = who.calibration
	case 0x06:
		number, _ := hex.DecodeString(who.cvn)
		text = string(number)
	case 0x0A:
		text = who.name
	}
	if text == "" {
		return nil
	}
	return append([]byte{0x49, request[1], 1}, text...)
}
