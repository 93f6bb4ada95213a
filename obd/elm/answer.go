package elm

import (
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

func asked(r obd.Request, p obd.PID) bool {
	if r.Service == obd.FreezeFrame {
		return r.PIDs[0] == p // what follows are frame numbers
	}
	return slices.Contains(r.PIDs, p)
}
