package elm

import (
	"errors"
	"slices"

	"underdash/obd"
)

// verdict is what an answer amounts to: nil if it holds messages to go on with.
func (c *Conn) verdict(a obd.Answer, aborted bool, refusal []byte) error {
	s := c.parser.Status()
	switch {
	case s == StatusFeedback && c.session.stepping:
		return c.failure(obd.ErrNoAnswer) // a copy without the parts for this bus; the car may be on another
	case s >= StatusFeedback:
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

// owed reports whether an engine computer asked for more time and the adapter did not wait for its answer, be it that nobody
// else answered either, or that everybody was asked and the others did. Who asks everybody wants every answer.
func (c *Conn) owed(r obd.Request, err error) bool {
	return errors.Is(err, ErrPending) || err == nil && r.To == obd.Everybody && c.parser.owed(r.Service)
}

// owed reports whether nothing came from an engine computer after it had asked for more time for a request of service s.
func (p *Parser) owed(s obd.Service) bool {
	for i := range p.parts {
		q := &p.parts[i]
		if q.state == partPending && p.arena[q.start+1] == byte(s) &&
			!slices.ContainsFunc(p.parts[i+1:], func(later part) bool { return later.from == q.from }) {
			return true
		}
	}
	return false
}

// copied is an answer whose messages outlive the next one.
func copied(a obd.Answer) obd.Answer {
	a.Messages = slices.Clone(a.Messages)
	for i := range a.Messages {
		a.Messages[i].Payload = slices.Clone(a.Messages[i].Payload)
	}
	return a
}

// withEarly adds to an answer, or to silence, what came when the same was asked before from those who did not say it again.
func withEarly(a obd.Answer, err error, early obd.Answer) (obd.Answer, error) {
	switch {
	case len(early.Messages) == 0:
		return a, err
	case errors.Is(err, obd.ErrNoAnswer):
		return early, nil
	case err != nil:
		return a, err
	}
	again := a.Messages
	for _, m := range early.Messages {
		if !slices.ContainsFunc(again, func(b obd.Message) bool { return b.From == m.From }) {
			a.Messages = append(a.Messages, m)
			a.Sent, a.Earliest = early.Sent, early.Earliest
		}
	}
	return a, nil
}

func asked(r obd.Request, p obd.PID) bool {
	if r.Service == obd.FreezeFrame {
		return r.PIDs[0] == p // what follows are frame numbers
	}
	return slices.Contains(r.PIDs, p)
}
