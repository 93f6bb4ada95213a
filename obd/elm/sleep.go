package elm

import (
	"context"
	"errors"
	"time"
)

// pulser is what a stream offers that may be able to hold the line low.
type pulser interface{ Pulse(time.Duration) error }

// Sleep ends the session with the car and puts the adapter into its low-power mode; until the next Open, which wakes
// it, every call fails with ErrNotOpen. It fails with ErrRejected, and the adapter stays as it was, if that has no
// such mode (firmware before 1.4).
func (c *Conn) Sleep(ctx context.Context) error {
	if err := c.take(ctx); err != nil {
		return err
	}
	defer c.give()
	if err := c.usable(ctx); err != nil {
		return err
	}
	if err := c.lower(ctx); err != nil {
		return err
	}
	if _, err := c.set(ctx, closeProtocol); err != nil {
		return err
	}
	c.session.lose()
	c.heard = c.heard[:0]
	if _, _, err := c.say(ctx, utterance{command: lowPower}, false); err != nil {
		return err
	}
	slept, err := c.hearOK(ctx)
	switch {
	case err != nil:
		return err
	case slept:
		c.busy, c.ready, c.asleep = false, false, true
		return nil
	case c.busy:
		c.ready = false
		return c.failure(ErrTimeout)
	}
	return c.failure(ErrRejected) // and, after a restart, not ready
}

// lower puts a line that was raised back to its rate if a character at the raised one would be too short to wake the
// adapter. The adapter's full restart does that.
func (c *Conn) lower(ctx context.Context) error {
	if c.pace.baud <= wakeBaud || c.pace.baud == baudOf(c.o.Pace) {
		return nil
	}
	c.ready = false
	if err := c.settle(ctx); err != nil {
		return err
	}
	if _, err := c.write(utterance{command: reset}); err != nil {
		return err
	}
	if err := c.discard(ctx, quiet); err != nil { // while the command leaves; the restart takes much longer
		return err
	}
	if err := c.setBaud(baudOf(c.o.Pace)); err != nil {
		return c.lost(err)
	}
	c.echoes = true
	if err := c.discard(ctx, waking); err != nil {
		return err
	}
	return c.sync(ctx)
}

// wakeBaud is the highest rate at which a space wakes the adapter.
const wakeBaud = 57600

// hearOK waits for OK, which is all that an adapter says that goes to sleep: no line's end and no prompt. It reports
// false after a prompt that comes without it, and when nothing comes.
func (c *Conn) hearOK(ctx context.Context) (bool, error) {
	c.expect(c.o.Timeout)
	var r reply
	for {
		k, err := c.next(ctx)
		if errors.Is(err, errExpired) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		rest, prompt := r.take(k.bytes)
		if r.ok() {
			return true, nil
		}
		if prompt {
			c.busy = false
			c.overhear(rest)
			return false, nil
		}
	}
}

// wake brings an adapter out of its low-power mode. A pulse of 128 µs does that (data sheet, rev. DSJ, p. 20): a space
// is one up to 57600 baud, and where the stream can hold the line low that works at any rate.
func (c *Conn) wake(ctx context.Context) error {
	c.asleep = false
	if p, ok := c.stream.(pulser); !ok || p.Pulse(time.Millisecond) != nil {
		if _, err := c.write(utterance{step: aborting}); err != nil {
			return err
		}
	}
	return c.discard(ctx, waking)
}
