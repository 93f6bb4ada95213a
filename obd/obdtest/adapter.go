package obdtest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"underdash/obd"
)

// ECU is one engine computer on the bus.
type ECU struct {
	// Address is the identifier its answers carry: 0x7E8, 0x18DAF110, or a sender's byte (0x10) on older buses.
	Address obd.Address
	// Delay is the time from the end of the request to the start of the answer. Default: always 8 ms.
	Delay func() time.Duration
	// Sampled is where inside the answering time the values are taken, 0 (at its start) to 1. Default: always 0.5.
	Sampled func() float64
	// Answer returns the payload without framing (41 0C 1A F8) for a request (01 0C), or nil to stay silent. It
	// runs on the goroutine of Serve. at is the sampling instant and may be a few milliseconds ahead.
	// Payloads are CAN's; for older buses the adapter reshapes services 03, 07 and 09.
	Answer func(request []byte, at time.Time) []byte
	// Pending is how much longer than Delay it needs for a request. It then says so (7F, service, 78) when Delay is
	// over, and answers when Pending is. Default: never.
	Pending func(request []byte) time.Duration
}

// Options are an adapter's and its car's properties. The zero value is an adapter at 38400 baud whose car is dead.
type Options struct {
	Baud    int    // serial line, default 38400
	Version string // what AT I says, default "ELM327 v2.1"
	ECUs    []ECU
	// Protocol is the car's bus, '1' to '9' as in AT SP; default '6', CAN with 11-bit identifiers at 500 kbit/s.
	Protocol byte
	// SearchTime is how long a protocol search takes: default 0.7 s when the car answers, 6 s when nothing does.
	SearchTime, SearchFail time.Duration
	// Volts is the adapter's own supply as AT RV measures it; default 12.6 V.
	Volts func(at time.Time) float64
	// Asleep says whether nobody is awake on the bus to acknowledge a frame: CAN ERROR, or UNABLE TO CONNECT
	// after a search. Default: never.
	Asleep func(at time.Time) bool
	// Padding fills CAN frames up to 8 bytes (00, 55 and AA are in use). ShortFrames leaves the filling out.
	Padding     byte
	ShortFrames bool
	// PrintPadding shows that filling without headers too, as some copies do: 410C0AF4000000.
	PrintPadding bool
	// Refused lists AT commands answered with ?, by name without its parameter ("ATCRA", "ATTP") or
	// whole ("AT TP A6", "ATAT2"); with a dot behind it only without a parameter ("ATCRA.").
	Refused []string
	// Pretended lists AT commands answered with OK and not carried out, as some copies do; named like Refused.
	Pretended []string
	// NoCount answers requests that end in a response count with ?, as some copies do. DeafCount answers them with
	// NO DATA.
	NoCount, DeafCount bool
	// NoEcho never echoes.
	NoEcho bool
	// Impatient gives up at its time-out although an engine computer asked for more time, as firmware before 2.1 did.
	Impatient bool
	// Forgetful loses its settings in low power, as firmware before 2.0 did.
	Forgetful bool
	// SkipLF takes no notice of a line feed right after a carriage return. Without it that is a character like any
	// other, and stops the request.
	SkipLF bool
	// MaxBaud is the highest rate that it can really talk at; above that it says and hears noise. Default: no limit.
	MaxBaud int
	// Lose says how many of the first characters are lost on their way of what the host says next, be that a line or
	// more of an unfinished one. A line's end is never lost. Default: none.
	Lose func() int
	// Deaf is for how long after a prompt nothing is heard, a line's end neither. Default: not at all.
	Deaf time.Duration
	// TwoBytes sends only the first two bytes of a request, as some copies do.
	TwoBytes bool
	// Log is how many requests are kept for Requests, newest kept; default 10000.
	Log int
}

func (o Options) withDefaults() Options {
	if o.Baud <= 0 {
		o.Baud = 38400
	}
	if o.Version == "" {
		o.Version = "ELM327 v2.1"
	}
	if o.Protocol == 0 {
		o.Protocol = '6'
	}
	if o.SearchTime <= 0 {
		o.SearchTime = 700 * time.Millisecond
	}
	if o.SearchFail <= 0 {
		o.SearchFail = 6 * time.Second
	}
	if o.Volts == nil {
		o.Volts = func(time.Time) float64 { return 12.6 }
	}
	if o.Asleep == nil {
		o.Asleep = func(time.Time) bool { return false }
	}
	if o.Log <= 0 {
		o.Log = 10000
	}
	return o
}

// Adapter is the virtual adapter. Its settings outlive a stream, as those of a plugged-in adapter do. All methods
// may be called at any time from any goroutine.
type Adapter struct {
	o      Options
	turn   chan struct{} // held by the Serve that is running
	poke   chan struct{} // wakes the dialogue for a brown-out
	served sync.WaitGroup

	set     settings      // owned by the running Serve
	breaks  chan struct{} // the host holds the line low
	slowest time.Duration // adaptive timing's estimate, owned by the running Serve
	last    string        // last command, which an empty line repeats; owned by the running Serve

	mu      sync.Mutex // guards what follows
	fault   Fault
	words   string // see Words
	refused map[string]bool
	asleep  bool
	heard   Heard
	log     []Request
}

// New returns an adapter that has just been powered up. It touches nothing until Serve or Dial.
func New(o Options) *Adapter {
	a := &Adapter{
		o:       o.withDefaults(),
		turn:    make(chan struct{}, 1),
		poke:    make(chan struct{}, 1),
		breaks:  make(chan struct{}, 1),
		refused: map[string]bool{},
		heard:   Heard{AT: map[string]int{}, Services: map[obd.Service]int{}},
	}
	a.Refuse(o.Refused...)
	a.set = defaults(a.o.Baud)
	return a
}

// Serve speaks over rw until ctx ends (its error is returned) or the stream ends (nil). To get out of a blocked
// Read or Write when ctx ends it uses the stream's SetDeadline where that works and closes the stream otherwise.
// A second Serve waits until the first has ended.
func (a *Adapter) Serve(ctx context.Context, rw io.ReadWriter) error {
	select {
	case a.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-a.turn }()

	inner, cancel := context.WithCancel(ctx)
	d := &dialogue{Adapter: a, fresh: true, line: newLine(rw, a.set.baud, a.o.MaxBaud)}
	d.line.skipLF = a.o.SkipLF
	var tasks sync.WaitGroup
	tasks.Go(func() { d.line.read(inner) })
	tasks.Go(func() {
		<-inner.Done()
		interrupt(rw)
	})
	err := d.run(inner)
	cancel()
	tasks.Wait()
	if s, ok := rw.(interface{ SetDeadline(time.Time) error }); ok {
		_ = s.SetDeadline(time.Time{})
	}
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrClosedPipe), errors.Is(err, os.ErrClosed):
		return nil
	}
	return fmt.Errorf("virtual adapter: %w", err)
}

// interrupt ends a blocked Read and Write on the stream.
func interrupt(rw io.ReadWriter) {
	if s, ok := rw.(interface{ SetDeadline(time.Time) error }); ok && s.SetDeadline(time.Unix(1, 0)) == nil {
		return
	}
	if c, ok := rw.(io.Closer); ok {
		_ = c.Close()
	}
}

// Wait returns when every stream handed out by Dial has ended.
func (a *Adapter) Wait() { a.served.Wait() }

// note runs f with the counters and faults locked.
func (a *Adapter) note(f func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f()
}
