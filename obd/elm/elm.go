// Package elm holds the dialogue with an ELM327-class adapter over any byte stream: commands, prompts, frames, and
// the adapter's words for failure. It knows nothing of what a parameter means and does not open the stream.
//
// One command is under way at a time; the adapter's prompt ends it. A goroutine reads the stream and notes when
// bytes came, so that an instant does not depend on who was busy. When an answer takes too long, one character
// aborts it and the prompt is awaited before anything else is sent: to send a line into a running request would
// only abort that request and lose the line.
//
// What an adapter can do is found by asking it, never from its version string, which says nothing on copies.
//
// # Instants
//
// An engine computer measures a value after it has got the request and before it sends the answer. Answer.Sent is
// taken before the request's first byte leaves and Answer.First when the first byte of the answer was seen, so that
// the measurement lies between them, whatever the line, its buffers and the adapter added on either side. If
// several engine computers answer, First belongs to the last one to begin, which keeps that true for all. A search
// report, an echo or a dropped line before the answer does not count as its first byte.
//
// # Never writes to the car
//
// One function writes to the adapter. It refuses every service that does not only read, and knows a closed list of
// adapter commands. Requests are written so that a line which loses its first characters does not become another
// one; see appendRequest.
package elm

import (
	"context"
	"io"
	"sync"
	"time"
)

// Options are the time-outs of a conversation. The zero value is right for most adapters.
type Options struct {
	Timeout        time.Duration // longest wait for the answer to a request or command, 0 = 2 s
	SearchTimeout  time.Duration // the same while the adapter looks for the car's protocol, 0 = 30 s
	ResetTimeout   time.Duration // the same for a restart of the adapter, 0 = 3 s
	AbortTimeout   time.Duration // longest wait for the prompt after a request was aborted, 0 = 1 s
	PendingTimeout time.Duration // wait after an engine computer asked for more time, 0 = 5.5 s (5 s by ISO 14229-2)
	NoCount        bool          // never tell the adapter how many lines to wait for
}

func (o Options) withDefaults() Options {
	set := func(d *time.Duration, to time.Duration) {
		if *d <= 0 {
			*d = to
		}
	}
	set(&o.Timeout, 2*time.Second)
	set(&o.SearchTimeout, 30*time.Second)
	set(&o.ResetTimeout, 3*time.Second)
	set(&o.AbortTimeout, time.Second)
	set(&o.PendingTimeout, 5500*time.Millisecond)
	return o
}

// Info is what is known of the adapter and of the car's protocol.
type Info struct {
	Version      string  // as the adapter gives it, which proves little: "ELM327 v1.5"
	Protocol     string  // the adapter's number for it, "6"; empty until a request was answered
	ProtocolName string  // "ISO 15765-4 CAN (11 bit, 500 kbit/s)"; empty like Protocol
	Volts        float64 // at the adapter's supply pin when it was opened, some 2 % off; 0 = unknown
}

// Conn is a conversation with one adapter. Its methods may be called from several goroutines and take turns.
type Conn struct {
	stream io.ReadWriteCloser
	o      Options

	turn    chan struct{} // holds a token while somebody talks to the adapter; what follows is theirs
	timer   *time.Timer
	out     []byte // the line being written
	heard   []byte // the beginning of what came back
	unasked []byte // what came while nobody was asking
	busy    bool   // something was written and no prompt has come since
	ready   bool   // Open has succeeded
	found   bool   // the car has answered, so that the adapter knows its protocol
	parser  Parser
	framing Framing
	naming  int // how often the protocol's number was asked for in vain
	counts  counts
	strays  int // messages in the last answer that answered something else

	chunks  chan chunk    // what the reader got; closed when it ends
	closing chan struct{} // closed by Close
	done    chan struct{} // closed when the reader has ended
	readErr error         // why it ended; read after chunks is closed

	mu      sync.Mutex // guards what follows
	info    Info
	started bool // the reader
	closed  bool
}

// New makes a conversation over stream and touches nothing. The Conn owns the stream from now on.
func New(stream io.ReadWriteCloser, o Options) *Conn {
	c := &Conn{
		stream:  stream,
		o:       o.withDefaults(),
		turn:    make(chan struct{}, 1),
		chunks:  make(chan chunk, queue),
		closing: make(chan struct{}),
		done:    make(chan struct{}),
		timer:   time.NewTimer(time.Hour),
	}
	c.timer.Stop()
	return c
}

// Info tells what is known so far. The protocol is known after the first answered request.
func (c *Conn) Info() Info {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.info
}

func (c *Conn) setInfo(f func(*Info)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(&c.info)
}

// Close closes the stream, which wakes whoever waits on it with ErrClosed, and waits for the reader to end.
// Closing again does nothing and returns nil.
func (c *Conn) Close() error {
	c.mu.Lock()
	if c.closed {
		c.mu.Unlock()
		return nil
	}
	c.closed = true
	started := c.started
	c.mu.Unlock()
	close(c.closing)
	err := c.stream.Close()
	if started {
		<-c.done
	}
	return err
}

// take waits for the turn to talk to the adapter. Whoever gets it calls give.
func (c *Conn) take(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case c.turn <- struct{}{}:
		return nil
	case <-c.closing:
		return &Error{Err: ErrClosed}
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (c *Conn) give() { <-c.turn }
