package elm

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"underdash/obd"
)

// session is what is known of the conversation with the car, as opposed to the adapter.
type session struct {
	found    bool // the car has answered, so that the adapter knows its protocol
	protocol byte // the adapter's number for it, '1' to '9'; 0 = not known
	framing  Framing
	silent   int // requests of service 01 in a row that nothing answered

	remembered byte      // the protocol to try first, 0 = none
	proven     bool      // the car answered by it since the adapter was set up
	missing    time.Time // since when the car was not found, or since it was searched; zero = not tried
	missed     time.Time // when it was tried last
	stepped    bool      // all protocols have been tried one by one
	stepping   bool      // they are being tried

	focus       obd.Address         // who a request without a recipient goes to, 0 = everybody
	chosen      bool                // the caller chose it
	aimed       obd.Address         // who the adapter is set to ask, 0 = everybody
	unsettled   bool                // an error came while that was being changed
	header      bool                // the request's header has been changed
	filter      bool                // the receive filter has been changed
	patience    int                 // how patiently, 0 to patienceMax
	waiting     []command           // how long the adapter waits for it, nil = as usual
	ways        map[obd.Address]way // what was found to work
	unaddressed bool                // asking one engine computer alone does not work

	ended time.Time // when the last answer's last line had come, for buses that want a pause
	began time.Time // when the last request was sent, likewise
}

// silentMax is how many requests in a row may stay unanswered before the session with the car counts as lost. A
// K-line session ends unnoticed, for instance when the engine computer restarts.
const silentMax = 8

// searchAfter is how long a car is tried with the protocol that is known from another time before a search, the first one too: a
// search keeps a car awake and takes tens of seconds, in which it is missed when it wakes. A car of another protocol is found
// within a minute or so. Where nobody has tried for searchRest, that time begins anew.
const (
	searchAfter = 30 * time.Second
	searchRest  = 10 * time.Second
)

// steps are the protocols in the order in which they are tried one by one, the likelier and quicker ones first.
const steps = "68795321" + "4"

// stepPart is the part of the search's time-out that one protocol gets. The longest start of a session takes 3 s (two
// initialisations at five baud; data sheet, rev. DSJ, p. 33).
const stepPart = 4

var bitmapRequest = obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x00}}

// connect finds the car: by the protocol that it used before, by a search, and once by trying all.
func (c *Conn) connect(ctx context.Context) error {
	s := &c.session
	if err := c.aim(ctx, 0); err != nil {
		return err
	}
	if err := c.forbidStoring(ctx); err != nil {
		return err
	}
	tries := c.info.Features.Protocols
	var last error
	if s.remembered != 0 && tries {
		err := c.try(ctx, protocolOf[s.remembered])
		if err == nil || !errors.Is(err, obd.ErrNoAnswer) {
			return err
		}
		last = err
		if !s.searches(time.Now()) {
			return last
		}
		defer func() {
			if !s.found {
				s.missing = time.Now()
				s.missed = s.missing
			}
		}()
	}
	err := c.try(ctx, anyProtocol)
	if err == nil || !errors.Is(err, obd.ErrNoAnswer) {
		return err
	}
	if last == nil || errors.Is(err, ErrUnableToConnect) {
		last = err
	}
	switch {
	case !tries && !errors.Is(err, ErrUnableToConnect): // which says that it searched
		return fmt.Errorf("%w: %w", ErrFixedProtocol, err)
	case s.stepped || !tries:
		return last
	}
	s.stepped, s.stepping = true, true
	defer func() { s.stepping = false }()
	for i := range len(steps) {
		if steps[i] == s.remembered {
			continue
		}
		err := c.try(ctx, protocolOf[steps[i]])
		if err == nil || !errors.Is(err, obd.ErrNoAnswer) {
			return err
		}
		if errors.Is(err, ErrAborted) {
			break // an adapter that hangs does so with the next one too
		}
	}
	return last
}

// forbidStoring tells an adapter that has not agreed yet, once more, not to store the protocol that it is about to find: what
// was taken for a refusal when it was set up may have been a damaged line. One that has no such setting is used all the same.
func (c *Conn) forbidStoring(ctx context.Context) error {
	if c.info.Features.Memory {
		return nil
	}
	r, err := c.set(ctx, memoryOff)
	if err != nil {
		return err
	}
	c.setInfo(func(i *Info) { i.Features.Memory = r.ok() })
	return nil
}

// searches notes that a try with the known protocol has failed, and says whether the car is searched. One that has answered since
// the adapter was set up is still there, asleep most likely: a search would miss it when it wakes. An adapter that has lost its
// power, or was opened anew, may be in another car, and is more often in the same one, whose computers are not awake yet.
func (s *session) searches(now time.Time) bool {
	if s.missing.IsZero() || now.Sub(s.missed) > searchRest {
		s.missing = now
	}
	s.missed = now
	return !s.proven && now.Sub(s.missing) >= searchAfter
}

// try chooses a protocol, or none, and asks the question that every car with OBD answers.
func (c *Conn) try(ctx context.Context, k command) error {
	s := &c.session
	if c.info.Features.Protocols {
		if _, err := c.set(ctx, k); err != nil {
			return err
		}
	}
	s.protocol, s.framing = 0, c.unknownFraming()
	for n := range protocolOf {
		if protocolOf[n] == k {
			s.choose(n, c.info.Features.Headers)
		}
	}
	a, err := c.ask(ctx, &request{Request: bitmapRequest, state: safe})
	if errors.Is(err, ErrRejected) { // noise in the line
		a, err = c.ask(ctx, &request{Request: bitmapRequest, state: safe})
	}
	if err != nil {
		return err
	}
	return c.connected(ctx, a)
}

