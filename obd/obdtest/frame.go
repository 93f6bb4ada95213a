package obdtest

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"underdash/obd"
)

// frame is one frame on the car's bus: on CAN the data field, on older buses header, data and checksum.
type frame struct {
	from obd.Address
	at   time.Time // when its last bit was in
	data []byte
	fill int // filling bytes at the end of a single frame that the adapter leaves out without headers
}

const (
	headerBytes   = 3                      // of the older buses
	flowTime      = 100 * time.Microsecond // the adapter's, before it sends a flow control frame
	reactTime     = time.Millisecond       // the engine computer's, before the first consecutive frame
	consecutive   = 286 * time.Microsecond // from one consecutive frame to the next
	betweenLegacy = 30 * time.Millisecond  // between an older computer's messages, within P2 (25 to 50 ms)
)

// frame is how long n bytes take on the bus; on CAN a whole frame whatever its length.
func (s settings) frame(n int) time.Duration {
	switch s.protocol {
	case '1':
		return time.Duration(n+headerBytes+1) * 192 * time.Microsecond
	case '2':
		return time.Duration(n+headerBytes+1) * 769 * time.Microsecond
	case '3', '4', '5':
		return time.Duration(n+headerBytes+1) * 9615 * 100 * time.Nanosecond
	case '7':
		return 262 * time.Microsecond
	case '8':
		return 440 * time.Microsecond
	case '9', 'A':
		return 524 * time.Microsecond
	}
	return 220 * time.Microsecond
}

// split frames a payload whose sender starts to transmit at the given instant.
func (d *dialogue) split(ecu ECU, payload []byte, start time.Time) []frame {
	if !d.set.can() {
		return d.splitLegacy(ecu, payload, start)
	}
	one := d.set.frame(8)
	if len(payload) <= 7 {
		f := frame{from: ecu.Address, at: start.Add(one), data: append([]byte{byte(len(payload))}, payload...)}
		f.data, f.fill = d.pad(f.data)
		return []frame{f}
	}
	n := min(len(payload), 4095)
	first := frame{from: ecu.Address, at: start.Add(one), data: append([]byte{0x10 | byte(n>>8), byte(n)}, payload[:6]...)}
	frames, rest := []frame{first}, payload[6:n]
	at := first.at.Add(flowTime + one + reactTime)
	for i := 1; len(rest) > 0; i++ {
		k := min(7, len(rest))
		data, _ := d.pad(append([]byte{0x20 | byte(i&0x0F)}, rest[:k]...))
		at = at.Add(consecutive)
		frames = append(frames, frame{from: ecu.Address, at: at, data: data})
		rest = rest[k:]
	}
	return frames
}

func (d *dialogue) pad(data []byte) ([]byte, int) {
	if d.o.ShortFrames {
		return data, 0
	}
	fill := 8 - len(data)
	data = append(data, slices.Repeat([]byte{d.o.Padding}, fill)...)
	if d.o.PrintPadding {
		fill = 0
	}
	return data, fill
}

// splitLegacy puts a payload into messages of the older buses, three header bytes and a checksum around each.
func (d *dialogue) splitLegacy(ecu ECU, payload []byte, start time.Time) []frame {
	var frames []frame
	at := start
	for i, body := range legacyBodies(payload) {
		message := append([]byte{0x48, 0x6B, byte(ecu.Address)}, body...)
		if d.set.protocol >= '4' {
			message[0], message[1] = 0x80|byte(len(body)), 0xF1
		}
		if d.set.protocol <= '2' {
			message = append(message, crc8(message))
		} else {
			message = append(message, sum(message))
		}
		if i > 0 {
			at = at.Add(betweenLegacy)
		}
		at = at.Add(d.set.frame(len(body)))
		frames = append(frames, frame{from: ecu.Address, at: at, data: message})
	}
	return frames
}

