package obdtest

import (
	"context"
	"errors"
	"strings"
	"time"
)

const (
	// parseTime is reading a line and acting on it (estimate, no published figure).
	parseTime = 300 * time.Microsecond
	// idleLine is how long an unfinished line may lie around before the adapter answers ? (data sheet p. 8).
	idleLine = 20 * time.Second
	// longestLine bounds what is kept of a line; the data sheet gives no figure.
	longestLine = 64
)

// errBreak ends the wait of a sleeping adapter when the host holds the line low.
var errBreak = errors.New("break")

// errBrownOut ends whatever the dialogue was doing when the supply failed.
var errBrownOut = errors.New("brown-out")

// dialogue is one Serve at work.
type dialogue struct {
	*Adapter
	line  *line
	text  []byte  // the line being received
	hung  bool    // stopped in the middle of an answer
	late  []frame // frames of the last answer that were not printed
	lose  int     // characters that are still to be lost
	fresh bool    // the next character begins a line
}

// run reads lines and answers them until the stream or ctx ends.
func (d *dialogue) run(ctx context.Context) error {
	for {
		err := d.step(ctx)
		if errors.Is(err, errBrownOut) {
			d.restart()
			d.text, d.line.queue = d.text[:0], nil
			err = d.line.send(ctx, time.Now(), d.dress("\r\rLV RESET\r\r>"))
		}
		if err != nil {
			return err
		}
	}
}

// step takes in one character and, at the end of a line, answers it.
func (d *dialogue) step(ctx context.Context) error {
	var limit time.Time
	if len(d.text) > 0 {
		limit = time.Now().Add(idleLine)
	}
	if d.set.asleep {
		return d.sleep(ctx)
	}
	c, ok, err := d.next(ctx, limit)
	if err != nil {
		return err
	}
	if !ok {
		d.text = d.text[:0]
		return d.unknown(ctx, limit)
	}
	if d.lost(c) || d.o.Deaf > 0 && c.at.Before(d.line.asked.Add(d.o.Deaf)) {
		return nil
	}
	fault := d.faultNow()
	if d.hung {
		if fault == Hang {
			return nil
		}
		d.hung = false
		return d.stopped(ctx, c.at)
	}
	if d.set.echo && !d.o.NoEcho && fault != Dead && fault != WrongBaud {
		if err := d.echo(ctx, c); err != nil {
			return err
		}
	}
	if c.b != '\r' {
		if c.b > ' ' && c.b < 0x7F && len(d.text) < longestLine {
			d.text = append(d.text, c.b)
		}
		return nil
	}
	text := string(d.text)
	d.text = d.text[:0]
	if err := sleep(ctx, c.at); err != nil {
		return err
	}
	switch fault {
	case Dead:
		return nil
	case WrongBaud:
		return d.line.send(ctx, c.at, noise(len(text)+3))
	}
	return d.execute(ctx, strings.ToUpper(text), c.at)
}

// lost reports whether a character does not arrive, or might as well not have.
func (d *dialogue) lost(c character) bool {
	if (d.fresh || c.first && c.b != '\r') && d.o.Lose != nil {
		d.lose = d.o.Lose()
	}
	d.fresh = false
	if c.b == '\r' {
		d.lose, d.fresh = 0, true
	}
	if d.lose > 0 {
		d.lose--
		return true
	}
	return false
}

// next returns the next character. ok is false when none came before limit; a zero limit is none.
func (d *dialogue) next(ctx context.Context, limit time.Time) (c character, ok bool, err error) {
	var expired <-chan time.Time
	for len(d.line.queue) == 0 {
		if d.line.err != nil {
			return c, false, d.line.err
		}
		if !limit.IsZero() && expired == nil {
			timer := time.NewTimer(time.Until(limit))
			defer timer.Stop()
			expired = timer.C
		}
		select {
		case k := <-d.line.chunks:
			d.take(k)
		case <-d.breaks:
			if d.set.asleep {
				return c, false, errBreak
			}
		case <-d.poke:
			return c, false, errBrownOut
		case <-expired:
			return c, false, nil
		case <-ctx.Done():
			return c, false, ctx.Err()
		}
	}
	c, d.line.queue = d.line.queue[0], d.line.queue[1:]
	return c, true, nil
}