func (c *Conn) unknownFraming() Framing {
	if c.info.Features.Headers {
		return AnyFraming
	}
	return Bare
}

// choose notes the protocol in use.
func (s *session) choose(number byte, headers bool) {
	s.protocol = number
	if headers {
		s.framing = protocols[number].framing
	} else {
		s.framing = Bare
	}
}

// connected takes in that the car answered a: which protocol that is, and what the adapter can do with it.
func (c *Conn) connected(ctx context.Context, a obd.Answer) error {
	s := &c.session
	if err := c.nameProtocol(ctx); err != nil {
		return err
	}
	if a.Messages[0].From == 0 && c.info.Features.Headers { // it agreed to show headers, and does not
		c.setInfo(func(i *Info) { i.Features.Headers = false })
		s.framing = Bare
	}
	s.found, s.missing, s.silent = true, time.Time{}, 0
	if c.info.Protocol != "" {
		s.proven, s.remembered = true, s.protocol
	} else if s.protocol == 0 {
		// It cannot tell. Who answered shows that it is CAN; the faster of two rates is the safer guess.
		switch from := a.Messages[0].From; {
		case from>>8 == 0x18DAF1:
			s.choose('7', true)
		case from >= 0x7E8 && from <= 0x7EF:
			s.choose('6', true)
		}
	}
	if s.protocol == 0 {
		return nil
	}
	if c.can() && !c.info.Features.Adaptive && c.info.Features.Timeout {
		if err := c.setAll(ctx, c.usualWaiting()); err != nil {
			return err
		}
	}
	if err := c.probeCount(ctx); err != nil {
		return err
	}
	if c.can() && !c.info.Features.Headers && s.focus == 0 && !s.chosen {
		// Without headers nobody can tell who said what, unless one alone is asked: the engine's computer, at the
		// address that it usually has.
		usual := obd.Address(0x7E8)
		if protocols[s.protocol].framing == CAN29 {
			usual = 0x18DAF110
		}
		if err := c.aim(ctx, usual); err != nil {
			return err
		}
		s.focus = s.aimed
		c.setInfo(func(i *Info) { i.Focus = s.focus })
	}
	return nil
}

// probeCount finds out whether the adapter stops listening after a given number of frames: the same question must
// get the same answer with and without it. Where that cannot be asked safely (01002 could become 1002, a programming
// session), the first request that can will tell.
func (c *Conn) probeCount(ctx context.Context) error {
	if c.o.NoCount || c.counts.useless || c.info.Features.Count {
		return nil
	}
	plain := request{Request: bitmapRequest, state: safe}
	for range 2 { // one exchange may be disturbed
		a, err := c.ask(ctx, &plain)
		if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
			return err
		}
		t := c.parser.Tally()
		if err != nil || t.Damaged+t.Duplicates+t.Pending > 0 || c.strays > 0 || a.Frames > maxCount {
			continue
		}
		counted := request{Request: bitmapRequest, frames: a.Frames}
		if counted.judge(); counted.state != safe {
			return nil
		}
		want := shown(a.Messages)
		if a, err = c.ask(ctx, &counted); err != nil && !errors.Is(err, obd.ErrNoAnswer) {
			return err
		}
		ok := err == nil && shown(a.Messages) == want && a.Frames == counted.frames && c.strays == 0
		c.setInfo(func(i *Info) { i.Features.Count = ok })
		if c.counts.useless = !ok; ok {
			return nil
		}
	}
	return nil
}

// shown is a text that is the same for the same messages in any order.
func shown(messages []obd.Message) string {
	var all []string
	for _, m := range messages {
		all = append(all, m.From.String()+" "+string(m.Payload))
	}
	slices.Sort(all)
	return strings.Join(all, "|")
}

// nameProtocol asks, once the car has answered, which protocol that was. The parser then need not guess. An adapter
// that cannot tell leaves it at what was chosen.
func (c *Conn) nameProtocol(ctx context.Context) error {
	r, err := c.set(ctx, protocolNumber)
	if err != nil {
		return err
	}
	for _, line := range r.lines() {
		if len(line) > 1 { // A6: found automatically
			line = strings.TrimPrefix(line, "A")
		}
		if len(line) == 1 && protocols[line[0]].name != "" {
			c.session.choose(line[0], c.info.Features.Headers)
			break
		}
	}
	if n := c.session.protocol; n != 0 {
		c.setInfo(func(i *Info) { i.Protocol, i.ProtocolName = string(rune(n)), protocols[n].name })
	}
	return nil
}

// lose notes that the car is not to be had at the moment; the next request looks for it.
func (s *session) lose() { s.found, s.silent, s.ways = false, 0, nil }

// rest waits until the bus may be used again. A K-line wants 55 ms between an answer and the next request (P3 of ISO
// 14230-2 and ISO 9141-2, from memory), which count from the answer's last line: until its prompt an adapter that is told no
// number of lines waits in silence for others, and most of the pause or all of it is over then. J1850 before
// 2002 wants 100 ms from request to request (data sheet, rev. DSJ, p. 32). Where the adapter cannot tell the protocol, and who
// answered does not show that it is CAN, it may be any of these.
func (c *Conn) rest(ctx context.Context) error {
	j1850, kLine := c.session.began.Add(100*time.Millisecond), c.session.ended.Add(55*time.Millisecond)
	var until time.Time
	switch c.session.protocol {
	case '1', '2':
		until = j1850
	case '3', '4', '5':
		until = kLine
	case 0:
		if until = j1850; kLine.After(until) {
			until = kLine
		}
	default:
		return nil
	}
	d := time.Until(until)
	if d <= 0 {
		return nil
	}
	return c.discard(ctx, d)
}
