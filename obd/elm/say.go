package elm

import (
	"bytes"
	"context"
	"errors"
	"time"
)

// say sends a line, in two steps if it would be dangerous to lose its beginning. It returns the instant just before
// the bytes left that made the adapter act, and how many there were. After two steps the adapter's echo is on; the
// caller ends with silence.
func (c *Conn) say(ctx context.Context, u utterance, careful bool) (sent time.Time, chars int, err error) {
	if careful {
		return c.prove(ctx, u)
	}
	if err := c.breathe(ctx); err != nil {
		return sent, 0, err
	}
	sent, err = c.write(u)
	return sent, len(c.out), err
}

// prove sends a line without its end, waits until the adapter has sent every character of it back, and only then
// sends the end. If the echo is not exactly that, the line is made meaningless instead; of an adapter that has shown no
// echo nothing is sent at all, since that could not be proven either.
func (c *Conn) prove(ctx context.Context, u utterance) (sent time.Time, chars int, err error) {
	able, err := c.echoOnTwice(ctx)
	if err != nil {
		return sent, 0, err
	}
	if !able {
		return sent, 0, c.unproven(ctx)
	}
	if err := c.breathe(ctx); err != nil {
		return sent, 0, err
	}
	u.step = unended
	if _, err := c.write(u); err != nil {
		return sent, 0, err
	}
	line := bytes.Clone(c.out)
	whole, err := c.echoed(ctx, line)
	if err != nil {
		return sent, 0, err
	}
	if !whole {
		if err := c.settle(ctx); err != nil {
			return sent, 0, err
		}
		c.out = line
		return sent, 0, c.unproven(ctx)
	}
	sent, err = c.write(utterance{step: ending})
	c.out = line
	return sent, 1, err
}

// unproven is the error of a line that was taken back, once the echo is off again.
func (c *Conn) unproven(ctx context.Context) error {
	failed := c.failure(ErrUnproven)
	if err := c.silence(ctx); err != nil {
		return err
	}
	return failed
}

// echoOnTwice switches the echo on and reports whether the adapter has ever shown one since it was set up. The command's
// own echo, the second time, is as good a proof as any.
func (c *Conn) echoOnTwice(ctx context.Context) (bool, error) {
	for range 2 {
		if c.echoes && c.shown {
			break
		}
		r, err := c.set(ctx, echoOn)
		if err != nil {
			return false, err
		}
		if r.rejected() {
			return false, nil
		}
		c.echoes = c.echoes || r.ok() // a command that lost its beginning is answered by something else, and changes nothing
	}
	return c.shown && c.echoes, nil
}

// echoed reports whether the next thing that comes is the line, spaces apart.
func (c *Conn) echoed(ctx context.Context, line []byte) (bool, error) {
	want := bytes.ReplaceAll(line, []byte(" "), nil)
	c.expect(c.o.AbortTimeout)
	for len(want) > 0 {
		k, err := c.next(ctx)
		if errors.Is(err, errExpired) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		for _, x := range k.bytes {
			switch {
			case x == 0 || x == ' ':
			case len(want) > 0 && class[x] == want[0]:
				want = want[1:]
			default:
				return false, nil
			}
		}
	}
	return true, nil
}

// silence switches the echo off again.
func (c *Conn) silence(ctx context.Context) error {
	if !c.echoes || !c.ready {
		return nil
	}
	_, err := c.set(ctx, echoOff)
	return err
}

// breathe waits between the prompt and the next line where the adapter needs that.
func (c *Conn) breathe(ctx context.Context) error {
	if c.breath == 0 {
		return nil
	}
	return c.discard(ctx, c.breath)
}

// abort ends what the adapter is doing by a single space. What was said before stays on record for errors.
func (c *Conn) abort() error {
	line := bytes.Clone(c.out)
	_, err := c.write(utterance{step: aborting})
	c.out = append(c.out[:0], line...)
	return err
}

// command sends a command and collects the reply up to the prompt.
func (c *Conn) command(ctx context.Context, k command, wait time.Duration) (reply, error) {
	if err := c.attend(ctx); err != nil {
		return nil, err
	}
	c.heard = c.heard[:0]
	careful := becomesOrder([]byte(k), strictly)
	sent, chars, err := c.say(ctx, utterance{command: k}, careful)
	if err != nil {
		return nil, err
	}
	c.expect(wait)
	var r reply
	for first := true; ; first = false {
		got, err := c.next(ctx)
		if errors.Is(err, errExpired) {
			return nil, c.failure(ErrTimeout)
		}
		if err != nil {
			return nil, err
		}
		if first && !c.echoes {
			c.noteTrip(got.at.Sub(sent), chars)
		}
		rest, prompt := r.take(got.bytes)
		if !prompt {
			continue
		}
		c.busy = false
		c.overhear(rest)
		all := len(r)
		r = r.without(string(k))
		c.shown = c.shown || len(r) < all
		if r.restarted(k) {
			c.ready = false
			return r, c.failure(ErrReset)
		}
		if careful {
			return r, c.silence(ctx)
		}
		switch k {
		case echoOff:
			c.echoes = c.echoes && !r.ok()
		case warmStart, reset:
			c.echoes = true
		}
		return r, nil
	}
}

// set sends one command, and once more if the reply is neither agreement nor what the command asks for: a stray line or an
// interruption got in its way, or it lost its beginning, which looks like a refusal. What is refused twice counts as refused.
func (c *Conn) set(ctx context.Context, k command) (reply, error) {
	r, err := c.command(ctx, k, c.o.Timeout)
	if err == nil && !r.ok() && !r.informs(k) {
		r, err = c.command(ctx, k, c.o.Timeout)
	}
	return r, err
}
