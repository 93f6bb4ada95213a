package elm

import (
	"bytes"
	"time"

	"underdash/obd"
)

const (
	// maxLine is the longest line kept: a KWP message of 3 + 255 + 1 bytes, with room for words before and after.
	maxLine = 600
	// maxParts bounds what one answer may hold, so that noise cannot grow the parser.
	maxParts = 64
)

// Parser turns the characters an adapter sends in answer to one request into messages. It takes them as they come,
// cut anywhere, keeps its memory from answer to answer, and knows nothing of time but the instants it is given.
//
// Begin starts an answer, Feed takes characters until the prompt, then Messages, Status and Tally tell what came.
type Parser struct {
	framing Framing
	echo    []byte // what was sent, without spaces: an adapter that still echoes repeats it

	line     [maxLine]byte // the line so far, without spaces, in capitals
	n        int
	tooLong  bool
	lineAt   time.Time // when its first character came
	lineOwn  bool      // it began with the data itself
	now      time.Time
	frame    [maxLine / 2]byte // a line's bytes
	arena    []byte            // payloads
	parts    []part
	messages []obd.Message

	status Status
	tally  Tally
}

// Tally counts what an answer was made of.
type Tally struct {
	Frames     int  // lines of data, damaged ones included
	Damaged    int  // lines and messages thrown away: checksum, torn, out of order, words nobody knows
	Duplicates int  // messages that repeated an earlier one of the same sender
	Pending    int  // engine computers' requests for more time (7F xx 78)
	Searching  bool // the adapter reported a search or a bus initialisation
	First      time.Time
	// First is when the answer began: the first character of the first frame of the last message to begin, so
	// that every message was measured before it. Zero if there was no message.
}

// part is one sender's message on its way.
type part struct {
	from              obd.Address
	at                time.Time
	start, have, size int  // in the arena
	next              byte // sequence number of the next frame
	state             partState
}

type partState uint8

const (
	partOpen partState = iota
	partWhole
	partBroken
	partPending // whole, and no more than a request for time
)

// Begin forgets the last answer and expects one printed in framing f to the given line.
func (p *Parser) Begin(f Framing, sent []byte) {
	p.framing = f
	p.echo = p.echo[:0]
	for _, c := range sent {
		if k := class[c]; k > classNoise {
			p.echo = append(p.echo, k)
		}
	}
	p.n, p.tooLong = 0, false
	p.arena, p.parts, p.messages = p.arena[:0], p.parts[:0], p.messages[:0]
	p.status, p.tally = StatusNone, Tally{}
}

// Classes of characters; everything above classNoise is the character itself, letters as capitals.
const (
	classDrop   byte = iota // NUL, spaces, characters that no adapter sends
	classEnd                // CR, LF
	classPrompt             // >
	classNoise              // other control characters
)

// class sorts characters. NULs come from an erratum of the adapter's controller, characters from 80 up from noise
// and from clones' banners; spaces say nothing.
var class = func() (t [256]byte) {
	for c := range 256 {
		switch {
		case c == 0 || c == ' ' || c >= 0x7F:
			t[c] = classDrop
		case c == '\r' || c == '\n':
			t[c] = classEnd
		case c == '>':
			t[c] = classPrompt
		case c < ' ':
			t[c] = classNoise
		case c >= 'a' && c <= 'z':
			t[c] = byte(c) - 'a' + 'A'
		default:
			t[c] = byte(c)
		}
	}
	return t
}()

// Feed takes characters that arrived at the given instant. It stops after the prompt and returns what is left.
func (p *Parser) Feed(b []byte, at time.Time) (rest []byte, prompt bool) {
	p.now = at
	n := p.n
	for i, c := range b {
		k := class[c]
		switch {
		case k > classNoise:
			if n == 0 {
				p.lineAt = at
			}
			if n == maxLine {
				p.tooLong = true
				continue
			}
			p.line[n] = k
			n++
		case k == classEnd:
			p.endLine(n)
			n = 0
		case k == classPrompt:
			p.endLine(n)
			p.endAnswer()
			p.n = 0
			return b[i+1:], true
		}
	}
	p.n = n
	if p.n >= len(busInit) && (p.line[0] == 'S' || p.line[0] == 'B') {
		// A search is announced long before its line ends.
		if _, found, _ := prelude(p.line[:p.n]); found {
			p.tally.Searching = true
		}
	}
	return nil, false
}

// Messages are the whole messages of the answer, in the order in which they began, valid until Begin.
func (p *Parser) Messages() []obd.Message { return p.messages }

// Status is the worst thing the adapter said.
func (p *Parser) Status() Status { return p.status }

// Tally tells what the answer was made of.
func (p *Parser) Tally() Tally { return p.tally }

func (p *Parser) worsen(s Status) { p.status = max(p.status, s) }

func (p *Parser) damage() {
	p.tally.Damaged++
	p.worsen(StatusGarbled)
}

// endLine judges the line of n characters.
func (p *Parser) endLine(n int) {
	line := p.line[:n]
	tooLong := p.tooLong
	p.tooLong = false
	switch {
	case tooLong:
		p.damage()
		return
	case len(line) == 0 || bytes.Equal(line, p.echo):
		return
	}
	p.lineOwn = true
	if n, ok := p.decode(line); ok {
		p.data(line, n)
		return
	}
	p.text(line)
}

// text judges a line that is not hexadecimal throughout.
func (p *Parser) text(line []byte) {
	rest, found, failed := prelude(line)
	if found {
		p.tally.Searching = true
		p.lineOwn = false
	}
	if failed {
		p.worsen(StatusBus)
		return
	}
	if len(rest) == 0 {
		return
	}
	if n, ok := p.decode(rest); ok {
		p.data(rest, n)
		return
	}
	if len(rest) > 2 && rest[1] == ':' {
		if seq, ok := nibble(rest[0]); ok {
			if n, ok := p.decode(rest[2:]); ok && len(rest)%2 == 0 {
				p.tally.Frames++
				p.segment(seq, p.frame[:n])
				return
			}
		}
	}
	s, known := status(rest)
	if known {
		p.worsen(s)
		return
	}
	for _, x := range suffixes {
		if bytes.HasSuffix(rest, []byte(x.text)) {
			p.tally.Frames++
			p.tally.Damaged++
			p.worsen(x.status)
			return
		}
	}
	p.damage()
}

// decode turns hexadecimal digits into p.frame. Of an odd number of digits the first three are left out: a CAN
// identifier of 11 bits, or a length. It reports false if there is anything but digits.
func (p *Parser) decode(line []byte) (n int, ok bool) {
	if len(line)%2 == 1 {
		if len(line) < 3 {
			return 0, false
		}
		for _, c := range line[:3] {
			if hexDigit[c] == notHex {
				return 0, false
			}
		}
		line = line[3:]
	}
	for i := 0; i+1 < len(line); i += 2 {
		hi, lo := hexDigit[line[i]], hexDigit[line[i+1]]
		if hi|lo == notHex {
			return 0, false
		}
		p.frame[n] = hi<<4 | lo&0xF
		n++
	}
	return n, true
}

const notHex = 0xFF

// hexDigit is each digit's value, notHex for other characters.
var hexDigit = func() (t [256]byte) {
	for i := range t {
		t[i] = notHex
	}
	for i, c := range []byte("0123456789ABCDEF") {
		t[c] = byte(i)
	}
	return t
}()

func nibble(c byte) (byte, bool) {
	v := hexDigit[c]
	return v, v != notHex
}
