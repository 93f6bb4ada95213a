package iio

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"underdash/analog"
)

// silence is how long a buffer may deliver nothing before that is a fault.
const silence = 3 * time.Second

// Buffer is one open channel that is read through the converter's buffer, with the timestamps that the kernel took.
type Buffer struct {
	Attributes

	setup    *setup
	scans    scans
	clock    int32
	patience time.Duration // with a buffer that delivers nothing
	file     *os.File
	close    sync.Once
	gone     error // what closing the file said

	queue []analog.Reading
	bytes []byte
}

var (
	_ analog.Converter = (*Buffer)(nil)
	_ analog.Source    = (*Buffer)(nil)
)

// OpenBuffer opens a channel as Open does, to be read through the converter's buffer. It takes the buffer as it is if it runs and
// delivers the channel with a timestamp of a clock that nobody sets; otherwise, unless Options.Running, it tries to set it up,
// which needs the right to write the device's attributes. What it changed is taken back when that fails, and a buffer that it started is stopped by Close.
// Nobody else can read the buffer at the same time, and most drivers refuse to be polled meanwhile. The *Error wraps, beside what Open's does, ErrNoBuffer if the channel
// cannot be read so and ErrBusy if somebody else reads the buffer.
func OpenBuffer(device, channel string, o Options) (*Buffer, error) {
	b := &Buffer{Attributes: Attributes{device: device, channel: channel}}
	if err := b.find(o); err != nil {
		return nil, err
	}
	setup, node, err := b.findBuffer()
	if err != nil {
		return nil, err
	}
	// The node first: it opens once only, so that whoever has it may change what is behind it.
	b.file, err = os.OpenFile(node, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	switch {
	case errors.Is(err, syscall.EBUSY):
		return nil, b.fail(errors.Join(ErrBusy, err), "another program reads the buffer of the converter at %s: one at a time can", device)
	case errors.Is(err, fs.ErrPermission):
		return nil, b.fail(errors.Join(ErrNoBuffer, err), "%s may not be opened: have a rule for udev give it to a group that this program is in", node)
	case err != nil:
		return nil, b.fail(errors.Join(ErrNoBuffer, err), "%s cannot be opened: %v", node, reason(err))
	}
	b.setup = setup
	if err := b.start(o); err != nil {
		setup.restore()
		return nil, errors.Join(err, b.file.Close())
	}
	return b, nil
}

func (b *Buffer) start(o Options) error {
	if !b.setup.ready(o.Trigger) {
		if o.Running {
			return b.fail(ErrNoBuffer, "the buffer of the converter at %s is not running with %s and timestamps of a clock that nobody sets", b.device, b.channel)
		}
		if err := b.setup.prepare(o); err != nil {
			return err
		}
	}
	clock, ok := b.setup.clock()
	if !ok {
		return b.fail(ErrNoBuffer, "the timestamps of the converter at %s are of the clock %q, which may be set while they are taken: have a rule for udev write monotonic to current_timestamp_clock", b.device, b.setup.text("current_timestamp_clock"))
	}
	scans, err := b.setup.scan()
	if err != nil {
		return err
	}
	b.clock, b.scans = clock, scans
	b.scans.since, b.scans.overrun = time.Now(), o.Overrun
	if o.Rate > 0 {
		b.scans.thin.period = time.Duration(float64(time.Second) / o.Rate)
	}
	b.patience = max(silence, 8*time.Duration(b.setup.watermark(o.Rate))*b.period)
	b.bytes = make([]byte, 64*scans.size)
	return nil
}

// Run delivers what comes through the buffer until ctx ends and then returns ctx's error, or until the converter fails and then
// returns its error. A reading's instant is the middle of the conversion, as analog.Sampler's is.
func (b *Buffer) Run(ctx context.Context, emit func(analog.Reading)) error {
	stop := context.AfterFunc(ctx, func() { _ = b.file.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	for {
		for _, r := range b.queue {
			emit(r)
		}
		b.queue = b.queue[:0]
		if err := b.fill(ctx); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return fmt.Errorf("reading the analog input: %w", err)
		}
	}
}

// Read gives the next code and blocks until there is one. After Close the error wraps analog.ErrClosed.
func (b *Buffer) Read() (int32, error) {
	for len(b.queue) == 0 {
		if err := b.fill(context.Background()); err != nil {
			return 0, err
		}
	}
	code := b.queue[0].Code
	b.queue = b.queue[:copy(b.queue, b.queue[1:])]
	return code, nil
}

// fill waits for at least one reading, or for the end of ctx or of patience.
func (b *Buffer) fill(ctx context.Context) error {
	deadline := time.Now().Add(b.patience)
	heard := false
	for len(b.queue) == 0 {
		_ = b.file.SetReadDeadline(deadline)
		if ctx.Err() != nil { // its end may have come before the deadline was set
			return ctx.Err()
		}
		n, err := b.file.Read(b.bytes)
		if err != nil {
			return b.readFault(err, heard)
		}
		heard = true
		now, err := lookAt(b.clock)
		if err != nil {
			return b.fail(err, "the clock of the converter's timestamps cannot be read: %v", err)
		}
		b.queue = b.scans.take(b.queue, b.bytes[:n], now)
	}
	return nil
}

// lookAt reads a clock between two looks at our own. On a busy board something may come between, so the closest of a few counts.
func lookAt(clock int32) (best instant, err error) {
	for try := range 5 {
		var t unix.Timespec
		before := time.Now()
		if err := unix.ClockGettime(clock, &t); err != nil {
			return instant{}, err
		}
		half := time.Since(before) / 2
		if try == 0 || half < best.half {
			best = instant{t.Nano(), before.Add(half), half}
		}
		if half < 20*time.Microsecond {
			break
		}
	}
	return best, nil
}

func (b *Buffer) readFault(err error, heard bool) error {
	switch {
	case errors.Is(err, os.ErrClosed):
		return b.fail(analog.ErrClosed, "%s of %s was closed", b.channel, b.device)
	case errors.Is(err, os.ErrDeadlineExceeded) && heard:
		return b.fail(ErrNoBuffer, "the timestamps in the buffer of the converter at %s are not of the clock %q that it names", b.device, b.setup.text("current_timestamp_clock"))
	case errors.Is(err, os.ErrDeadlineExceeded):
		return b.fail(ErrNoBuffer, "nothing came through the buffer of the converter at %s for %v: does its trigger %q fire?", b.device, b.patience, b.setup.text("trigger/current_trigger"))
	case errors.Is(err, syscall.ENODEV):
		return b.fail(err, "the converter at %s was taken away (%v): check its wiring and supply", b.device, reason(err))
	}
	return b.fail(err, "the buffer of the converter at %s cannot be read: %v", b.device, reason(err))
}

// Close ends all reading and wakes a Read or Run that waits; a buffer that OpenBuffer started is stopped. Closing twice is allowed.
func (b *Buffer) Close() error {
	b.close.Do(func() {
		b.setup.stop()
		b.gone = b.file.Close()
	})
	return b.gone
}
