package elm

import (
	"math"
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
	// Pace is how long a character takes at least on its way to us, 0 if unknown. See Tally.Began.
	Pace time.Duration

	framing Framing
	sent    []byte // an adapter that still echoes repeats it

	line    [maxLine]byte // the line so far, without spaces, in capitals
	n       int
	tooLong bool
	ended   bool  // a line has ended and no other has begun
	begun   onset // of the line
	lineOwn bool  // it began with the data itself

	base  time.Time // when the answer's first chunk came; instants count from it
	fed   bool      // it has come
	now   time.Duration
	said  time.Duration // when the last line that was no echo ended
	chars int           // characters before the chunk in hand; before the line's end, while a line is judged

	frame    [maxLine / 2]byte // a line's bytes
	arena    []byte            // payloads
	parts    []part
	messages []obd.Message

	status Status
	tally  Tally // without its instants
	latest latest
}

// onset is when something began to be sent.
type onset struct {
	at    time.Duration // when its first character was seen
	char  int           // its first character, counted from the answer's beginning
	bound time.Duration // see Tally.Began; noBound before a chunk has ended
}

// latest is what Tally says of the last message to begin.
type latest struct {
	any                  bool
	first, began, framed time.Duration
}

const noBound = time.Duration(math.MaxInt64)

// Tally counts what an answer was made of.
type Tally struct {
	Frames     int  // lines of data, damaged ones included
	Damaged    int  // lines and messages thrown away: checksum, torn, out of order, words nobody knows
	Duplicates int  // messages that repeated an earlier one of the same sender
	Pending    int  // engine computers' requests for more time (7F xx 78)
	Searching  bool // the adapter reported a search or a bus initialisation

	// First is when the first character of the first frame of the last message to begin was seen, so that every
	// message was measured before it. Zero if there was no message.
	First time.Time
	// Began bounds from above when that character began to be sent, and Framed when the line's end did, which an
	// adapter sends after the whole frame has come in: both are drawn from every character that came later, each of
	// which took Parser.Pace at least.
	Began, Framed time.Time
	// Said is when the end of the last line was seen, of data or of words. Zero if there was none.
	Said time.Time
}

// part is one sender's message on its way.
type part struct {
	from              obd.Address
	begun             onset
	end               int           // its first line's end, like onset.char
	framed            time.Duration // see Tally.Framed
	start, have, size int           // in the arena
	next              byte          // sequence number of the next frame
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
	p.sent = append(p.sent[:0], sent...)
	p.n, p.tooLong, p.ended, p.fed, p.chars = 0, false, false, false, 0
	p.arena, p.parts, p.messages = p.arena[:0], p.parts[:0], p.messages[:0]
	p.status, p.latest.any, p.said = StatusNone, false, -1
	t := &p.tally // field by field, which is quicker than all of it
	t.Frames, t.Damaged, t.Duplicates, t.Pending, t.Searching = 0, 0, 0, 0, false
}

// Feed takes characters that arrived at the given instant. It stops after the prompt and returns what is left.
func (p *Parser) Feed(b []byte, at time.Time) (rest []byte, prompt bool) {
	if p.fed {
		p.now = at.Sub(p.base)
	} else {
		p.fed, p.base, p.now = true, at, 0
	}
	before, n := p.chars, p.n
	for i, c := range b {
		k := class[c]
		switch {
		case k > classNoise && n > 0 && n < maxLine:
			p.line[n] = k
			n++
		case n == 0 && p.ended && k != classPrompt && c&0x3F == damagedPrompt:
			return p.prompt(b, i, before, n), true
		case k > classNoise && n == 0:
			p.begun, p.ended = onset{p.now, before + i, noBound}, false
			p.line[0] = k
			n = 1
		case k > classNoise:
			p.tooLong = true
		case k == classEnd:
			if n > 0 {
				p.chars = before + i
				p.endLine(n)
				n = 0
			}
			p.ended = true
		case k == classPrompt:
			return p.prompt(b, i, before, n), true
		case c == 0:
			before-- // inserted by the adapter's controller: it took no time on the line
		}
	}
	p.n, p.chars = n, before+len(b)
	p.bound()
	if p.n >= len(busInit) && (p.line[0] == 'S' || p.line[0] == 'B') {
		// A search is announced long before its line ends.
		if _, found, _ := prelude(p.line[:p.n]); found {
			p.tally.Searching = true
		}
	}
	return nil, false
}

// prompt ends the answer with the i-th character of b.
func (p *Parser) prompt(b []byte, i, before, n int) (rest []byte) {
	if n > 0 {
		p.chars = before + i
		p.endLine(n)
	}
	p.n, p.chars = 0, before+i+1
	p.bound()
	p.endAnswer()
	return b[i+1:]
}

// bound draws what can be drawn from the fact that all characters so far have come by now: each of them took its time,
// so that an earlier one began so much earlier.
func (p *Parser) bound() {
	if p.n > 0 {
		p.begun.bound = min(p.begun.bound, p.now-p.Pace*time.Duration(p.chars-p.begun.char))
	}
	for i := range p.parts {
		q := &p.parts[i]
		q.begun.bound = min(q.begun.bound, p.now-p.Pace*time.Duration(p.chars-q.begun.char))
		q.framed = min(q.framed, p.now-p.Pace*time.Duration(p.chars-q.end))
	}
}

// Messages are the whole messages of the answer, in the order in which they began, valid until Begin.
func (p *Parser) Messages() []obd.Message { return p.messages }

// Status is the worst thing the adapter said.
func (p *Parser) Status() Status { return p.status }

// Tally tells what the answer was made of.
func (p *Parser) Tally() Tally {
	t := p.tally
	if l := &p.latest; l.any {
		t.First, t.Began, t.Framed = p.base.Add(l.first), p.base.Add(l.began), p.base.Add(l.framed)
	}
	if p.said >= 0 {
		t.Said = p.base.Add(p.said)
	}
	return t
}

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
		p.said = p.now
		p.damage()
		return
	case p.isEcho(line):
		return
	}
	p.lineOwn, p.said = true, p.now
	if n, ok := p.decode(line); ok {
		p.data(line, n)
		return
	}
	p.text(line)
}

// isEcho reports whether a line is what was sent, spaces apart.
func (p *Parser) isEcho(line []byte) bool {
	n := 0
	for _, c := range p.sent {
		if k := class[c]; k > classNoise {
			if n == len(line) || line[n] != k {
				return false
			}
			n++
		}
	}
	return n == len(line)
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
	before, s, known := spoken(rest)
	switch {
	case !known:
		p.damage()
		return
	case len(before) == 0:
		p.worsen(s)
		return
	}
	// Words behind something: a line that broke off, unless nothing is wrong but the adapter's own affairs.
	if n, ok := p.decode(before); ok && s == StatusNone {
		p.worsen(s)
		p.data(before, n)
		return
	}
	p.tally.Frames++
	p.tally.Damaged++
	p.worsen(max(s, StatusGarbled))
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
