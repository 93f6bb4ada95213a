package elm

import (
	"bytes"
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
	s.focus, s.chosen = 0, true
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

// way is a way of talking to one engine computer alone.
type way struct {
	header bool // the request is addressed to it
	filter bool // only its answers are let through
	bare   bool // its answers come without headers
}

// aim makes the adapter ask one engine computer and listen to it alone, or everybody (0). Whether that works is
// proven by a question the first time; where it does not, everybody is asked.
func (c *Conn) aim(ctx context.Context, to obd.Address) error {
	s := &c.session
	if to != 0 && (c.o.NoFocus || s.unaddressed || !c.can() || sendTo(to) == "" || wide(to) != (protocols[s.protocol].framing == CAN29)) {
		to = 0
	}
	var err error
	switch {
	case to != s.aimed || s.unsettled:
		err = c.turnTo(ctx, to)
	case to != 0:
		err = c.tighten(ctx) // counting may have been given up since, or taken up again
	}
	s.unsettled = err != nil // it may have been interrupted halfway
	return err
}

func (c *Conn) turnTo(ctx context.Context, to obd.Address) error {
	s := &c.session
	if err := c.release(ctx); err != nil || to == 0 {
		return err
	}
	w, ok := s.ways[to]
	var err error
	if ok {
		if ok, err = c.narrow(ctx, to, w); err == nil && !ok {
			delete(s.ways, to)
			err = c.release(ctx)
		}
	} else {
		w, ok, err = c.findWay(ctx, to)
	}
	if err != nil || !ok {
		return err
	}
	if s.ways == nil {
		s.ways = map[obd.Address]way{}
	}
	s.aimed, s.ways[to] = to, w
	c.setInfo(func(i *Info) { i.Features.Addressing = true })
	return c.tighten(ctx)
}

func wide(a obd.Address) bool { return a > 0x7FF }

// findWay tries the ways of talking to one engine computer alone, and to do without headers. Some adapters cannot
// filter, some engine computers do not listen to requests for them alone.
func (c *Conn) findWay(ctx context.Context, to obd.Address) (w way, ok bool, err error) {
	s := &c.session
	able := false // something was tried to which the adapter did not object
	for _, w := range []way{{header: true, filter: true}, {header: true}, {filter: true}} {
		ok, err := c.narrow(ctx, to, w)
		if err != nil {
			return w, false, err
		}
		heard, payload := silent, []byte(nil)
		if ok {
			if heard, payload, err = c.listenTo(ctx, to); err != nil {
				return w, false, err
			}
			able = able || heard != others
		}
		if heard == alone {
			w.bare = s.framing == Bare
			if !w.bare {
				w.bare, err = c.dropHeaders(ctx, payload)
			}
			return w, err == nil, err
		}
		if err := c.release(ctx); err != nil {
			return w, false, err
		}
	}
	s.unaddressed = !able // or nobody is there
	return way{}, false, nil
}

// narrow takes a way and reports whether the adapter agrees.
func (c *Conn) narrow(ctx context.Context, to obd.Address, w way) (bool, error) {
	s := &c.session
	if w.header {
		if r, err := c.set(ctx, sendTo(to)); err != nil || !r.ok() {
			return false, tolerate(err)
		}
		s.header = true
	}
	if w.filter {
		if _, known := s.ways[to]; !known {
			if ok, err := c.unfilter(ctx); err != nil || !ok {
				return false, err // what cannot be undone is not done
			}
		}
		if r, err := c.set(ctx, receiveFrom(to)); err != nil || !r.ok() {
			return false, tolerate(err)
		}
		s.filter = true
	}
	if w.bare && s.framing != Bare {
		if r, err := c.set(ctx, headersOff); err != nil || !r.ok() {
			return false, err
		}
		s.framing = Bare
	}
	return true, nil
}

// dropHeaders does without headers if the adapter can and the answer is then still the given one. There are copies that
// print a frame's padding once headers are off, where no length stands before it.
func (c *Conn) dropHeaders(ctx context.Context, want []byte) (bool, error) {
	s := &c.session
	r, err := c.set(ctx, headersOff)
	if err != nil || !r.ok() {
		return false, err
	}
	framing := s.framing
	s.framing = Bare
	heard, payload, err := c.listenTo(ctx, 0)
	if err != nil {
		return false, err
	}
	if heard == alone && bytes.Equal(payload, want) {
		return true, nil
	}
	s.framing = framing
	_, err = c.set(ctx, headersOn)
	return false, err
}

// tolerate leaves out that a command was not sent because the adapter could not prove that it had it.
func tolerate(err error) error {
	if errors.Is(err, ErrUnproven) {
		return nil
	}
	return err
}

// who answered a question.
type who uint8

const (
	silent who = iota
	alone      // the one who was asked, and nobody else
	others
)

// listenTo asks the question that every engine computer answers and tells who did: the given address, or anybody if
// that is 0, or others; and what one alone answered. It asks twice: one lost answer must not decide for a whole drive.
func (c *Conn) listenTo(ctx context.Context, from obd.Address) (who, []byte, error) {
	for range 2 {
		a, err := c.ask(ctx, &request{Request: bitmapRequest, state: safe})
		if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
			return silent, nil, err
		}
		if err == nil {
			if m := a.Messages[0].From; len(a.Messages) == 1 && c.strays == 0 && (from == 0 || m == 0 || m == from) {
				return alone, bytes.Clone(a.Messages[0].Payload), nil
			}
			return others, nil, nil
		}
	}
	return silent, nil, nil
}

// release goes back to asking and hearing everybody, with headers. After an interruption it takes nothing for granted.
func (c *Conn) release(ctx context.Context) error {
	s := &c.session
	s.aimed = 0
	if s.header || s.unsettled && c.can() {
		k := toAll11
		if protocols[s.protocol].framing == CAN29 {
			k = toAll29
		}
		r, err := c.set(ctx, k)
		if err != nil {
			return err
		}
		s.header = s.header && !r.ok()
	}
	if s.filter || s.unsettled && c.can() {
		ok, err := c.unfilter(ctx)
		if err != nil {
			return err
		}
		s.filter = s.filter && !ok
	}
	if err := c.loosen(ctx); err != nil {
		return err
	}
	if (s.framing == Bare || s.unsettled) && c.info.Features.Headers {
		if _, err := c.set(ctx, headersOn); err != nil {
			return err
		}
		if s.protocol != 0 {
			s.choose(s.protocol, true)
		}
	}
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
