package elm

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

const (
	// queue is how many reads may wait for whoever is asking. With nobody asking the rest waits in the system.
	queue = 8
	// readSize is room for more than an adapter's own buffer of 512 bytes can hold back.
	readSize = 1024
	// heardMax is how much of what came back an error quotes.
	heardMax = 200
	// emptyReads is how often in a row a stream may return nothing at all before it counts as broken.
	emptyReads = 1000
)

// chunk is what one read returned. Its bytes are the reader's and stay good until queue more reads were taken.
type chunk struct {
	bytes []byte
	at    time.Time // right after the read
}

// start starts the reader, once. Close waits for it.
func (c *Conn) start() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return &Error{Err: ErrClosed}
	}
	if !c.started {
		c.started = true
		go c.read()
	}
	return nil
}

// read reads the stream until it fails, which Close makes it do. Its buffers go round: one is being filled, queue
// of them wait, and one is in use by whoever took it last.
func (c *Conn) read() {
	defer close(c.done)
	defer close(c.chunks)
	var buffers [queue + 2][readSize]byte
	i, empty := 0, 0
	for {
		n, err := c.stream.Read(buffers[i][:])
		switch {
		case n > 0:
			empty = 0
			select {
			case c.chunks <- chunk{buffers[i][:n], time.Now()}:
				i = (i + 1) % len(buffers) // only what was handed over is in somebody's hands
			case <-c.closing:
				c.readErr = ErrClosed
				return
			}
		case err == nil:
			if empty++; empty == emptyReads {
				err = io.ErrNoProgress
			}
		}
		if err != nil {
			c.readErr = err
			return
		}
	}
}

var errExpired = errors.New("expired") // the wait set by expect is over

// expect sets how long next may wait from now on.
func (c *Conn) expect(d time.Duration) { c.timer.Reset(d) }

// next waits for bytes and adds them to what was heard. It fails with errExpired, the context's error, or an *Error
// when the stream has ended.
func (c *Conn) next(ctx context.Context) (chunk, error) {
	// No preference for bytes over the end of the wait: a stream that never pauses must not keep us for ever.
	var k chunk
	var ok bool
	select {
	case k, ok = <-c.chunks:
	case <-ctx.Done():
		return chunk{}, ctx.Err()
	case <-c.timer.C:
		return chunk{}, errExpired
	}
	if !ok {
		return chunk{}, c.lost(c.readErr)
	}
	c.hear(k.bytes)
	return k, nil
}

func (c *Conn) hear(b []byte) {
	c.heard = append(c.heard, b[:min(len(b), heardMax-len(c.heard))]...)
}

// lost is the error of a stream that failed: ErrClosed if we closed it, else the stream's own.
func (c *Conn) lost(err error) error {
	select {
	case <-c.closing:
		err = ErrClosed
	default:
		if errors.Is(err, os.ErrDeadlineExceeded) {
			err = fmt.Errorf("%w: %w", ErrTimeout, err)
		}
	}
	return c.failure(err)
}

// failure wraps err with what was sent and heard.
func (c *Conn) failure(err error) *Error {
	return &Error{Sent: string(bytes.TrimSpace(c.out)), Heard: string(c.heard), Err: err}
}

// drain takes in what came while nobody was asking. A prompt among it ends what was under way.
func (c *Conn) drain() error {
	for {
		select {
		case k, ok := <-c.chunks:
			if !ok {
				return c.lost(c.readErr)
			}
			c.overhear(k.bytes)
		default:
			return nil
		}
	}
}

// overhear keeps the end of what came unasked, and notices a prompt.
func (c *Conn) overhear(b []byte) {
	for _, x := range b {
		switch k := class[x]; {
		case k == classPrompt:
			c.busy = false
		case k > classNoise:
			if len(c.unasked) == heardMax {
				c.unasked = append(c.unasked[:0], c.unasked[heardMax/2:]...)
			}
			c.unasked = append(c.unasked, k)
		}
	}
}

// discard throws away what comes within d.
func (c *Conn) discard(ctx context.Context, d time.Duration) error {
	c.expect(d)
	for {
		k, err := c.next(ctx)
		if errors.Is(err, errExpired) {
			return nil
		}
		if err != nil {
			return err
		}
		c.overhear(k.bytes)
	}
}

// settle makes the adapter ready for the next line. If it still works on something, because whoever asked went
// away, one space aborts that; a line that it has only half of is made meaningless and ended. The prompt then proves
// that it listens.
func (c *Conn) settle(ctx context.Context) error {
	if err := c.drain(); err != nil || !c.busy && !c.unended {
		return err
	}
	c.heard = c.heard[:0]
	u, wait := utterance{step: aborting}, c.o.AbortTimeout
	if c.unended {
		if err := c.void(ctx); err != nil {
			return err
		}
		u, wait = utterance{step: ending}, c.o.Timeout
	}
	if _, err := c.write(u); err != nil {
		return err
	}
	c.expect(wait)
	for c.busy {
		k, err := c.next(ctx)
		if errors.Is(err, errExpired) {
			return c.failure(ErrTimeout)
		}
		if err != nil {
			return err
		}
		c.overhear(k.bytes)
	}
	return nil
}

// voidTries is how often a line is made meaningless before that counts as impossible.
const voidTries = 3

// void makes the line that the adapter has only a part of meaningless, and waits for the echo to show that at least one
// such character has arrived: were all of them lost, the line's end would make an order of what is left of it. Without
// the echo it fails with ErrTimeout and the end is not sent: the adapter forgets the line after 20 s, and Open begins
// with a call that makes it meaningless even if much of the call is lost.
func (c *Conn) void(ctx context.Context) error {
	for range voidTries {
		if _, err := c.write(utterance{step: voiding}); err != nil {
			return err
		}
		c.expect(c.o.Timeout / voidTries)
		for {
			k, err := c.next(ctx)
			if errors.Is(err, errExpired) {
				break
			}
			if err != nil {
				return err
			}
			c.overhear(k.bytes)
			if bytes.IndexByte(k.bytes, 'X') >= 0 {
				return nil
			}
		}
	}
	return c.failure(ErrTimeout)
}
