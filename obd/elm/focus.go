package elm

import (
	"context"
	"errors"

	"underdash/obd"
)

// Focus sends requests to one engine computer from now on, named by the address that its answers come from, and
// listens to it alone: its answers then need no header and their number of frames is exact. 0 or obd.Everybody goes
// back to asking all. It only ever fails for the connection's sake: where the adapter, the bus or the car does not
// take part everything stays as it was, and Info().Focus tells. Open ends it.
func (c *Conn) Focus(ctx context.Context, to obd.Address) error {
	if err := c.take(ctx); err != nil {
		return err
	}
	defer c.give()
	if err := c.usable(ctx); err != nil {
		return err
	}
	if to == obd.Everybody {
		to = 0
	}
	s := &c.session
	s.focus = 0
	if to != 0 && !s.found {
		err := c.connect(ctx)
		if errors.Is(err, obd.ErrNoAnswer) {
			to = 0 // nobody to focus on
		} else if err != nil {
			return err
		}
	}
	if err := c.aim(ctx, to); err != nil {
		return err
	}
	s.focus = s.aimed
	c.setInfo(func(i *Info) { i.Focus = s.focus })
	return nil
}

// address sets the adapter up for a request's recipient.
func (c *Conn) address(ctx context.Context, to obd.Address) error {
	switch to {
	case 0:
		to = c.session.focus
	case obd.Everybody:
		to = 0
	}
	return c.aim(ctx, to)
}

// aim makes the adapter ask one engine computer and listen to it alone, or everybody (0). Whether that works is
// proven by a question; where it does not, everybody is asked.
func (c *Conn) aim(ctx context.Context, to obd.Address) error {
	s := &c.session
	if to != 0 && (c.o.NoFocus || s.unaddressed || !c.can() || sendTo(to) == "" || wide(to) != (protocols[s.protocol].framing == CAN29)) {
		to = 0
	}
	if to == s.aimed {
		return nil
	}
	if err := c.release(ctx); err != nil || to == 0 {
		return err
	}
	// Some adapters cannot filter, some engine computers do not listen to requests for them alone.
	for _, way := range []struct{ header, filter bool }{{true, true}, {true, false}, {false, true}} {
		ok, err := c.narrow(ctx, to, way.header, way.filter)
		if err != nil {
			return err
		}
		if ok {
			s.aimed = to
			c.setInfo(func(i *Info) { i.Features.Addressing = true })
			return c.tighten(ctx)
		}
		if err := c.release(ctx); err != nil {
			return err
		}
	}
	// An engine computer that did not answer just now says nothing of the adapter.
	ok, err := c.answersAlone(ctx, 0)
	if ok {
		s.unaddressed = true
	}
	return err
}

func wide(a obd.Address) bool { return a > 0x7FF }

// narrow tries one way of talking to one engine computer alone, and does without headers if that goes well.
func (c *Conn) narrow(ctx context.Context, to obd.Address, header, filter bool) (bool, error) {
	s := &c.session
	if header {
		if r, err := c.set(ctx, sendTo(to)); err != nil || !r.ok() {
			return false, tolerate(err)
		}
		s.header = true
	}
	if filter {
		if ok, err := c.unfilter(ctx); err != nil || !ok {
			return false, err // what cannot be undone is not done
		}
		if r, err := c.set(ctx, receiveFrom(to)); err != nil || !r.ok() {
			return false, tolerate(err)
		}
		s.filter = true
	}
	if ok, err := c.answersAlone(ctx, to); err != nil || !ok || s.framing == Bare {
		return ok, err
	}
	r, err := c.set(ctx, headersOff)
	if err != nil || !r.ok() {
		return err == nil, err // it works with headers
	}
	framing := s.framing
	s.framing = Bare
	ok, err := c.answersAlone(ctx, 0)
	if err != nil || ok {
		return ok, err
	}
	s.framing = framing
	_, err = c.set(ctx, headersOn)
	return err == nil, err
}

// tolerate leaves out that a command was not sent because the adapter could not prove that it had it.
func tolerate(err error) error {
	if errors.Is(err, ErrUnproven) {
		return nil
	}
	return err
}

// answersAlone reports whether the question that every engine computer answers gets one answer, from the given
// address unless that is 0. It asks twice: one lost answer must not decide for a whole drive.
func (c *Conn) answersAlone(ctx context.Context, from obd.Address) (bool, error) {
	for range 2 {
		a, err := c.ask(ctx, &request{Request: bitmapRequest, state: safe})
		if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
			return false, err
		}
		if err == nil {
			m := a.Messages[0].From
			return len(a.Messages) == 1 && c.strays == 0 && (from == 0 || m == 0 || m == from), nil
		}
	}
	return false, nil
}

// tighten chooses how long the adapter waits when one engine computer alone is asked. Where it is told how many frames
// to wait for, its time-out only matters when nothing comes: a fixed one of twice what an engine computer may take
// (50 ms, ISO 15765-4) misses no late answer, which would be taken for the next one's, as one that follows the
// answering time does. Where it is not told, it should wait no longer than it must: there is no second engine computer
// to miss.
func (c *Conn) tighten(ctx context.Context) error {
	s, f := &c.session, c.info.Features
	switch {
	case !f.Adaptive:
		return nil
	case c.counts.useless || c.o.NoCount:
		s.waiting = []command{adaptiveTight}
	case f.Timeout:
		s.waiting = []command{timeoutShort, adaptiveOff}
	}
	return c.setAll(ctx, s.waiting)
}

// loosen goes back to the adapter's usual time-outs.
func (c *Conn) loosen(ctx context.Context) error {
	s := &c.session
	if s.waiting == nil {
		return nil
	}
	s.waiting = nil
	return c.setAll(ctx, c.usualWaiting())
}

// usualWaiting are the commands that make the adapter wait as it should at the moment.
func (c *Conn) usualWaiting() (all []command) {
	f := c.info.Features
	if c.session.waiting != nil {
		return c.session.waiting
	}
	if f.Adaptive {
		all = append(all, adaptive)
	}
	switch {
	case f.Timeout && !f.Adaptive && c.can():
		all = append(all, timeoutShort)
	case f.Timeout:
		all = append(all, timeoutUsual)
	}
	return all
}

// release goes back to asking and hearing everybody, with headers.
func (c *Conn) release(ctx context.Context) error {
	s := &c.session
	if s.header {
		k := toAll11
		if protocols[s.protocol].framing == CAN29 {
			k = toAll29
		}
		r, err := c.set(ctx, k)
		if err != nil {
			return err
		}
		s.header = !r.ok()
	}
	if s.filter {
		ok, err := c.unfilter(ctx)
		if err != nil {
			return err
		}
		s.filter = !ok
	}
	if err := c.loosen(ctx); err != nil {
		return err
	}
	if s.framing == Bare && c.info.Features.Headers {
		if _, err := c.set(ctx, headersOn); err != nil {
			return err
		}
		s.choose(s.protocol, true)
	}
	s.aimed = 0
	return nil
}

// unfilter lets the adapter hear everybody.
func (c *Conn) unfilter(ctx context.Context) (bool, error) {
	for _, k := range []command{receiveAll, receiveUsual} {
		if r, err := c.set(ctx, k); err != nil || r.ok() {
			return err == nil, err
		}
	}
	return false, nil
}
