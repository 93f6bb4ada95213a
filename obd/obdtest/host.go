package obdtest

import (
	"context"
	"net"
	"sync/atomic"
	"time"
)

// Host is the host's end of an in-memory stream. Like a serial port it has a rate of its own and can hold the line low.
type Host struct {
	net.Conn
	a    *Adapter
	baud atomic.Int64
}

// SetBaud sets the host's rate. From then on both ends hear noise while the two rates differ; before the first call
// they agree, whatever the adapter does.
func (h *Host) SetBaud(baud int) error {
	h.baud.Store(int64(baud))
	return nil
}

// Pulse holds the line low, which wakes an adapter in low power at any rate if it lasts 128 µs or more.
func (h *Host) Pulse(d time.Duration) error {
	time.Sleep(d)
	if d >= wakePulse {
		select {
		case h.a.breaks <- struct{}{}:
		default: // one is on its way
		}
	}
	return nil
}

// adapterEnd is the other end.
type adapterEnd struct {
	net.Conn
	host *Host
}

func (e adapterEnd) hostBaud() int { return int(e.host.baud.Load()) }

// Dial plugs a new in-memory stream into the adapter and returns the host's end, a *Host. The adapter serves it until
// the host closes it; Wait waits for that.
func (a *Adapter) Dial() net.Conn {
	near, far := net.Pipe()
	host := &Host{Conn: near, a: a}
	a.served.Go(func() {
		defer far.Close()
		_ = a.Serve(context.Background(), adapterEnd{far, host})
	})
	return host
}
