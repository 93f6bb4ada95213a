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
	b     byte
	at    time.Time
	first bool // of what the host said in one go
}

// line is the adapter's end of the serial line. Everything but read belongs to the dialogue's goroutine.
type line struct {
	rw     io.ReadWriter
	baud   int
	most   int  // the highest rate that works, 0 = any
	skipLF bool // right after a carriage return
	cr     bool // that was the last character
	chunks chan chunk
	queue  []character // received and not yet looked at
	rxFree time.Time   // when the receiver had its last character
	txFree time.Time   // when the transmitter will have sent its last character
	asked  time.Time   // when it will have sent its last prompt
	total  int         // characters received
	err    error
}

func newLine(rw io.ReadWriter, baud, most int) *line {
	return &line{rw: rw, baud: baud, most: most, chunks: make(chan chunk, 16)}
}

// garbled reports whether the two ends do not understand each other: a receiver takes in a character to the middle of
// its stop bit, so that half a bit in ten, less what the sampling costs, is all that two rates may differ by.
func (l *line) garbled() bool {
	if l.most > 0 && l.baud > l.most {
		return true
	}
	end, ok := l.rw.(interface{ hostBaud() int })
	if !ok || end.hostBaud() == 0 {
		return false
	}
	off := end.hostBaud() - l.baud
	return max(off, -off)*25 > l.baud
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
	if l.garbled() {
		copy(c.data, noise(len(c.data)))
	}
	for i, b := range c.data {
		if l.skipLF && l.cr && b == '\n' {
			l.cr = false
			continue
		}
		l.cr = b == '\r'
		l.queue = append(l.queue, character{b, start.Add(l.chars(i + 1)), i == 0})
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
	if text[len(text)-1] == '>' {
		l.asked = l.txFree
	}
	for n := 0; n < len(text); {
		next := min(len(text), n+step)
		if n == 0 && quiet {
			next = 1
		}
		if err := sleep(ctx, start.Add(l.chars(next))); err != nil {
			return err
		}
		piece := text[n:next]
		if l.garbled() {
			piece = noise(len(piece))
		}
		if _, err := l.rw.Write(piece); err != nil {
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
