package port

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"syscall"
	"time"
)

// An adapter that left the car's Wi-Fi says no goodbye. Three probes 5 s apart after 10 s of silence find out
// within half a minute, where the system's defaults take two hours. Own choice, no source.
var keepAlive = net.KeepAliveConfig{Enable: true, Idle: 10 * time.Second, Interval: 5 * time.Second, Count: 3}

// tcpLink is a TCP connection. The net package already keeps calls after Close away from the descriptor.
type tcpLink struct {
	*net.TCPConn
	timeout time.Duration // for one Write
}

func dialTCP(ctx context.Context, hostport string, o Options) (link, error) {
	host, service, err := net.SplitHostPort(hostport)
	if err != nil || host == "" {
		return nil, fmt.Errorf(`%w: write it as "tcp://host:port", for example "tcp://192.168.0.10:35000"`, ErrOption)
	}
	if n, err := strconv.Atoi(service); err != nil || n < 1 || n > 65535 {
		return nil, fmt.Errorf("%w: the port is %q and must be a number from 1 to 65535", ErrOption, service)
	}
	d := net.Dialer{Timeout: o.DialTimeout, KeepAliveConfig: keepAlive}
	conn, err := d.DialContext(ctx, "tcp", hostport)
	if err != nil {
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, syscall.EMFILE), errors.Is(err, syscall.ENFILE):
			return nil, tooManyFiles(cause(err))
		}
		return nil, fmt.Errorf("%w: %w; check that the adapter has power, that this machine has joined its Wi-Fi, "+
			"and the address", ErrNotFound, cause(err))
	}
	t := conn.(*net.TCPConn)
	// Commands are a few bytes and wait for an answer: collecting them into larger packets would only delay.
	// Dial has asked for this already; failing here would mean a broken socket, which the first read reports.
	_ = t.SetNoDelay(true)
	return tcpLink{t, o.WriteTimeout}, nil
}

// cause cuts the dialled address out of the error, since Error prints it already.
func cause(err error) error {
	if op, ok := errors.AsType[*net.OpError](err); ok {
		return op.Err
	}
	return err
}

// Write fails when time is up: a command is a few characters and fits any socket's buffer, so a write that waits means
// that the other end has stopped listening.
func (l tcpLink) Write(b []byte) (int, error) {
	if err := l.SetWriteDeadline(time.Now().Add(l.timeout)); err != nil {
		return 0, err
	}
	return l.TCPConn.Write(b)
}

func (l tcpLink) setBaud(int) error { return ErrNoRate }

func (l tcpLink) pulse(time.Duration) error { return ErrNoRate }
