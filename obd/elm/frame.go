package elm

import (
	"bytes"
	"slices"

	"underdash/obd"
)

// data takes a line of hexadecimal digits whose bytes are p.frame[:n].
func (p *Parser) data(line []byte, n int) {
	b := p.frame[:n]
	odd := len(line)%2 == 1
	framing := p.framing
	if framing == AnyFraming {
		framing = guess(b, odd)
	}
	if framing == Bare && odd && n == 0 {
		p.lengthLine(int(hexDigit[line[0]])<<8 | int(hexDigit[line[1]])<<4 | int(hexDigit[line[2]]))
		return // not a frame of the bus
	}
	p.tally.Frames++
	if odd != (framing == CAN11) {
		p.damage()
		return
	}
	switch framing {
	case CAN11:
		id := obd.Address(hexDigit[line[0]])<<8 | obd.Address(hexDigit[line[1]])<<4 | obd.Address(hexDigit[line[2]])
		p.can(id, b)
	case CAN29:
		if n < 4 {
			p.damage()
			return
		}
		p.can(obd.Address(b[0])<<24|obd.Address(b[1])<<16|obd.Address(b[2])<<8|obd.Address(b[3]), b[4:])
	case J1850, KLine:
		p.legacy(b)
	case Bare:
		if n == 0 {
			p.damage()
			return
		}
		p.numbered(0, b)
	}
}

// guess tells a line's framing by its shape while the protocol is unknown. An identifier of 11 bits makes the number
// of digits odd; the physical and functional identifiers of ISO 15765-4 begin 18DA and 18DB, which no header of the
// older buses does; those end in a checksum.
func guess(b []byte, odd bool) Framing {
	switch {
	case odd && len(b) == 0:
		return Bare
	case odd:
		return CAN11
	case len(b) > 4 && b[0] == 0x18 && (b[1] == 0xDA || b[1] == 0xDB):
		return CAN29
	case len(b) > 4 && b[len(b)-1] == crc8(b[:len(b)-1]):
		return J1850
	case len(b) > 4 && b[len(b)-1] == sum(b[:len(b)-1]):
		return KLine
	}
	return Bare
}

// can takes a CAN frame as ISO 15765-2 lays it out: the upper half of the first byte tells what it is.
func (p *Parser) can(from obd.Address, b []byte) {
	if len(b) == 0 {
		p.damage()
		return
	}
	low := b[0] & 0xF
	switch b[0] >> 4 {
	case 0: // single frame; the rest is padding
		size := int(low)
		if size == 0 || len(b) < 1+size {
			p.damage()
			return
		}
		p.single(from, b[1:1+size])
	case 1: // first frame
		if len(b) < 8 {
			p.damage()
			return
		}
		size := int(low)<<8 | int(b[1])
		if size < 7 {
			p.damage()
			return
		}
		p.extend(p.open(from, size, 1), b[2:8])
	case 2: // consecutive frame
		p.consecutive(from, low, b[1:min(len(b), 8)])
	case 3: // flow control, from an adapter that prints its own
	default:
		p.damage()
	}
}

// legacy takes a message of the buses before CAN: three header bytes, the sender's last, and a checksum.
func (p *Parser) legacy(b []byte) {
	if len(b) < 5 {
		p.damage()
		return
	}
	body, check := b[:len(b)-1], b[len(b)-1]
	want := sum(body)
	if p.framing == J1850 || p.framing == AnyFraming && check != want {
		want = crc8(body)
	}
	if check != want {
		p.damage()
		return
	}
	p.numbered(obd.Address(body[2]), body[3:])
}

// numbered takes a message of the buses before CAN. Service 09 sends seven bytes at a time there, numbered from 1, where
// CAN would send one long message: they are put behind each other, so that both look alike: 49 02 01, then all data.
func (p *Parser) numbered(from obd.Address, payload []byte) {
	if payload[0] == byte(obd.VehicleInfo)+obd.ResponseOffset && len(payload) == 7 && payload[2] > 1 {
		p.append(from, payload)
		return
	}
	if n := len(p.parts); n > 0 && len(payload) == 7 {
		if q := &p.parts[n-1]; q.from == from && q.state == partWhole && q.next == 2 && bytes.Equal(payload, p.arena[q.start:q.start+q.have]) {
			p.tally.Duplicates++ // what follows belongs to one message, not to the latter of two
			return
		}
	}
	p.single(from, payload)
	if n := len(p.parts); n > 0 {
		p.parts[n-1].next = 2
	}
}

// append puts a numbered line of service 09 behind the lines before it. Without senders two computers' lines cannot be told
// apart, so that both texts are lost where both have more than one.
func (p *Parser) append(from obd.Address, payload []byte) {
	begun := func(q *part) bool {
		return q.from == from && q.state == partWhole && q.have >= 2 && p.arena[q.start] == payload[0] && p.arena[q.start+1] == payload[1]
	}
	for i := len(p.parts) - 1; i >= 0; i-- {
		q := &p.parts[i]
		if !begun(q) {
			continue
		}
		others := false
		for k := range p.parts[:i] {
			if o := &p.parts[k]; from == 0 && begun(o) {
				o.state, others = partBroken, true
			}
		}
		switch {
		case others:
			q.state = partBroken
			p.damage()
		case payload[2] == q.next && q.next <= maxParts:
			if q.start+q.have < len(p.arena) { // another sender's line came in between: move to the end
				moved := len(p.arena)
				p.arena = append(p.arena, p.arena[q.start:q.start+q.have]...)
				q.start = moved
			}
			p.arena = append(p.arena, payload[3:]...)
			q.have = len(p.arena) - q.start
			q.size = q.have
			q.next++
		case payload[2] == q.next-1 && bytes.HasSuffix(p.arena[q.start:q.start+q.have], payload[3:]):
			p.tally.Duplicates++
		default:
			q.state = partBroken
			p.damage()
		}
		return
	}
	p.damage()
}