func (d *dialogue) take(k chunk) {
	d.line.accept(k)
	d.note(func() { d.heard.Characters += len(k.data) })
}

// pause waits until t. If a character is received before that it is used up and stopped is true.
func (d *dialogue) pause(ctx context.Context, t time.Time) (stopped bool, err error) {
	for {
		if len(d.line.queue) > 0 && !d.line.queue[0].at.After(t) {
			c := d.line.queue[0]
			d.line.queue = d.line.queue[1:]
			return true, sleep(ctx, c.at)
		}
		if len(d.line.queue) == 0 && d.line.err != nil {
			return false, d.line.err
		}
		wait := time.Until(t)
		if wait <= 0 {
			return false, ctx.Err()
		}
		timer := time.NewTimer(wait)
		select {
		case k := <-d.line.chunks:
			d.take(k)
		case <-timer.C:
		case <-d.poke:
			err = errBrownOut
		case <-ctx.Done():
			err = ctx.Err()
		}
		timer.Stop()
		if err != nil {
			return false, err
		}
	}
}

// execute answers one line, received at the given instant. An empty one repeats the last.
func (d *dialogue) execute(ctx context.Context, text string, at time.Time) error {
	if text == "" {
		text = d.last
	}
	d.last = text
	if strings.HasPrefix(text, "AT") {
		return d.command(ctx, text[2:], at)
	}
	return d.request(ctx, text, at)
}

// echo sends a received character back; the line end follows the linefeed setting.
func (d *dialogue) echo(ctx context.Context, c character) error {
	if c.b == 0 || c.b == '\n' {
		return nil
	}
	return d.line.send(ctx, c.at, d.dress(string([]byte{c.b})))
}

// reply sends text as lines of its own, then an empty line and the prompt.
func (d *dialogue) reply(ctx context.Context, ready time.Time, text string) error {
	return d.line.send(ctx, ready, d.dress(text+"\r\r>"))
}

func (d *dialogue) unknown(ctx context.Context, ready time.Time) error {
	d.note(func() { d.heard.Unknown++ })
	return d.reply(ctx, ready, "?")
}

func (d *dialogue) stopped(ctx context.Context, at time.Time) error {
	d.note(func() { d.heard.Stopped++ })
	return d.reply(ctx, at, "STOPPED")
}

// dress turns a carriage return into carriage return and line feed where that is switched on.
func (d *dialogue) dress(text string) []byte {
	if d.set.linefeed {
		text = strings.ReplaceAll(text, "\r", "\r\n")
	}
	return []byte(text)
}

// squeeze is a command as the adapter sees it: upper case, without spaces and control characters.
func squeeze(text string) string {
	return strings.ToUpper(strings.Map(func(r rune) rune {
		if r <= ' ' || r == 0x7F {
			return -1
		}
		return r
	}, text))
}

// noise is what a line at the wrong rate looks like: bytes without a prompt among them. It is the same every time.
func noise(n int) []byte {
	out, x := make([]byte, n), uint32(0x9E3779B9)
	for i := range out {
		x ^= x << 13
		x ^= x >> 17
		x ^= x << 5
		if out[i] = byte(x) | 0x80; i%3 == 1 {
			out[i] &= 0x0F
		}
	}
	return out
}

// damage returns an answer with every third character turned into something no answer contains.
func damage(text []byte) []byte {
	out := append([]byte(nil), text...)
	for i, b := range noise(len(out)) {
		if i%3 == 1 && out[i] != '\r' && out[i] != '\n' && out[i] != '>' {
			out[i] = b | 0x40 // G to O, or a byte beyond ASCII
			if out[i] < 'G' {
				out[i] = '#'
			}
		}
	}
	return out
}
