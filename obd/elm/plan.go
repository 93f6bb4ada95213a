package elm

import (
	"errors"
	"time"

	"underdash/obd"
)

// plan is what is known of one request: how it is written and how many lines its answer takes. Told this number, the
// adapter gives its prompt after that many lines instead of waiting for more; that is most of a request's time.
//
// A wrong number does harm: with one too small a second engine computer's line comes late and is taken for the
// answer to the next request. So a number comes from a clean answer to the very same request, asked without one, to
// which a single engine computer answered; or from the answer's length, where one engine computer alone is asked and
// the asker knows the length. It is forgotten when an answer does not fit it, or comes from another engine
// computer than before: that one's line would be all that is ever heard. The whole idea is given up on an adapter that does
// not know it, and for a while on one that does when numbers keep doing harm: noise does the same now and then.
type plan struct {
	plain, counted request
	frames         int         // 0 = not known
	from           obd.Address // who answered when they were learned, 0 = not known
	expected       bool        // frames came from the answer's length and no answer has contradicted it yet
	doubted        bool        // the length was wrong once: learn instead
	answered       bool        // it was, once
	struck         bool        // nothing came the last time, when it was asked with a number
}

// request is one way to write a request.
type request struct {
	obd.Request        // its parameters in the order in which they are sent
	frames      int    // 0 = without
	state       safety // how it may be sent
}

type safety uint8

const (
	unjudged safety = iota
	safe            // in one go
	twoStep         // only after the adapter has shown that it has all of it
)

// counts are the plans of the requests seen.
type counts struct {
	plans   map[planKey]*plan
	useless bool          // no numbers are used
	again   time.Time     // when they are tried again; zero = not in this session
	rest    time.Duration // how long they were last given up for
	strikes int           // how often a number seemed to do harm, strikeWeight each, less the good answers since
}

// planKey is a request's bytes, the number of its parameters, and whether one engine computer alone is asked.
type planKey struct {
	bytes   [maxPIDs + 1]byte
	n       uint8
	focused bool
}

const (
	// plansMax bounds what is remembered of requests. A poller asks some dozens of different ones.
	plansMax = 1024
	// maxCount is the largest number that one hexadecimal digit can tell.
	maxCount = 15
	// strikesMax is how often a number may seem to do harm: strays, or silence or ? where the request without one is
	// answered. A good answer makes up for a part of it, one in strikeWeight, so that noise in one answer of a hundred
	// never adds up.
	strikesMax   = 3
	strikeWeight = 16
	// restMin is how long numbers are given up for the first time, twice as long each further time.
	restMin = time.Minute
)

func (n *counts) clear() { *n = counts{} }

// plan finds or makes the plan of a request that is allowed.
func (n *counts) plan(r obd.Request, focused bool) *plan {
	k := planKey{n: uint8(len(r.PIDs)), focused: focused}
	k.bytes[0] = byte(r.Service)
	for i, p := range r.PIDs {
		k.bytes[1+i] = byte(p)
	}
	if p := n.plans[k]; p != nil {
		return p
	}
	if len(n.plans) >= plansMax || n.plans == nil {
		n.plans = make(map[planKey]*plan)
	}
	p := &plan{plain: request{Request: copyOf(r)}}
	p.plain.judge()
	n.plans[k] = p
	return p
}

func copyOf(r obd.Request) obd.Request {
	r.PIDs = append([]obd.PID(nil), r.PIDs...)
	return r
}

// judge arranges the parameters and says how the request may be sent.
func (r *request) judge() {
	if r.state = twoStep; arrange(r.Request, r.frames) {
		r.state = safe
	}
}

// with is the way to write the request with a number of frames. If that is not safe in any order it is the one
// without a number, unless that has to be sent in two steps just as well.
func (p *plan) with(frames int) *request {
	if frames == 0 {
		return &p.plain
	}
	if p.counted.state == unjudged || p.counted.frames != frames {
		p.counted = request{Request: copyOf(p.plain.Request), frames: frames}
		p.counted.judge()
	}
	if p.counted.state != safe && p.plain.state == safe {
		return &p.plain
	}
	return &p.counted
}

// frames is the number to send with r, 0 if it is not known. Only service 01 is asked often enough to be worth it. Who
// asks everybody wants every answer, a computer's too that was silent when the number was learned.
func (c *Conn) frames(p *plan, r obd.Request) int {
	if r.To == obd.Everybody || c.o.NoCount || c.counts.useless || c.session.protocol == 0 || r.Service != obd.CurrentData {
		return 0
	}
	if p.frames == 0 && r.Bytes > 0 && c.session.aimed != 0 && !p.doubted {
		if n := framesOf(r.Bytes); n <= maxCount {
			p.frames, p.expected, p.from = n, true, 0
		}
	}
	return p.frames
}

// framesOf is how many CAN frames a payload of n bytes takes (ISO 15765-2): one up to seven bytes, else six in the
// first and seven in each of the others.
func framesOf(n int) int {
	if n <= 7 {
		return 1
	}
	return 1 + n/7
}

// learn draws conclusions from the answer a, or the error, to a request that was asked with the given number.
func (c *Conn) learn(p *plan, a obd.Answer, frames int, err error) {
	t := c.parser.Tally()
	clean := err == nil && c.strays == 0 && t.Damaged == 0 && t.Duplicates == 0 && t.Pending == 0 && !t.Searching &&
		len(a.Messages) == 1 && len(c.parser.Messages()) == 1
	switch {
	case c.o.NoCount || c.counts.useless || errors.Is(err, ErrClosed):
	case frames > 0 && c.strays > 0:
		c.strike()
		if c.session.aimed == 0 {
			p.frames = 0 // a second engine computer may have been silent when it was learned
		}
	case frames > 0 && clean && a.Frames == frames && (p.from == 0 || p.from == a.Messages[0].From):
		c.counts.strikes = max(0, c.counts.strikes-1)
		if !c.info.Features.Count {
			c.setInfo(func(i *Info) { i.Features.Count = true })
		}
	case frames > 0:
		p.frames, p.doubted = 0, p.doubted || p.expected
		p.expected = false
		p.struck = a.Frames == 0
	case clean && a.Frames <= maxCount && c.session.protocol != 0:
		p.frames, p.from = a.Frames, a.Messages[0].From
		if p.struck {
			p.struck = false
			c.strike()
		}
	}
}

// strike notes that a number seemed to do harm, and gives numbers up where it is enough of that.
func (c *Conn) strike() {
	n := &c.counts
	if !c.info.Features.Count { // and nothing has shown that the adapter knows them
		c.giveUpCounting()
		return
	}
	if n.strikes += strikeWeight; n.strikes <= (strikesMax-1)*strikeWeight {
		return
	}
	n.rest = max(restMin, 2*n.rest)
	n.again = time.Now().Add(n.rest)
	c.giveUpCounting()
}

func (c *Conn) giveUpCounting() {
	c.counts.useless, c.counts.strikes = true, 0
	c.counts.plans = nil // they are learned anew
	c.setInfo(func(i *Info) { i.Features.Count = false })
}

// resumeCounting tries numbers again when their time has come.
func (c *Conn) resumeCounting() {
	if n := &c.counts; n.useless && !n.again.IsZero() && !time.Now().Before(n.again) {
		n.useless, n.again = false, time.Time{}
		c.setInfo(func(i *Info) { i.Features.Count = true })
	}
}

// can reports whether the car is known to be on CAN.
func (c *Conn) can() bool { return c.session.protocol >= '6' }
