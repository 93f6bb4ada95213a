package httpapi

import (
	"context"
	"errors"
	"net/http"
	"runtime"
	"time"
)

// How much of an export is gathered before it goes out: at first little, so that whoever waits sees that it comes.
const (
	bufferSize = 64 << 10
	firstSize  = 4 << 10
)

// errEnough ends an encoder whose part was sent.
var errEnough = errors.New("the part that was asked for is sent")

// counted takes what an encoder writes: it counts it, sends the part that was asked for through a buffer, and goes on
// counting when the client is gone and somebody wants to know the length.
type counted struct {
	w      http.ResponseWriter // nil: only counted
	to     *patient
	ctx    context.Context // the client's
	ending <-chan struct{} // the server's

	status    int   // of the answer
	skip, end int64 // the part: from skip, up to end; an end of 0 is the end
	cut       func() bool
	done      func() // to be called at the end; nil: nothing

	turns     turns
	mine      bool      // a turn is held
	worked    int       // bytes encoded in it
	began     time.Time // of it
	recording func() bool

	n       int64 // counted
	buffer  []byte
	started bool // the answer has begun
	gone    bool // nobody takes anything any more
}

func (s *Server) counting(w http.ResponseWriter, r *http.Request) *counted {
	c := &counted{w: w, ctx: r.Context(), ending: s.ending, status: http.StatusOK, turns: s.turns, recording: func() bool { return s.o.Store.Recording() != nil }}
	if w != nil {
		c.to = s.patient(w, r)
		c.buffer = make([]byte, 0, bufferSize)
	}
	return c
}

// work waits for a turn to encode in. Who only counts, because the client is gone, waits as well.
func (c *counted) work() error {
	if c.mine {
		return nil
	}
	ctx := c.ctx
	if c.gone || c.cut != nil {
		ctx = context.WithoutCancel(ctx)
	}
	if err := c.turns.take(ctx, c.ending); err != nil {
		return err
	}
	c.mine, c.worked, c.began = true, 0, time.Now()
	return nil
}

// yield ends a piece of work. While something is being recorded, encoders together leave as much time as they take.
func (c *counted) yield() {
	if c.mine && c.recording() {
		time.Sleep(min(time.Since(c.began), longestRest))
	}
	c.rest()
	runtime.Gosched()
}

// rest gives the turn to others.
func (c *counted) rest() {
	if c.mine {
		c.mine = false
		c.turns.give()
	}
}

// Write implements io.Writer.
func (c *counted) Write(b []byte) (int, error) {
	select {
	case <-c.ending:
		return 0, http.ErrServerClosed
	default:
	}
	if err := c.ctx.Err(); err != nil && !c.gone {
		if err := c.goOn(); err != nil {
			return 0, err
		}
	}
	if c.worked += len(b); c.worked >= pieceOfWork {
		c.yield()
		if err := c.work(); err != nil {
			return 0, err
		}
	}
	from := c.n
	c.n += int64(len(b))
	if c.w == nil || c.gone || c.n <= c.skip {
		return len(b), nil
	}
	part := b[max(0, c.skip-from):]
	if c.end > 0 && c.n >= c.end {
		part = part[:int64(len(part))-(c.n-c.end)]
	}
	if err := c.send(part); err != nil {
		return 0, err
	}
	if c.end > 0 && c.n >= c.end {
		if err := c.flush(); err != nil {
			return 0, err
		}
		return 0, errEnough
	}
	return len(b), nil
}

func (c *counted) send(b []byte) error {
	for len(b) > 0 {
		if len(c.buffer) == cap(c.buffer) || !c.started && len(c.buffer) >= firstSize {
			if err := c.flush(); err != nil || c.gone {
				return err
			}
		}
		n := copy(c.buffer[len(c.buffer):cap(c.buffer)], b)
		c.buffer, b = c.buffer[:len(c.buffer)+n], b[n:]
	}
	return nil
}

// flush sends what is gathered.
func (c *counted) flush() error {
	if c.w == nil || c.gone {
		return nil
	}
	if !c.started {
		c.started = true
		c.w.WriteHeader(c.status)
	}
	c.rest() // a slow client holds up nobody
	_, err := c.to.Write(c.buffer)
	c.buffer = c.buffer[:0]
	if err != nil {
		if err := c.goOn(); err != nil {
			return err
		}
	}
	return c.work()
}

// goOn is what happens when the client is gone: counting, or the end.
func (c *counted) goOn() error {
	if c.cut == nil || !c.cut() {
		return errCut
	}
	c.gone = true
	return nil
}

// outcome is what the handler says when the encoder ended: an answer that has begun can only be cut off, which the other end
// notices.
func (c *counted) outcome(err error) error {
	if c.started && (err != nil || c.gone) {
		panic(http.ErrAbortHandler)
	}
	if errors.Is(err, errCut) {
		return context.Canceled
	}
	return err
}
