package elm

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

const (
	// quiet is how long input is thrown away around the first command: what an earlier program left behind.
	quiet = 100 * time.Millisecond
	// syncTries is how often the adapter is called before it counts as none. The first call may only wake it.
	syncTries = 3
)

// Open starts the reader, finds the adapter and sets it up: no echo, no linefeeds, no spaces, headers, nothing
// stored, protocol to be found by the first request. Settings that the adapter does not know are gone without. It
// may be called again to set the adapter up anew. Whether it succeeds or not, Close must be called in the end.
//
// It fails with ErrNotAdapter if nothing at the other end talks like one, with ErrTimeout if the adapter stops
// answering on the way, or with the stream's error.
func (c *Conn) Open(ctx context.Context) (Info, error) {
	if err := c.take(ctx); err != nil {
		return Info{}, err
	}
	defer c.give()
	if err := c.start(); err != nil {
		return Info{}, err
	}
	c.ready, c.found, c.framing, c.naming = false, false, AnyFraming, 0
	c.counts.clear()
	c.setInfo(func(i *Info) { *i = Info{} })
	if err := c.sync(ctx); err != nil {
		return Info{}, err
	}
	if err := c.setUp(ctx); err != nil {
		return Info{}, fmt.Errorf("set the adapter up: %w", err)
	}
	c.ready = true
	return c.Info(), nil
}

// sync calls until there is a prompt, whatever is said before it: after it the adapter and we agree on whose turn
// it is.
func (c *Conn) sync(ctx context.Context) error {
	c.heard = c.heard[:0]
	if err := c.discard(ctx, quiet); err != nil {
		return err
	}
	heard := append([]byte(nil), c.heard...)
	for range syncTries {
		c.busy = false // or the call would wait for a prompt to abort
		r, err := c.command(ctx, identify, c.o.Timeout/2)
		switch {
		case err == nil:
			c.noteVersion(r)
			// If the call's first character stopped something, this was the prompt of that, and the reply to the
			// call is still to come; taken for the next one's it would leave us one behind for good.
			return c.discard(ctx, quiet)
		case errors.Is(err, ErrTimeout):
			heard = append(heard, c.heard...)
		default:
			return err
		}
	}
	c.heard = heard[:min(len(heard), heardMax)]
	return c.failure(ErrNotAdapter)
}

// setUp restarts the adapter and chooses its settings.
func (c *Conn) setUp(ctx context.Context) error {
	if err := c.restart(ctx); err != nil {
		return err
	}
	// A copy may know fewer settings than the real one, but no adapter fails to turn its echo off, and nothing
	// else that sends a > answers this with OK.
	r, err := c.set(ctx, echoOff)
	if err != nil {
		return err
	}
	if !r.ok() && c.Info().Version == "" {
		return c.failure(ErrNotAdapter)
	}
	headers := false
	for _, k := range []command{linefeedsOff, spacesOff, headersOn, memoryOff, adaptiveTiming} {
		r, err := c.set(ctx, k)
		if err != nil {
			return err
		}
		if k == headersOn {
			headers = r.ok()
		}
	}
	if !headers {
		c.framing = Bare
	}
	if r, err = c.set(ctx, volts); err != nil {
		return err
	}
	if v, ok := r.volts(); ok {
		c.setInfo(func(i *Info) { i.Volts = v })
	}
	_, err = c.set(ctx, anyProtocol) // unknown to some; they search by default
	return err
}

// restart puts all settings back to default, by the slow way only where the quick one is not known. There are
// adapters that know neither, or do not answer; they are used as they are.
func (c *Conn) restart(ctx context.Context) error {
	for _, k := range []command{warmStart, reset} {
		r, err := c.command(ctx, k, c.o.ResetTimeout)
		if errors.Is(err, ErrTimeout) {
			return c.sync(ctx)
		}
		if err != nil {
			return err
		}
		if c.noteVersion(r) {
			return nil
		}
	}
	return nil
}

