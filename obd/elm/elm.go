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
// # Protocols
//
// The protocol that the car used the last time is tried first, for half a minute, then the adapter searches, and where
// its search finds nothing the protocols are tried one by one. The adapter is told how many lines to wait for where that is known.
// On CAN several parameters may be asked at once, and one engine computer can be asked alone (Focus). The older buses take one
// parameter a request and want a pause between requests, and where several engine computers answer, only the adapter's own time-out
// tells that all have.
//
// # Instants
//
// An engine computer measures a value after it has got the whole request and before it begins to send the answer.
// Answer.Earliest and Latest bound that. Let Sent be the instant just before the request's first byte was given to the
// system, N the characters of its line, tb the time of a character on the adapter's line, x what the transport takes
// one way at the least, and q the request's shortest time on the bus. The adapter acts on the line's end, so that
//
//	Earliest = Sent + x + N·tb + q
//
// Going back from the answer, let a chunk of bytes have been seen at t, with n characters from the first one of the
// answer's first line to the chunk's end. Each took tb, the adapter printed them after it had received the frame, and
// the frame takes r on the bus, so that for every chunk
//
//	Latest <= t - x - n·tb - r
//
// and the smallest of these is taken: a chunk that came promptly makes good for one that was held up. On CAN the
// adapter can only print whole frames, r being the shortest time of the answer's first. On the older buses an adapter
// may print bytes as they come in, so that two bounds are used, the first byte's before the first character and the
// whole message's before the end of the line. If several engine computers answer, the last one to begin counts, which
// keeps the bound true for all. A search report, an echo or a dropped line before the answer is not its beginning.
//
// tb is Options.Pace, less three per cent for two clocks that differ, and half a bit for the receiver that does not
// wait for the end of the stop bit. x is then 0. Where no pace is given, or a reply came faster than it allows, both
// are measured when the connection is opened: by calls with and without spaces in front, which the adapter ignores
// and the line does not. Two thirds of the difference count as tb, and an eighth of the rest of the shortest round
// trip as x: half of it may be the adapter's own work, and the two directions may share the other half as unevenly as
// one to three. By as much as the trips of one kind differ among themselves both are less. What the adapter itself
// takes is not known of copies and left at nothing. q and r are the bits that the frame must have: ISO 11898-1 without
// stuffing and without padding, ten bits a byte at 10 400 baud for ISO 9141-2 and ISO 14230-4, the shortest bytes of
// SAE J1850 (eight times 64 µs with variable pulse width, 24 µs by pulse width; from memory).
//
// One thing breaks the bound: an answer that came too late for its question, when the next question is the very same,
// is taken for the answer to that. With one engine computer asked alone the adapter waits for twice as long as it may
// take, and longer where one takes longer: an answer that cannot be its question's shows that.
//
// # Never writes to the car
//
// One function writes to the adapter. It refuses every service that does not only read, and knows a closed list of
// adapter commands. No line is sent in one go that would be an order after losing its first characters; see orders.
package elm

import (
	"context"
	"io"
	"sync"
	"time"

	"underdash/obd"
)

// Options are the time-outs and choices of a conversation. The zero value is right for most adapters.
type Options struct {
	Timeout        time.Duration // longest wait for the answer to a request or command, 0 = 2 s
	SearchTimeout  time.Duration // the same while the adapter looks for the car's protocol, 0 = 30 s
	ResetTimeout   time.Duration // the same for a restart of the adapter, 0 = 3 s
	AbortTimeout   time.Duration // longest wait for the prompt after a request was aborted, 0 = 1 s
	PendingTimeout time.Duration // wait after an engine computer asked for more time, 0 = 5.5 s (5 s by ISO 14229-2)
	NoCount        bool          // never tell the adapter how many lines to wait for

	// Protocol is the adapter's number of the protocol that the car used the last time (Info.Protocol), "1" to "9".
	// It is tried for half a minute before anything is searched for. Empty = search.
	Protocol string
	// Pace is how long one character takes on the serial line between us and the adapter, ten bits at 8N1: 260 µs at
	// 38400. 0 = unknown, as it is behind TCP, Bluetooth and adapters that are a USB device themselves; what the
	// link takes at least is then measured. It must not be longer than the truth.
	Pace time.Duration
	// RaiseBaud is the rate to which the serial line is raised once the adapter is found: 57600, 115200, 230400 or
	// 500000. It needs Pace, a stream that has SetBaud(int) error, and an adapter that can; otherwise the rate stays
	// as it is. Only for adapters on a serial line: behind a radio the rate is not ours to change. 0 = leave it.
	RaiseBaud int
	// NoFocus makes Focus do nothing: every request goes to every engine computer.
	NoFocus bool
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

	Features  Features      // what the adapter was seen to be able to do
	Focus     obd.Address   // the engine computer that requests go to, 0 = all
	Pace      time.Duration // one character on the adapter's line, as given or measured; 0 = unknown
	RoundTrip time.Duration // the shortest time from a command to the first character of its reply; 0 = unknown
}

// Features is what an adapter was seen to do, whatever its version says. The zero value is an adapter that can do
// nothing but search for the protocol and answer with everything switched on.
type Features struct {
	Echo       bool // its echo can be switched off
	Linefeeds  bool // its line feeds can be switched off
	Spaces     bool // its spaces can be switched off
	Headers    bool // it shows who sent an answer
	Memory     bool // it can be told not to store the protocol
	Adaptive   bool // its time-out follows the car's answering time
	Timeout    bool // its time-out can be set
	Protocols  bool // a protocol can be tried without storing it
	Count      bool // it stops listening after a given number of frames; known once the car has answered
	Addressing bool // one engine computer can be asked and listened to alone; known after Focus
	Baud       int  // the rate the line was raised to, 0 = as it was
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
	unended bool   // what was written lacks its end
	ready   bool   // Open has succeeded
	asleep  bool   // Sleep has succeeded
	echoes  bool   // the adapter's echo is on, as far as is known
	shown   bool   // it was seen since Open was called
	parser  Parser
	counts  counts
	breath  time.Duration // between the prompt and the next line, 0 for nearly every adapter
	strays  int           // messages in the last answer that answered something else
	session session
	pace    pace

	chunks  chan chunk    // what the reader got; closed when it ends
	closing chan struct{} // closed by Close
	done    chan struct{} // closed when the reader has ended
	readErr error         // why it ended; read after chunks is closed

	mu      sync.Mutex // guards what follows; info is changed by whoever has the turn only
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
	c.pace.given, c.pace.baud = c.o.Pace, baudOf(c.o.Pace)
	c.timer.Stop()
	return c
}

// Info tells what is known so far. The protocol is known after the first answered request.
func (c *Conn) Info() Info {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.info
}

// OnCAN reports whether the car is on CAN. It is known, like Info().Protocol, after the first answered request.
func (c *Conn) OnCAN() bool { return c.Info().Protocol >= "6" }

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
