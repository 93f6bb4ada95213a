package elm

import (
	"bytes"
	"cmp"
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
	c.resumeCounting()
	if err := c.address(ctx, r.To); err != nil {
		return obd.Answer{}, err
	}
	p := c.counts.plan(r, c.session.aimed != 0)
	if r.Service == obd.CurrentData && len(r.PIDs) > 1 && !c.can() && c.session.protocol != 0 {
		return obd.Answer{}, &Error{Err: ErrOneParameter}
	}
	a, err := c.askPlanned(ctx, p, r)
	c.follow(r, err)
	return a, err
}

// askPlanned asks r in the best way known, and in plainer ways where the adapter does not understand.
func (c *Conn) askPlanned(ctx context.Context, p *plan, r obd.Request) (obd.Answer, error) {
	q := p.with(c.frames(p, r))
	a, err := c.ask(ctx, q)
	if late, failed := c.afterLate(ctx, p, a.Frames, err); late || failed != nil {
		return a, cmp.Or(failed, err)
	}
	p.answered = p.answered || err == nil
	if errors.Is(err, ErrRejected) {
		// Noise in the line, or an adapter that does not know the count: once more, without.
		counted := q.frames > 0
		q = &p.plain
		if a, err = c.ask(ctx, q); err == nil && counted {
			c.strike()
		}
	}
	if q.frames > 0 && !c.info.Features.Count && errors.Is(err, obd.ErrNoAnswer) && a.Frames == 0 {
		// Nothing has shown yet that the adapter knows the count at all.
		q = &p.plain
		if a, err = c.ask(ctx, q); err == nil {
			c.strike()
		}
	}
	var early obd.Answer
	if c.owed(r, err) && c.info.Features.Timeout {
		early = copied(a)
		a, err = c.askPatiently(ctx, &p.plain)
		q = &p.plain
	}
	c.learn(p, a, q.frames, err)
	a, err = withEarly(a, err, early)
	if to := r.To; err == nil && to != 0 && to != obd.Everybody {
		a.Messages = slices.DeleteFunc(a.Messages, func(m obd.Message) bool { return m.From != to && m.From != 0 })
		if len(a.Messages) == 0 {
			return obd.Answer{}, c.failure(obd.ErrNoAnswer)
		}
	}
	return a, err
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
	if c.session.found { // the adapter takes care of a session's start
		if err := c.rest(ctx); err != nil {
			return obd.Answer{}, err
		}
	}
	if err := c.attend(ctx); err != nil {
		return obd.Answer{}, err
	}
	if q.state != twoStep && c.echoes && c.info.Features.Echo { // an interrupted request has left it on
		if err := c.silence(ctx); err != nil {
			return obd.Answer{}, err
		}
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
	t := c.parser.Tally()
	if c.session.began, c.session.ended = sent, t.Said; t.Said.IsZero() {
		c.session.ended = done
	}
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
		var possible bool
		a.Earliest, a.Latest, possible = c.bounds(a, t, chars, len(q.PIDs)+1)
		switch {
		case !possible && c.canWait():
			c.strays += len(a.Messages)
			err = c.failure(obd.ErrNoAnswer) // it answered an earlier question; see afterLate
		case c.can() && !t.Searching && a.Latest.Sub(a.Earliest) > lateFrom:
			c.session.patience = max(c.session.patience, 1)
		}
	}
	if err != nil {
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