// set sends one command. If the reply is neither agreement nor refusal, a stray line or an interruption got in its
// way, and it is sent once more.
func (c *Conn) set(ctx context.Context, k command) (reply, error) {
	r, err := c.command(ctx, k, c.o.Timeout)
	if err == nil && !r.ok() && !r.rejected() {
		if _, ok := r.volts(); ok {
			return r, nil
		}
		r, err = c.command(ctx, k, c.o.Timeout)
	}
	if err == nil && bytes.Contains(bytes.ReplaceAll(r, []byte(" "), nil), []byte("LVRESET")) {
		return r, c.failure(ErrReset)
	}
	return r, err
}

// noteVersion keeps the adapter's name for itself, if the reply has one.
func (c *Conn) noteVersion(r reply) bool {
	for _, line := range r.lines() {
		if i := strings.Index(strings.ToUpper(line), "ELM"); i >= 0 {
			c.setInfo(func(info *Info) { info.Version = line[i:] })
			return true
		}
	}
	return false
}

// Volts asks for the voltage at the adapter's supply pin, in volts. It fails with ErrRejected on an adapter that
// cannot measure it.
func (c *Conn) Volts(ctx context.Context) (float64, error) {
	if err := c.take(ctx); err != nil {
		return 0, err
	}
	defer c.give()
	if err := c.usable(ctx); err != nil {
		return 0, err
	}
	r, err := c.command(ctx, volts, c.o.Timeout)
	if err != nil {
		return 0, err
	}
	v, ok := r.volts()
	switch {
	case ok:
		return v, nil
	case r.rejected():
		return 0, c.failure(ErrRejected)
	}
	return 0, c.failure(ErrGarbled)
}

// reply is what the adapter said to a command, printable characters and line ends only.
type reply []byte

// command sends a command and collects the reply up to the prompt.
func (c *Conn) command(ctx context.Context, k command, wait time.Duration) (reply, error) {
	if err := c.settle(ctx); err != nil {
		return nil, err
	}
	c.unasked, c.heard = c.unasked[:0], c.heard[:0]
	if _, err := c.write(utterance{command: k}); err != nil {
		return nil, err
	}
	c.expect(wait)
	var r reply
	for {
		got, err := c.next(ctx)
		if errors.Is(err, errExpired) {
			return nil, c.failure(ErrTimeout)
		}
		if err != nil {
			return nil, err
		}
		for i, x := range got.bytes {
			switch kind := class[x]; {
			case kind == classPrompt:
				c.busy = false
				c.overhear(got.bytes[i+1:])
				return r.without(commands[k]), nil
			case len(r) == maxLine: // no reply is that long
			case kind == classEnd:
				r = append(r, '\r')
			case kind > classNoise, x == ' ':
				r = append(r, x)
			}
		}
	}
}

// without drops the echo, which is the first line of an adapter that has not been told to leave it.
func (r reply) without(sent string) reply {
	first, rest, ok := bytes.Cut(bytes.TrimLeft(r, "\r"), []byte("\r"))
	if ok && strings.TrimSpace(string(first)) == strings.TrimSpace(sent) {
		return rest
	}
	return r
}

func (r reply) lines() []string {
	var lines []string
	for line := range strings.SplitSeq(string(r), "\r") {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

func (r reply) ok() bool {
	for _, line := range r.lines() {
		if strings.HasSuffix(line, "OK") {
			return true
		}
	}
	return false
}

func (r reply) rejected() bool {
	for _, line := range r.lines() {
		if line[0] == '?' {
			return true
		}
	}
	return false
}

// volts reads "12.6V".
func (r reply) volts() (float64, bool) {
	for _, line := range r.lines() {
		s, ok := strings.CutSuffix(strings.ToUpper(line), "V")
		if !ok {
			continue
		}
		if v, err := strconv.ParseFloat(strings.TrimSpace(s), 64); err == nil && v >= 0 && v < 100 {
			return v, true
		}
	}
	return 0, false
}
