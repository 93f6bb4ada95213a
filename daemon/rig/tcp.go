package rig

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
)

// StartTCP is Start with an adapter that is reached over TCP, as one with Wi-Fi is. It works on every system.
func (c *Car) StartTCP(ctx context.Context, dir string) (*Running, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("starting the virtual car: %w", err)
	}
	s := &tcpSocket{address: l.Addr().String(), first: l}
	r, err := c.startOn(ctx, dir, "tcp://"+s.address, s)
	if err != nil {
		_ = l.Close() // unless it is closed already
	}
	return r, err
}

// tcpSocket plugs the adapter in at a TCP port of this machine.
type tcpSocket struct {
	address string
	first   net.Listener // made by StartTCP, to know the port
}

func (s *tcpSocket) plugIn() (*plug, error) {
	l := s.first
	s.first = nil
	if l == nil {
		var err error
		if l, err = net.Listen("tcp", s.address); err != nil {
			return nil, err
		}
	}
	t := &tcpAdapter{listener: l}
	return &plug{serve: t.serve, pull: t.pull}, nil
}

// tcpAdapter takes one host after the other.
type tcpAdapter struct {
	listener net.Listener

	mu   sync.Mutex // guards what follows
	conn net.Conn
	gone bool
}

func (t *tcpAdapter) serve(ctx context.Context, c *Car) error {
	stop := context.AfterFunc(ctx, func() { _ = t.pull() })
	defer stop()
	for {
		conn, err := t.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return nil
		}
		if err != nil {
			return err
		}
		if t.take(conn) {
			_ = c.adapter.Serve(ctx, conn) // how a host went away does not matter to the next
		}
		_ = conn.Close()
	}
}

func (t *tcpAdapter) take(conn net.Conn) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.conn = conn
	return !t.gone
}

// pull closes the connection and takes no other.
func (t *tcpAdapter) pull() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.gone {
		return nil
	}
	t.gone = true
	if t.conn != nil {
		_ = t.conn.Close() // the host may have been first
	}
	return t.listener.Close()
}
