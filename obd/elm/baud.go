package elm

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// baudSetter is what a stream offers whose rate can be changed while it is open.
type baudSetter interface{ SetBaud(int) error }

// agreeTime bounds each step of the handshake: the adapter waits 75 ms by default (data sheet, rev. DSJ, p. 50).
const agreeTime = 400 * time.Millisecond

// usualRates are the rates that lines have. A character's time is in whole nanoseconds, which is too coarse to tell
// 230400 from 230403.
var usualRates = [...]int{1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, 576000, 921600, 1000000, 2000000}

// baudOf is the rate at which a character of ten bits takes d, 0 if d is: the usual one that takes just so long, to
// the nanosecond, if there is one.
func baudOf(d time.Duration) int {
	if d <= 0 {
		return 0
	}
	for _, baud := range usualRates {
		if exact := 10 * time.Second / time.Duration(baud); (exact - d).Abs() <= time.Nanosecond {
			return baud
		}
	}
	return int((10*time.Second + d/2) / d)
}

// otherRates are the rates at which the adapter may listen, other than the line's present one.
func (c *Conn) otherRates() (other []int) {
	if _, ok := c.stream.(baudSetter); !ok || c.o.RaiseBaud == 0 || c.o.Pace == 0 {
		return nil
	}
	for _, baud := range []int{baudOf(c.o.Pace), c.o.RaiseBaud} {
		if baud != c.pace.baud {
			other = append(other, baud)
		}
	}
	return other
}

// setBaud changes our end of the line. If it fails the line has the rate that it had, or is lost, which will show.
func (c *Conn) setBaud(baud int) error {
	s, ok := c.stream.(baudSetter)
	if !ok {
		return nil
	}
	if err := s.SetBaud(baud); err != nil {
		return fmt.Errorf("change the line's rate to %d: %w", baud, err)
	}
	c.pace.baud = baud
	if baud == baudOf(c.o.Pace) {
		c.pace.given = c.o.Pace
	} else {
		c.pace.given = 10 * time.Second / time.Duration(baud)
	}
	return nil
}

// raise raises the line's rate if that is wanted and possible. The adapter names itself at the new rate and waits for
// one character; if what we hear is not its name, neither end keeps the new rate.
func (c *Conn) raise(ctx context.Context) error {
	rate, wanted := rates[c.o.RaiseBaud]
	_, able := c.stream.(baudSetter)
	if !wanted || !able || c.o.Pace == 0 || c.info.Version == "" {
		return nil
	}
	if c.pace.baud == c.o.RaiseBaud { // found there, or raised before: a warm start leaves it
		c.setInfo(func(i *Info) { i.Features.Baud = c.o.RaiseBaud })
		return nil
	}
	if err := c.settle(ctx); err != nil {
		return err
	}
	c.heard = c.heard[:0]
	_, _, err := c.say(ctx, utterance{command: rate.command}, becomesOrder([]byte(rate.command), strictly))
	if errors.Is(err, ErrUnproven) {
		return nil
	}
	if err != nil {
		return err
	}
	offered, err := c.hearLine(ctx, c.o.Timeout, "OK")
	if err != nil || !offered {
		return err
	}
	before := c.pace.baud
	if c.setBaud(c.o.RaiseBaud) == nil {
		raised, err := c.agree(ctx)
		if err != nil {
			return err
		}
		if raised {
			c.setInfo(func(i *Info) { i.Features.Baud = c.o.RaiseBaud })
			return c.sync(ctx)
		}
		if err := c.setBaud(before); err != nil {
			return c.lost(err)
		}
	}
	if err := c.discard(ctx, agreeTime); err != nil { // until the adapter has gone back too
		return err
	}
	return c.sync(ctx)
}

// agree accepts the new rate if the adapter's name is heard at it, and reports whether the adapter keeps it.
func (c *Conn) agree(ctx context.Context) (bool, error) {
	if named, err := c.hearLine(ctx, agreeTime, c.info.Version); err != nil || !named {
		return false, err
	}
	if _, err := c.write(utterance{step: agreeing}); err != nil {
		return false, err
	}
	return c.hearLine(ctx, agreeTime, "OK")
}

// hearLine waits for a line and reports whether it is the wanted one. A prompt without it ends the waiting. Of what
// comes before it, an echo or noise, nothing is asked.
func (c *Conn) hearLine(ctx context.Context, wait time.Duration, want string) (bool, error) {
	c.expect(wait)
	var line reply
	for {
		k, err := c.next(ctx)
		if errors.Is(err, errExpired) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		for i, x := range k.bytes {
			if class[x] == classPrompt {
				c.busy = false
				c.overhear(k.bytes[i+1:])
				return false, nil
			}
			line.take(k.bytes[i : i+1])
			if class[x] == classEnd && strings.HasSuffix(strings.TrimSpace(string(line)), want) {
				c.overhear(k.bytes[i+1:])
				return true, nil
			}
		}
	}
}
