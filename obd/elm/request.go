package elm

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"underdash/obd"
)

// Request asks the car one question and waits for the adapter's prompt. The answer holds what each engine computer
// said to this very request, in the order in which they began; its payloads are valid until the next call. The first
// request after Open, and the first after the car was lost, finds the car's protocol before it asks.
//
// A request with a recipient (obd.Request.To) is put to that engine computer alone where adapter and bus allow it,
// and to all where not; in either case only its answers are returned. Without one it goes to whom Focus has chosen,
// or to all.
//
// Errors that are obd.ErrNoAnswer concern this request only: NO DATA, a refusal, a damaged or interrupted answer,
// a bus that is asleep. ErrNotAllowed is the caller's mistake. ErrTimeout, ErrReset, ErrAsleep, ErrFault and the
// stream's errors concern the connection. When the context ends first its error is returned and the next call puts
// the adapter in order.
func (c *Conn) Request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	if err := c.take(ctx); err != nil {
		return obd.Answer{}, fmt.Errorf("request %v: %w", r, err)
	}
	defer c.give()
	a, err := c.request(ctx, r)
	if err != nil {
		return obd.Answer{}, fmt.Errorf("request %v: %w", r, err)
	}
	return a, nil
}

func (c *Conn) request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	if err := allowed(r); err != nil {
		return obd.Answer{}, err
	}
	if err := c.usable(ctx); err != nil {
		return obd.Answer{}, err
	}
	if !c.session.found {
		if err := c.connect(ctx); err != nil {
			return obd.Answer{}, err
		}
	}
	if err := c.address(ctx, r.To); err != nil {
		return obd.Answer{}, err
	}
	p := c.counts.plan(r, c.session.aimed != 0)
	switch {
	case p.plain.state == forbidden:
		return obd.Answer{}, fmt.Errorf("%w: %v", ErrHazard, r)
	case r.Service == obd.CurrentData && len(r.PIDs) > 1 && !c.can() && c.session.protocol != 0:
		return obd.Answer{}, &Error{Err: ErrOneParameter}
	}
	if err := c.rest(ctx); err != nil {
		return obd.Answer{}, err
	}
	a, err := c.askPlanned(ctx, p, r)
	c.follow(r, err)
	return a, err
}

// askPlanned asks r in the best way known, and in plainer ways where the adapter does not understand.
func (c *Conn) askPlanned(ctx context.Context, p *plan, r obd.Request) (obd.Answer, error) {
	q := p.with(c.frames(p, r))
	a, err := c.ask(ctx, q)
	if errors.Is(err, ErrRejected) {
		// Noise in the line, or an adapter that does not know the count: once more, without.
		counted := q.frames > 0
		q = &p.plain
		if a, err = c.ask(ctx, q); err == nil && counted {
			c.giveUpCounting()
		}
	}
	if q.frames > 0 && !c.info.Features.Count && errors.Is(err, obd.ErrNoAnswer) && a.Frames == 0 {
		// Nothing has shown yet that the adapter knows the count at all.
		q = &p.plain
		if a, err = c.ask(ctx, q); err == nil {
			c.giveUpCounting()
		}
	}
	if errors.Is(err, ErrPending) && c.info.Features.Timeout {
		a, err = c.askPatiently(ctx, &p.plain)
		q = &p.plain
	}
	c.learn(p, a, q.frames, err)
	if to := r.To; err == nil && to != 0 && to != obd.Everybody {
		a.Messages = slices.DeleteFunc(a.Messages, func(m obd.Message) bool { return m.From != to && m.From != 0 })
		if len(a.Messages) == 0 {
			return obd.Answer{}, c.failure(obd.ErrNoAnswer)
		}
	}
	return a, err
}

// askPatiently asks with the adapter's longest time-out: firmware before 2.1 does not wait longer for an engine
// computer that asks for more time.
func (c *Conn) askPatiently(ctx context.Context, q *request) (obd.Answer, error) {
	patience := []command{timeoutLong}
	if c.info.Features.Adaptive {
		patience = append(patience, adaptiveOff)
	}
	if err := c.setAll(ctx, patience); err != nil {
		return obd.Answer{}, err
	}
	a, err := c.ask(ctx, q)
	if err == nil || errors.Is(err, obd.ErrNoAnswer) {
		if e := c.setAll(ctx, c.usualWaiting()); e != nil {
			return obd.Answer{}, e
		}
	}
	return a, err
}

func (c *Conn) setAll(ctx context.Context, all []command) error {
	for _, k := range all {
		if _, err := c.set(ctx, k); err != nil {
			return err
		}
	}
	return nil
}

// follow draws the conclusions for the session with the car.
func (c *Conn) follow(r obd.Request, err error) {
	s := &c.session
	switch {
	case err == nil || errors.Is(err, ErrRefused):
		s.silent = 0
	case errors.Is(err, ErrUnableToConnect) || errors.Is(err, ErrBus):
		s.lose()
	case errors.Is(err, obd.ErrNoAnswer) && r.Service == obd.CurrentData:
		if s.silent++; s.silent >= silentMax {
			s.lose()
		}
	}
}

// usable is nil if the adapter is set up and still so.
func (c *Conn) usable(ctx context.Context) error {
	if !c.ready {
		return &Error{Err: ErrNotOpen}
	}
	return c.attend(ctx)
}

