package rig

import (
	"slices"
	"strconv"
	"strings"
)

const (
	monitorStatus = 0x01 // the parameter that tells the lamp and the number of codes
	lampOn        = 0x80 // in its first byte
	frameCode     = 0x02 // the freeze frame's parameter that tells the code
)

// codesOf writes trouble codes as an engine computer sends them, two bytes each (SAE J2012: P0143 is 01 43). What is no
// code is left out.
func codesOf(list []string) [][2]byte {
	var codes [][2]byte
	for _, s := range list {
		if len(s) != 5 {
			continue
		}
		system := strings.IndexByte("PCBU", s[0])
		n, err := strconv.ParseUint(s[1:], 16, 16)
		if system < 0 || err != nil || n > 0x3FFF {
			continue
		}
		codes = append(codes, [2]byte{byte(system<<6) | byte(n>>8), byte(n)})
	}
	return codes
}

// codes answers services 03, 07 and 0A as on CAN: how many, and two bytes each.
func (c *Car) codes(who computer, service byte) []byte {
	var list []string
	if who.address == engineAddress {
		list = map[byte][]string{0x03: c.o.Codes, 0x07: c.o.Pending, 0x0A: c.o.Permanent}[service]
	}
	codes := codesOf(list)
	payload := []byte{service + 0x40, byte(len(codes))}
	for _, code := range codes {
		payload = append(payload, code[:]...)
	}
	return payload
}

// frameParameters are those that the engine's computer keeps in its freeze frame, beside the code.
var frameParameters = []byte{0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x1F, 0x34, 0x42, 0x43, 0x44}

// frozen answers service 02: pairs of a parameter and the number of a frame, of which there is one, 0.
func (c *Car) frozen(pairs []byte) []byte {
	payload := []byte{0x42}
	for ; len(pairs) >= 2; pairs = pairs[2:] {
		if data := c.frozenData(pairs[0]); data != nil && pairs[1] == 0 {
			payload = append(append(payload, pairs[0], 0), data...)
		}
	}
	if len(payload) == 1 {
		return nil
	}
	return payload
}

func (c *Car) frozenData(pid byte) []byte {
	codes := codesOf(c.o.Codes)
	switch {
	case pid == frameCode && len(codes) == 0:
		return []byte{0, 0} // nothing is stored
	case pid == frameCode:
		return codes[0][:]
	case len(codes) == 0:
		return nil
	case pid%0x20 == 0:
		frame := computer{parameters: []parameter{{pid: frameCode}}}
		for _, p := range frameParameters {
			frame.parameters = append(frame.parameters, parameter{pid: p})
		}
		return frame.bitmap(pid)
	case slices.Contains(frameParameters, pid):
		return engine.data(pid, c.drive.at(c.o.Length/2))
	}
	return nil
}
