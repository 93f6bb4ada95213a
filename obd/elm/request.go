package elm

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"underdash/obd"
)

// Request asks the car one question and waits for the adapter's prompt. The answer holds what each engine computer
// said to this very request, in the order in which they began; its payloads are valid until the next call.
//
// Errors that are obd.ErrNoAnswer concern this request only: NO DATA, a refusal, a damaged or interrupted answer,
// a bus that is asleep. ErrTimeout, ErrReset, ErrAsleep, ErrFault and the stream's errors concern the connection.
// When the context ends first its error is returned and the next call puts the adapter in order.
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
	frames := c.counts.frames(r)
	a, err := c.ask(ctx, r, frames)
	if errors.Is(err, ErrRejected) {
		// Noise in the line, or an adapter that does not know the count: once more, without.
		if frames > 0 {
			c.counts.useless = true
		}
		a, err = c.ask(ctx, r, 0)
		frames = 0
	}
	c.learn(r, a, frames, err)
	switch {
	case err == nil:
		c.found = true
		err = c.nameProtocol(ctx)
	case errors.Is(err, ErrUnableToConnect):
		c.found = false
	}
	return a, err
}

// usable is nil if the adapter is set up and still so.
func (c *Conn) usable(ctx context.Context) error {
	if !c.ready {
		return &Error{Err: ErrNotOpen}
	}
	if err := c.settle(ctx); err != nil {
		return err
	}
	unasked := c.unasked
	c.unasked = c.unasked[:0]
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
func (c *Conn) ask(ctx context.Context, r obd.Request, frames int) (obd.Answer, error) {
	c.heard, c.strays = c.heard[:0], 0
	sent, err := c.write(utterance{request: r, frames: frames})
	if err != nil {
		return obd.Answer{}, err
	}
	c.parser.Begin(c.framing, c.out)
	done, aborted, err := c.listen(ctx)
	if err != nil {
		return obd.Answer{}, err
	}
	t := c.parser.Tally()
	a := obd.Answer{Sent: sent, First: t.First, Done: done, Frames: t.Frames}
	var refused bool
	a.Messages, refused, c.strays = matching(c.parser.Messages(), r)
	if err := c.verdict(a, aborted, refused); err != nil {
		return obd.Answer{Frames: t.Frames}, err
	}
	return a, nil
}

// listen feeds the parser until the prompt. When time is up it aborts the request and goes on to listen: what came
// whole before that is good.
func (c *Conn) listen(ctx context.Context) (done time.Time, aborted bool, err error) {
	searching, pending := !c.found, 0
	wait := c.o.Timeout
	if searching {
		wait = c.o.SearchTimeout
	}
	c.expect(wait)
	for {
		k, err := c.next(ctx)
		switch {
		case errors.Is(err, errExpired) && !aborted:
			aborted = true
			line := bytes.Clone(c.out) // for the error's sake: what was asked, not the space
			_, err := c.write(utterance{})
			c.out = append(c.out[:0], line...)
			if err != nil {
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
			c.expect(c.o.SearchTimeout)
		case t.Pending > pending && !searching:
			pending = t.Pending
			c.expect(c.o.PendingTimeout)
		}
	}
}

// verdict is what an answer amounts to: nil if it holds messages to go on with.
func (c *Conn) verdict(a obd.Answer, aborted, refused bool) error {
	s := c.parser.Status()
	switch {
	case s >= StatusFault:
		c.ready = false
		return c.failure(s.err())
	case s == StatusOverflow:
		return c.failure(ErrOverflow) // lines may have been spliced
	case len(a.Messages) > 0:
		return nil
	case refused:
		return c.failure(ErrRefused)
	case aborted:
		return c.failure(ErrAborted)
	case s != StatusNone:
		return c.failure(s.err())
	}
	return c.failure(obd.ErrNoAnswer) // an empty answer, or answers to other requests only
}

// matching moves the messages that answer r to the front and returns them. Others are strays: late answers to
// earlier requests, or to a second tester's. refused tells that an engine computer refused this request.
func matching(all []obd.Message, r obd.Request) (good []obd.Message, refused bool, strays int) {
	good = all[:0]
	for _, m := range all {
		p := m.Payload
		switch {
		case len(p) >= 2 && p[0] == obd.NegativeResponse && p[1] == byte(r.Service):
			refused = true
		case p[0] == byte(r.Service)+obd.ResponseOffset && (len(r.PIDs) == 0 || len(p) >= 2 && asked(r, obd.PID(p[1]))):
			good = append(good, m)
		default:
			strays++
		}
	}
	return good, refused, strays
}

func asked(r obd.Request, p obd.PID) bool {
	if r.Service == obd.FreezeFrame {
		return r.PIDs[0] == p // what follows are frame numbers
	}
	return slices.Contains(r.PIDs, p)
}

// nameProtocol asks, once a request was answered, which protocol that was. The parser then need not guess.
func (c *Conn) nameProtocol(ctx context.Context) error {
	const tries = 3 // an adapter that cannot tell is not asked for ever
	if c.Info().Protocol != "" || c.naming == tries {
		return nil
	}
	c.naming++
	r, err := c.command(ctx, protocolNumber, c.o.Timeout)
	if err != nil {
		return err
	}
	for _, line := range r.lines() {
		number := line
		if len(line) > 1 { // A6: found automatically
			number = strings.TrimPrefix(line, "A")
		}
		if p, ok := protocols[number]; ok {
			c.setInfo(func(i *Info) { i.Protocol, i.ProtocolName = number, p.name })
			if c.framing != Bare {
				c.framing = p.framing
			}
			break
		}
	}
	return nil
}