// attend makes the adapter ready for the next line and looks at what it said unasked. While it is being set up only
// the first is of interest.
func (c *Conn) attend(ctx context.Context) error {
	if err := c.settle(ctx); err != nil {
		return err
	}
	unasked := c.unasked
	c.unasked = c.unasked[:0]
	if !c.ready || len(unasked) == 0 {
		return nil
	}
	for _, w := range []struct {
		text string
		err  error
	}{{"ELM327", ErrReset}, {"LVRESET", ErrReset}, {"ERR94", ErrReset}, {"LPALERT", ErrAsleep}} {
		if bytes.Contains(unasked, []byte(w.text)) {
			c.ready = false
			return &Error{Heard: string(unasked), Err: w.err}
		}
	}
	return nil
}

// ask sends a request once and takes in the answer.
func (c *Conn) ask(ctx context.Context, q *request) (obd.Answer, error) {
	if err := c.attend(ctx); err != nil {
		return obd.Answer{}, err
	}
	c.heard, c.strays = c.heard[:0], 0
	u := utterance{request: q.Request, frames: q.frames}
	sent, chars, err := c.say(ctx, u, q.state == twoStep)
	if err != nil {
		return obd.Answer{}, err
	}
	c.parser.Pace = c.pace.least()
	c.parser.Begin(c.session.framing, c.out)
	done, aborted, err := c.listen(ctx)
	if err != nil {
		return obd.Answer{}, err
	}
	c.session.began, c.session.ended = sent, done
	t := c.parser.Tally()
	a := obd.Answer{Sent: sent, First: t.First, Done: done, Frames: t.Frames}
	var refusal []byte
	a.Messages, refusal, c.strays = matching(c.parser.Messages(), q.Request)
	if c.session.framing == Bare && c.session.aimed != 0 {
		for i := range a.Messages {
			a.Messages[i].From = c.session.aimed
		}
	}
	err = c.verdict(a, aborted, refusal)
	if err == nil {
		a.Earliest, a.Latest = c.bounds(a, t, chars, len(q.PIDs)+1)
	} else {
		a = obd.Answer{Frames: t.Frames}
	}
	if q.state == twoStep {
		if e := c.silence(ctx); e != nil {
			return obd.Answer{}, e
		}
	}
	return a, err
}

// listen feeds the parser until the prompt. When time is up it aborts the request and goes on to listen: what came
// whole before that is good.
func (c *Conn) listen(ctx context.Context) (done time.Time, aborted bool, err error) {
	// A protocol of CAN that was chosen needs no search and no start of a session.
	searching, pending := !c.session.found && !c.can(), 0
	wait, search := c.o.Timeout, c.o.SearchTimeout
	if c.session.stepping {
		search /= stepPart
	}
	if searching {
		wait = search
	}
	c.expect(wait)
	for {
		k, err := c.next(ctx)
		switch {
		case errors.Is(err, errExpired) && !aborted:
			aborted = true
			if err := c.abort(); err != nil {
				return done, aborted, err
			}
			c.expect(c.o.AbortTimeout)
			continue
		case errors.Is(err, errExpired):
			return done, aborted, c.failure(ErrTimeout)
		case err != nil:
			return done, aborted, err
		}
		rest, prompt := c.parser.Feed(k.bytes, k.at)
		if prompt {
			c.busy = false
			c.overhear(rest)
			return k.at, aborted, nil
		}
		t := c.parser.Tally()
		switch {
		case aborted:
		case t.Searching && !searching:
			searching = true
			c.expect(search)
		case t.Pending > pending && !searching:
			pending = t.Pending
			c.expect(c.o.PendingTimeout)
		}
	}
}

// verdict is what an answer amounts to: nil if it holds messages to go on with.
func (c *Conn) verdict(a obd.Answer, aborted bool, refusal []byte) error {
	s := c.parser.Status()
	switch {
	case s >= StatusFault:
		c.ready = false
		return c.failure(s.err())
	case s == StatusOverflow:
		return c.failure(ErrOverflow) // lines may have been spliced
	case len(a.Messages) > 0:
		return nil
	case refusal != nil:
		e := c.failure(ErrRefused)
		if len(refusal) > 2 {
			e.Reason = refusal[2]
		}
		return e
	case aborted:
		return c.failure(ErrAborted)
	case c.parser.Tally().Pending > 0:
		return c.failure(ErrPending)
	case s != StatusNone:
		return c.failure(s.err())
	}
	return c.failure(obd.ErrNoAnswer) // an empty answer, or answers to other requests only
}

// matching moves the messages that answer r to the front and returns them. Others are strays: late answers to
// earlier requests, or to a second tester's. refusal is an engine computer's refusal of this request, if there was one.
func matching(all []obd.Message, r obd.Request) (good []obd.Message, refusal []byte, strays int) {
	good = all[:0]
	for _, m := range all {
		p := m.Payload
		switch {
		case len(p) >= 2 && p[0] == obd.NegativeResponse && p[1] == byte(r.Service):
			refusal = p
		case p[0] == byte(r.Service)+obd.ResponseOffset && (len(r.PIDs) == 0 || len(p) >= 2 && asked(r, obd.PID(p[1]))):
			good = append(good, m)
		default:
			strays++
		}
	}
	return good, refusal, strays
}

func asked(r obd.Request, p obd.PID) bool {
	if r.Service == obd.FreezeFrame {
		return r.PIDs[0] == p // what follows are frame numbers
	}
	return slices.Contains(r.PIDs, p)
}
