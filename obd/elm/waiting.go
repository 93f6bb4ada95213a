package elm

import (
	"context"
	"errors"
	"slices"
	"time"

	"underdash/obd"
)

// tighten chooses how long the adapter waits when one engine computer alone is asked. Where it is told how many frames
// to wait for, its time-out only matters when nothing comes: a fixed one of twice what an engine computer may take
// (50 ms, ISO 15765-4) misses no late answer, which would be taken for the next one's, as one that follows the
// answering time does. There are cars, with a gateway in between, that take longer: an answer that nearly was too late, or was,
// makes it wait longer. Where it is not told, it should wait no longer than it must: there is no second engine computer
// to miss. It does nothing where the adapter waits like that already.
func (c *Conn) tighten(ctx context.Context) error {
	s, f := &c.session, c.info.Features
	want := told[s.patience]
	switch counting := !c.counts.useless && !c.o.NoCount; {
	case !f.Adaptive || counting && !f.Timeout:
		return nil
	case !counting && f.Timeout:
		want = untold[s.patience]
	case !counting:
		want = untold[s.patience][1:]
	}
	if slices.Equal(want, s.waiting) {
		return nil
	}
	s.waiting = want
	return c.setAll(ctx, want)
}

// told and untold are how the adapter waits for one engine computer, told the number of frames or not, by how patient it has
// to be. Where it is not told, every request takes as long as it waits, so that even the most patient wait follows the answers.
var (
	told   = [patienceMax + 1][]command{{timeoutShort, adaptiveOff}, {timeoutUsual, adaptiveOff}, {timeoutLong, adaptiveOff}}
	untold = [patienceMax + 1][]command{{timeoutShort, adaptiveTight}, {timeoutUsual, adaptive}, {timeoutUsual, adaptive}}
)

const (
	patienceMax = 2
	// lateFrom is the answering time from which the shortest time-out, 102 ms, is too short for comfort.
	lateFrom = 75 * time.Millisecond
)

// canWait reports whether the adapter could wait longer than it does for the engine computer that is asked alone.
func (c *Conn) canWait() bool {
	s, f := &c.session, c.info.Features
	return s.aimed != 0 && f.Timeout && s.patience < patienceMax
}

// afterLate makes the adapter wait longer from now on if the engine computer that is asked alone answers too late for it. What
// was heard last, with the given error, may have been the answer to an earlier question. Or nothing was heard, where the same
// request was answered before and the one before this was: then the answer may be still to come. It is waited for with a question
// that is told no number of frames; taken for the next one's it would have an instant that is not its own.
func (c *Conn) afterLate(ctx context.Context, p *plan, frames int, err error) (late bool, failed error) {
	s := &c.session
	late = c.strays > 0
	missed := frames == 0 && c.parser.Status() <= StatusNoData && p.answered && s.silent == 0
	switch {
	case !c.canWait(), errors.Is(err, ErrUnproven), err != nil && !errors.Is(err, obd.ErrNoAnswer), !late && !missed:
		return false, nil
	case late:
		if s.patience++; err == nil {
			return true, nil // its own has come as well
		}
		if c.info.Features.Adaptive {
			failed = c.tighten(ctx)
		} else {
			failed = c.setAll(ctx, c.usualWaiting())
		}
		if failed != nil {
			return true, failed
		}
	}
	if _, failed = c.ask(ctx, &request{Request: bitmapRequest, state: safe}); errors.Is(failed, obd.ErrNoAnswer) {
		failed = nil
	}
	if !late && c.strays > 0 {
		late = true
		s.patience++
	}
	c.strays = 0
	return late, failed
}

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
		all = append(all, told[c.session.patience][0])
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
