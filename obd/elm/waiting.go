package elm

import (
	"context"
	"errors"
	"slices"

	"underdash/obd"
)

// tighten chooses how long the adapter waits when one engine computer alone is asked. Where it is told how many frames
// to wait for, its time-out only matters when nothing comes: a fixed one of twice what an engine computer may take
// (50 ms, ISO 15765-4) misses no late answer, which would be taken for the next one's, as one that follows the
// answering time does. Where it is not told, it should wait no longer than it must: there is no second engine computer
// to miss. It does nothing where the adapter waits like that already.
func (c *Conn) tighten(ctx context.Context) error {
	s, f := &c.session, c.info.Features
	want := told
	switch counting := !c.counts.useless && !c.o.NoCount; {
	case !f.Adaptive || counting && !f.Timeout:
		return nil
	case !counting && f.Timeout:
		want = untold
	case !counting:
		want = untold[1:]
	}
	if slices.Equal(want, s.waiting) {
		return nil
	}
	s.waiting = want
	return c.setAll(ctx, want)
}

// told and untold are how the adapter waits for one engine computer, told the number of frames or not.
var told, untold = []command{timeoutShort, adaptiveOff}, []command{timeoutShort, adaptiveTight}

// loosen goes back to the adapter's usual time-outs.
func (c *Conn) loosen(ctx context.Context) error {
	s := &c.session
	if s.waiting == nil && !s.unsettled {
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

// askPatiently asks with the adapter's longest time-out: firmware before 2.1 does not wait longer for an engine
// computer that asks for more time.
func (c *Conn) askPatiently(ctx context.Context, q *request) (obd.Answer, error) {
	patience := []command{timeoutLong}
	if c.info.Features.Adaptive {
		patience = append(patience, adaptiveOff)
	}
	c.session.unsettled = true // until the usual time-outs are back
	if err := c.setAll(ctx, patience); err != nil {
		return obd.Answer{}, err
	}
	a, err := c.ask(ctx, q)
	if err == nil || errors.Is(err, obd.ErrNoAnswer) {
		if e := c.setAll(ctx, c.usualWaiting()); e != nil {
			return obd.Answer{}, e
		}
		c.session.unsettled = false
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