// legacyBodies reshapes a CAN payload: texts of service 09 go four bytes a message with the message's number
// before them and zeros in front of the first, trouble codes go three a message without a count.
func legacyBodies(payload []byte) [][]byte {
	var bodies [][]byte
	switch {
	case payload[0] == 0x49 && len(payload) > 7:
		text := payload[3:]
		text = append(make([]byte, (4-len(text)%4)%4), text...)
		for i := 0; i < len(text); i += 4 {
			bodies = append(bodies, append([]byte{0x49, payload[1], byte(i/4 + 1)}, text[i:i+4]...))
		}
	case payload[0] == 0x43 || payload[0] == 0x47:
		codes := payload[min(2, len(payload)):]
		for first := true; first || len(codes) > 0; first = false {
			body := append(make([]byte, 0, 7), payload[0])
			k := min(6, len(codes))
			body = append(append(body, codes[:k]...), make([]byte, 6-k)...)
			bodies, codes = append(bodies, body), codes[k:]
		}
	default:
		bodies = [][]byte{payload[:min(7, len(payload))]}
	}
	return bodies
}

func sum(b []byte) (s byte) {
	for _, v := range b {
		s += v
	}
	return s
}

// crc8 is the checksum of SAE J1850: polynomial 1D, all ones at the start, inverted at the end.
func crc8(b []byte) byte {
	crc := byte(0xFF)
	for _, v := range b {
		crc ^= v
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x1D
			} else {
				crc <<= 1
			}
		}
	}
	return ^crc
}

// lines are what the adapter prints for the frame under the settings.
func (f frame) lines(s settings) []string {
	if !s.can() {
		if s.headers {
			return []string{s.hex(f.data)}
		}
		return []string{s.hex(f.data[headerBytes : len(f.data)-1])}
	}
	if s.headers {
		id := fmt.Sprintf("%03X", uint32(f.from))
		if s.wide() {
			id = strings.TrimSuffix(s.hex([]byte{byte(f.from >> 24), byte(f.from >> 16), byte(f.from >> 8), byte(f.from)}), " ")
		}
		gap := ""
		if s.spaces {
			gap = " "
		}
		if s.dlc {
			id += gap + fmt.Sprint(len(f.data))
		}
		return []string{id + gap + s.hex(f.data)}
	}
	if !s.format {
		return []string{s.hex(f.data)}
	}
	gap := ""
	if s.spaces {
		gap = " "
	}
	switch f.data[0] >> 4 {
	case 1:
		length := int(f.data[0]&0x0F)<<8 | int(f.data[1])
		return []string{fmt.Sprintf("%03X", length), "0:" + gap + s.hex(f.data[2:])}
	case 2:
		return []string{fmt.Sprintf("%X:", f.data[0]&0x0F) + gap + s.hex(f.data[1:])}
	}
	return []string{s.hex(f.data[1 : len(f.data)-f.fill])}
}

// hex prints bytes; with spaces on, one follows every byte, the last included.
func (s settings) hex(b []byte) string {
	if s.spaces {
		return fmt.Sprintf("% X ", b)
	}
	return fmt.Sprintf("%X", b)
}

// addressed reports whether an engine computer takes a request with the header in force for its own.
func (s settings) addressed(to obd.Address) bool {
	h := s.header
	if h == 0 || !s.can() {
		return true
	}
	if s.wide() {
		return h>>8 == 0x18DB33 || byte(h>>8) == byte(to) && h>>16 == 0x18DA
	}
	return h == 0x7DF || h+8 == uint32(to)
}

// passes reports whether the receive filter lets an identifier through.
func (s settings) passes(from obd.Address) bool {
	if s.filter == "" || !s.can() {
		return true
	}
	id := fmt.Sprintf("%03X", uint32(from))
	if s.wide() {
		id = fmt.Sprintf("%08X", uint32(from))
	}
	if len(id) != len(s.filter) {
		return false
	}
	for i := range id {
		if s.filter[i] != 'X' && s.filter[i] != id[i] {
			return false
		}
	}
	return true
}
