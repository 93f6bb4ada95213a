package elm_test

import (
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
)

// fake is an adapter that says what a test tells it to. It never pauses inside a piece of text.
type fake struct {
	// reply gives the answer to a line (spaces removed). In it "~" is a pause of 100 ms, "^" hangs until a character
	// comes and then says STOPPED; everything else is sent as it is, "|" as CR.
	reply func(line string) string

	mu    sync.Mutex
	lines []string // what came, spaces and all, without CR
}

// usual are the replies of a healthy adapter with echo off.
func usual(line string) string {
	switch line {
	case "ATI":
		return "ELM327 v1.5||>"
	case "ATWS", "ATZ":
		return "||ELM327 v1.5||>"
	case "ATRV":
		return "12.6V||>"
	case "ATDPN":
		return "A6||>"
	case "0100", "01001":
		return "7E8064100BE3EB811||>"
	case "010C", "010C1":
		return "7E804410C1AF8||>"
	}
	if strings.HasPrefix(line, "AT") {
		return "OK||>"
	}
	return "NO DATA||>"
}

func (f *fake) heard() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.lines...)
}

// serve runs the dialogue until the stream ends.
func (f *fake) serve(rw io.ReadWriteCloser) {
	in := make(chan byte, 1000)
	go func() {
		defer close(in)
		b := make([]byte, 1)
		for {
			if _, err := rw.Read(b); err != nil {
				return
			}
			in <- b[0]
		}
	}()
	line := ""
	for c := range in {
		if c != '\r' {
			line += string(c)
			continue
		}
		f.mu.Lock()
		f.lines = append(f.lines, line)
		f.mu.Unlock()
		f.say(rw, in, f.reply(strings.ReplaceAll(line, " ", "")))
		line = ""
	}
}

func (f *fake) say(w io.Writer, in <-chan byte, text string) {
	for _, piece := range strings.SplitAfter(strings.ReplaceAll(text, "|", "\r"), "~") {
		piece, pause := strings.CutSuffix(piece, "~")
		piece, hang := strings.CutSuffix(piece, "^")
		if _, err := io.WriteString(w, piece); err != nil {
			return
		}
		var timer <-chan time.Time
		switch {
		case hang:
		case pause:
			timer = time.After(100 * time.Millisecond)
		default:
			continue
		}
		select {
		case <-timer:
		case c, ok := <-in:
			if ok && c != '!' {
				_, _ = io.WriteString(w, "STOPPED\r\r>")
			}
			return
		}
	}
}

// bubble runs a test against a fake adapter on simulated time.
func bubble(t *testing.T, reply func(string) string, o elm.Options, test func(t *testing.T, c *elm.Conn, f *fake)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		f := &fake{reply: reply}
		var served sync.WaitGroup
		served.Go(func() { f.serve(far) })
		c := elm.New(near, o)
		defer func() {
			assert.NoError(t, c.Close())
			far.Close()
			served.Wait()
		}()
		test(t, c, f)
	})
}

func open(t *testing.T, c *elm.Conn) elm.Info {
	t.Helper()
	info, err := c.Open(t.Context())
	require.NoError(t, err)
	return info
}

var rpm = obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x0C}}

// script answers lines by a table, the rest as usual.
func script(replies map[string]string) func(string) string {
	return func(line string) string {
		if r, ok := replies[line]; ok {
			return r
		}
		return usual(line)
	}
}
