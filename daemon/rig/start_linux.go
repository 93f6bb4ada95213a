package rig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// link is the name, under the directory of Start, that leads to the adapter's tty whatever its number is, as udev
// makes them for real ones.
const link = "usb-virtual-adapter-if00"

// Start opens a pair of pseudo terminals with the adapter on one end, lays the converter out under dir and starts
// the drive's clock. The car runs until ctx ends or Close is called; after the drive's end it stands there with its
// ignition off.
func (c *Car) Start(ctx context.Context, dir string) (*Running, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("starting the virtual car: %w", err)
	}
	path := filepath.Join(dir, link)
	return c.startOn(ctx, dir, path, &ttySocket{link: path, car: c})
}

// ttySocket plugs the adapter in at a pseudo terminal.
type ttySocket struct {
	link string
	car  *Car
	last string // the node it had

	host *os.File // the host's end of what is plugged in, while it is

	held *os.File // another program's
}

func (s *ttySocket) plugIn() (*plug, error) {
	own, host, err := openTTY(s.last)
	if err != nil {
		return nil, fmt.Errorf("opening a pseudo terminal: %w", err)
	}
	s.last = host.Name()
	fail := func(err error) (*plug, error) { return nil, errors.Join(err, own.Close(), host.Close()) }
	if s.held != nil { // another program is quicker than whoever follows the link
		if err := s.take(); err != nil {
			return fail(err)
		}
	}
	if err := os.Remove(s.link); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fail(err)
	}
	if err := os.Symlink(host.Name(), s.link); err != nil {
		return fail(err)
	}
	t := terminal{own, 0}
	if s.car.o.StrictBaud {
		t.baud = s.car.o.Baud
	}
	s.host = host
	return &plug{
		serve: func(ctx context.Context, c *Car) error { return c.adapter.Serve(ctx, t) },
		pull:  func() error { return errors.Join(os.Remove(s.link), host.Close(), own.Close()) },
	}, nil
}

// openTTY returns the adapter's end and the host's end, the latter in raw mode: before a host opens it, it would
// otherwise send echoes back and change line ends. Holding it open keeps the adapter's end readable. The host's end has
// another name than the given one.
func openTTY(otherThan string) (own, host *os.File, err error) {
	master, host, err := pty.Open()
	if err != nil {
		return nil, nil, err
	}
	defer master.Close()
	if host.Name() == otherThan { // the number was free again: take the next
		defer host.Close()
		return openTTY(otherThan)
	}
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

// ReplugTaken plugs the adapter in again as Replug does, but another program has it before anybody who follows the
// link, until release is called. It claims the device as careful programs do, with a lock that holds for root as well.
func (r *Running) ReplugTaken() (release func() error, err error) {
	s, ok := r.socket.(*ttySocket)
	if !ok {
		return nil, errors.New("taking the virtual adapter's port: only a tty is used by one program at a time")
	}
	r.plugging.Lock()
	s.held = new(os.File)
	r.plugging.Unlock()
	err = r.Replug()
	r.plugging.Lock()
	defer r.plugging.Unlock()
	held := s.held
	s.held = nil
	if err != nil {
		return nil, err
	}
	return held.Close, nil
}

// Hold makes the line take nothing that the host writes, as an adapter does that has stopped it by flow control, until
// release is called. The kernel itself holds the characters back, before an adapter at a tty.
func (r *Running) Hold() (release func() error, err error) {
	s, ok := r.socket.(*ttySocket)
	r.plugging.Lock()
	defer r.plugging.Unlock()
	if !ok || r.plug == nil {
		return nil, errors.New("holding the virtual adapter's line: only a tty that is plugged in has one")
	}
	flow := func(action int) error {
		raw, err := s.host.SyscallConn()
		if err != nil {
			return fmt.Errorf("holding the virtual adapter's line: %w", err)
		}
		failed := raw.Control(func(fd uintptr) { err = unix.IoctlSetInt(int(fd), unix.TCXONC, action) })
		if err = errors.Join(failed, err); err != nil {
			return fmt.Errorf("holding the virtual adapter's line: %w", err)
		}
		return nil
	}
	const off, on = 0, 1 // TCOOFF and TCOON of include/uapi/asm-generic/termbits.h, from memory
	if err := flow(off); err != nil {
		return nil, err
	}
	return func() error { return flow(on) }, nil
}

// take opens the adapter's node for another program.
func (s *ttySocket) take() error {
	other, err := os.OpenFile(s.last, os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		return fmt.Errorf("taking the virtual adapter's port: %w", err)
	}
	if err := unix.Flock(int(other.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return errors.Join(fmt.Errorf("taking the virtual adapter's port: %w", err), other.Close())
	}
	s.held = other
	return nil
}

// terminal is the adapter's end. A read error that only says that the other end is closed ends the stream. With a rate
// given, what goes over the line at another rate is noise.
type terminal struct {
	*os.File
	baud int
}

func (t terminal) Read(b []byte) (int, error) {
	n, err := t.File.Read(b)
	if errors.Is(err, syscall.EIO) {
		err = io.EOF
	}
	if t.wrongRate() {
		garble(b[:n])
	}
	return n, err
}

func (t terminal) Write(b []byte) (int, error) {
	if t.wrongRate() {
		b = append([]byte(nil), b...)
		garble(b)
	}
	n, err := t.File.Write(b)
	if errors.Is(err, syscall.EIO) {
		err = io.EOF
	}
	return n, err
}

// wrongRate tells whether the host's end is set to another rate than the adapter's; the kernel answers for it here.
func (t terminal) wrongRate() bool {
	if t.baud == 0 {
		return false
	}
	raw, err := t.SyscallConn()
	if err != nil {
		return false
	}
	wrong := false
	_ = raw.Control(func(fd uintptr) {
		s, err := unix.IoctlGetTermios(int(fd), unix.TCGETS2)
		wrong = err == nil && int(s.Ospeed) != t.baud
	})
	return wrong
}

// garble makes noise of characters: none of it is a prompt, a letter or an end of a line.
func garble(b []byte) {
	for i := range b {
		b[i] |= 0x80
	}
}
