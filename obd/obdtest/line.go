package obdtest

import (
	"context"
	"io"
	"time"
)

// chunkTime bounds how much is handed over in one write: the host sees an answer grow and not appear.
const (
	chunkTime  = 4 * time.Millisecond
	chunkChars = 16
)

// chunk is what one Read returned, and when.
type chunk struct {
	data []byte
	at   time.Time
	err  error
}

// character is a received character and the instant at which its stop bit was in.
type character struct {
	b  byte
	at time.Time
}

// line is the adapter's end of the serial line. Everything but read belongs to the dialogue's goroutine.
type line struct {
	rw     io.ReadWriter
	baud   int
	chunks chan chunk
	queue  []character // received and not yet looked at
	rxFree time.Time   // when the receiver had its last character
	txFree time.Time   // when the transmitter will have sent its last character
	total  int         // characters received
	err    error
}

func newLine(rw io.ReadWriter, baud int) *line {
	return &line{rw: rw, baud: baud, chunks: make(chan chunk, 16)}
}

// read hands everything the host writes to the dialogue, stamped.
func (l *line) read(ctx context.Context) {
	for {
		buf := make([]byte, 256)
		n, err := l.rw.Read(buf)
		select {
		case l.chunks <- chunk{buf[:n], time.Now(), err}:
		case <-ctx.Done():
			return
		}
		if err != nil {
			return
		}
	}
}

// chars is how long n characters take: a start bit, eight data bits and a stop bit each.
func (l *line) chars(n int) time.Duration {
	return time.Duration(int64(n) * 10 * int64(time.Second) / int64(l.baud))
}

// accept puts a chunk's characters into the queue at the pace of the line.
func (l *line) accept(c chunk) {
	if c.err != nil && l.err == nil {
		l.err = c.err
	}
	start := later(l.rxFree, c.at)
	for i, b := range c.data {
		l.queue = append(l.queue, character{b, start.Add(l.chars(i + 1))})
	}
	if len(c.data) > 0 {
		l.rxFree = start.Add(l.chars(len(c.data)))
		l.total += len(c.data)
	}
}

// sleep waits until t or until ctx ends.
func sleep(ctx context.Context, t time.Time) error {
	wait := time.Until(t)
	if wait <= 0 {
		return ctx.Err()
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// send transmits text, starting not before ready. It returns when the last character has left. On a line that was
// quiet the first character is handed over alone, because its arrival means something to the host.
func (l *line) send(ctx context.Context, ready time.Time, text []byte) error {
	if len(text) == 0 {
		return nil
	}
	start, step := later(l.txFree, ready), chunkChars
	if most := int(chunkTime / max(1, l.chars(1))); most < step {
		step = max(1, most)
	}
	quiet := l.txFree.Before(ready)
	l.txFree = start.Add(l.chars(len(text)))
	for n := 0; n < len(text); {
		next := min(len(text), n+step)
		if n == 0 && quiet {
			next = 1
		}
		if err := sleep(ctx, start.Add(l.chars(next))); err != nil {
			return err
		}
		if _, err := l.rw.Write(text[n:next]); err != nil {
			return err
		}
		n = next
	}
	return nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
