package rig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// Start opens a pair of pseudo terminals with the adapter on one end, lays the converter out under dir and starts
// the drive's clock. The car runs until ctx ends or Close is called; after the drive's end it stands there with its
// ignition off.
func (c *Car) Start(ctx context.Context, dir string) (*Running, error) {
	own, hold, err := openTTY()
	if err != nil {
		return nil, fmt.Errorf("starting the virtual car: opening a pseudo terminal for its adapter: %w", err)
	}
	device, err := c.Lay(dir)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("starting the virtual car: %w", err), own.Close(), hold.Close())
	}
	r := &Running{Adapter: hold.Name(), Device: device.Path(), car: c, device: device, own: own, hold: hold}
	r.Config = r.ConfigFor(c.o.StorePath)
	inner, cancel := context.WithCancel(ctx)
	r.cancel = cancel
	c.Begin()
	if err := device.Set(Channel, c.drive.code(0)); err != nil { // whoever opens the converter finds a conversion
		return nil, errors.Join(fmt.Errorf("starting the virtual car: %w", err), r.Close())
	}
	r.run(inner, func(ctx context.Context) error { return c.Refresh(ctx, device) })
	r.run(inner, func(ctx context.Context) error { return c.adapter.Serve(ctx, terminal{own}) })
	return r, nil
}

// openTTY returns the adapter's end and the host's end, the latter in raw mode: before a host opens it, it would
// otherwise send echoes back and change line ends. Holding it open keeps the adapter's end readable.
func openTTY() (own, host *os.File, err error) {
	master, host, err := pty.Open()
	if err != nil {
		return nil, nil, err
	}
	defer master.Close()
	if _, err := term.MakeRaw(int(host.Fd())); err != nil {
		return nil, nil, errors.Join(err, host.Close())
	}
	// The library leaves the descriptor in blocking mode, in which neither a deadline nor Close ends a Read. A
	// second descriptor in non-blocking mode has both.
	fd, err := unix.FcntlInt(master.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err == nil {
		err = unix.SetNonblock(fd, true)
	}
	if err != nil {
		return nil, nil, errors.Join(err, host.Close())
	}
	return os.NewFile(uintptr(fd), master.Name()), host, nil
}

// terminal is the adapter's end. A read error that only says that the other end is closed ends the stream.
type terminal struct{ *os.File }

func (t terminal) Read(b []byte) (int, error) {
	n, err := t.File.Read(b)
	if errors.Is(err, syscall.EIO) {
		err = io.EOF
	}
	return n, err
}

func (t terminal) Write(b []byte) (int, error) {
	n, err := t.File.Write(b)
	if errors.Is(err, syscall.EIO) {
		err = io.EOF
	}
	return n, err
}
