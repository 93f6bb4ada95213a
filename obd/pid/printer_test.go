package pid

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
)

// printer is an adapter that prints for each request what it was given to print. It knows as much of an adapter's
// commands as it takes to be talked to.
type printer struct {
	protocol string // what it answers when it is asked for the protocol's number
	greeting string // printed when it is asked for the first bitmap
	next     string // printed for every other request

	begun  string // of a line whose end is still to come
	out    chan []byte
	rest   []byte
	closed chan struct{}
}

func newPrinter(protocol, greeting string) *printer {
	return &printer{protocol: protocol, greeting: greeting, out: make(chan []byte, 16), closed: make(chan struct{})}
}

func (p *printer) Write(b []byte) (int, error) {
	whole, ended := strings.CutSuffix(p.begun+string(b), "\r")
	line := strings.ReplaceAll(whole, " ", "")
	text := "OK\r\r>"
	if p.begun = ""; !ended {
		p.begun, text = line, line // echoed, which is what a line in two steps waits for
	}
	switch {
	case line == "":
		return len(b), nil
	case !ended:
	case line == "ATI", line == "ATZ", line == "ATWS":
		text = "ELM327 v1.5\r\r>"
	case line == "ATE1":
		text = "ATE1\rOK\r\r>"
	case line == "ATDPN":
		text = p.protocol + "\r\r>"
	case line == "ATRV":
		text = "12.6V\r\r>"
	case strings.HasPrefix(line, "0100"):
		text = p.greeting + "\r>"
	case !strings.HasPrefix(line, "AT"):
		text = p.next + "\r>"
	}
	select {
	case p.out <- []byte(text):
	case <-p.closed:
		return 0, io.ErrClosedPipe
	}
	return len(b), nil
}

func (p *printer) Read(b []byte) (int, error) {
	if len(p.rest) == 0 {
		select {
		case p.rest = <-p.out:
		case <-p.closed:
			return 0, io.EOF
		}
	}
	n := copy(b, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (p *printer) Close() error { close(p.closed); return nil }

// line is a printer and the daemon's dialogue with it.
type line struct {
	*printer
	conn *elm.Conn
}

func newLine(t *testing.T, protocol, greeting string) *line {
	l := &line{printer: newPrinter(protocol, greeting)}
	l.conn = elm.New(l.printer, elm.Options{NoCount: true})
	t.Cleanup(func() { require.NoError(t, l.conn.Close()) })
	_, err := l.conn.Open(t.Context())
	require.NoError(t, err)
	// The first answer tells the dialogue which protocol the car speaks.
	_, err = l.conn.Request(t.Context(), obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0}})
	require.NoError(t, err)
	return l
}

// ask asks for one parameter and has the given lines printed.
func (l *line) ask(ctx context.Context, p obd.PID, lines string) (obd.Answer, error) {
	l.next = strings.ReplaceAll(lines, "/", "\r") + "\r"
	if p == 0 {
		l.greeting = l.next
	}
	return l.conn.Request(ctx, obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{p}})
}

// framed writes a payload as an adapter prints it on CAN with 11-bit identifiers (ISO 15765-2): one frame up to seven
// bytes, else a first one with the length and consecutive ones, padded.
func framed(from obd.Address, payload []byte) string {
	pad := func(b []byte) string {
		return fmt.Sprintf("%v%X", from, append(bytes.Clone(b), bytes.Repeat([]byte{0x55}, 8-len(b))...))
	}
	if len(payload) < 8 {
		return pad(append([]byte{byte(len(payload))}, payload...))
	}
	lines := []string{pad(append([]byte{0x10, byte(len(payload))}, payload[:6]...))}
	n := byte(1)
	for part := range slices.Chunk(payload[6:], 7) {
		lines = append(lines, pad(append([]byte{0x20 | n&0xF}, part...)))
		n++
	}
	return strings.Join(lines, "/")
}