// lengthLine takes the line that announces a long answer when headers are off. Without senders two long answers at
// once cannot be told apart, so that both are lost.
func (p *Parser) lengthLine(size int) {
	for i := range p.parts {
		if q := &p.parts[i]; q.from == 0 && q.state != partWhole {
			q.state = partBroken
			p.damage()
			return
		}
	}
	if size == 0 {
		p.damage()
		return
	}
	p.open(0, size, 0)
}

// segment takes one numbered line of a long answer when headers are off.
func (p *Parser) segment(seq byte, b []byte) { p.consecutive(0, seq, b) }

// single takes a message that fits one line.
func (p *Parser) single(from obd.Address, payload []byte) {
	if len(payload) == 0 {
		p.damage()
		return
	}
	p.extend(p.open(from, len(payload), 0), payload)
}

// open begins a message. Whatever its sender had left unfinished stays so. It returns nil when there are more
// messages than any car sends.
func (p *Parser) open(from obd.Address, size int, next byte) *part {
	if q := p.unfinished(from); q != nil {
		q.state = partBroken
		p.damage()
	}
	if len(p.parts) == maxParts {
		p.damage()
		return nil
	}
	start, n := len(p.arena), len(p.parts)
	p.arena = slices.Grow(p.arena, size)[:start+size] // what an earlier answer left is shown to nobody
	p.parts = slices.Grow(p.parts, 1)[:n+1]
	q := &p.parts[n]
	q.from, q.begun, q.end, q.framed = from, p.begun, p.chars, noBound
	q.start, q.have, q.size, q.next, q.state = start, 0, size, next, partOpen
	if !p.lineOwn {
		q.begun = onset{p.now, p.chars, noBound} // the line began before the answer did
	}
	return q
}

// extend puts b, without padding, into q, if there is one.
func (p *Parser) extend(q *part, b []byte) {
	if q == nil {
		return
	}
	q.have += copy(p.arena[q.start+q.have:q.start+q.size], b)
	if q.have < q.size {
		return
	}
	q.state = partWhole
	if payload := p.arena[q.start : q.start+q.have]; q.size == 3 && payload[0] == obd.NegativeResponse && payload[2] == responsePending {
		q.state = partPending
		p.tally.Pending++
	}
}

// consecutive takes a frame that goes on with its sender's message.
func (p *Parser) consecutive(from obd.Address, seq byte, b []byte) {
	q := p.unfinished(from)
	if q == nil {
		p.damage()
		return
	}
	if seq == (q.next-1)&0xF && q.have >= len(b) && bytes.Equal(b, p.arena[q.start+q.have-len(b):q.start+q.have]) {
		p.tally.Duplicates++
		return
	}
	// All but the last frame are full; a short one was torn.
	full := 7
	if q.have == 0 {
		full = 6
	}
	if seq != q.next || len(b) < min(full, q.size-q.have) {
		q.state = partBroken
		p.damage()
		return
	}
	q.next = (q.next + 1) & 0xF
	p.extend(q, b)
}

// unfinished is the sender's message that waits for more frames, nil if there is none.
func (p *Parser) unfinished(from obd.Address) *part {
	for i := len(p.parts) - 1; i >= 0; i-- {
		if q := &p.parts[i]; q.from == from {
			if q.state == partOpen {
				return q
			}
			return nil
		}
	}
	return nil
}

// endAnswer makes messages of what came.
func (p *Parser) endAnswer() {
	for i := range p.parts {
		q := &p.parts[i]
		if q.state == partOpen {
			p.damage() // the rest never came
		}
		if q.state != partWhole {
			continue
		}
		payload := p.arena[q.start : q.start+q.have : q.start+q.have]
		if p.repeated(q.from, payload) {
			p.tally.Duplicates++
			continue
		}
		p.messages = append(p.messages, obd.Message{From: q.from, Payload: payload})
		l := &p.latest
		if !l.any {
			l.any, l.first, l.began, l.framed = true, q.begun.at, q.begun.bound, q.framed
		} else {
			l.first, l.began, l.framed = max(l.first, q.begun.at), max(l.began, q.begun.bound), max(l.framed, q.framed)
		}
	}
}

// responsePending is the reason an engine computer gives that needs more time (ISO 14229-1).
const responsePending = 0x78

func (p *Parser) repeated(from obd.Address, payload []byte) bool {
	for i := range p.messages {
		if m := &p.messages[i]; m.From == from && bytes.Equal(m.Payload, payload) {
			return true
		}
	}
	return false
}
