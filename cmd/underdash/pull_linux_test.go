package main

import (
	"context"
	"crypto/tls"
	"io"
	"net/http/httptest"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"underdash/daemon/access"
	"underdash/daemon/httpapi"
	"underdash/daemon/pull"
	"underdash/store/storetest"
)

// Who interrupts the first question of all, at a real terminal, is rid of it.
func TestPullIsInterruptedAtItsQuestion(t *testing.T) {
	master, tty, err := pty.Open()
	require.NoError(t, err)
	keeper, err := access.Open(t.TempDir(), access.Options{})
	require.NoError(t, err)
	certificate, err := access.Certificate(t.TempDir(), nil, time.Now())
	require.NoError(t, err)
	server := httptest.NewUnstartedServer(httpapi.New(httpapi.Options{Store: storetest.Open(t), Access: keeper, Daemon: idleDaemon{}}))
	server.TLS = &tls.Config{Certificates: []tls.Certificate{certificate}}
	server.StartTLS()
	defer server.Close()
	ctx, interrupt := context.WithCancel(t.Context())
	defer interrupt()
	asks := make(chan struct{})
	err = pullFrom(ctx, server.URL, pull.Options{To: t.TempDir(), Keep: filepath.Join(t.TempDir(), "loggers.json"), Told: func(string) {}}, tty, writer(func(b []byte) {
		if strings.Contains(string(b), "[y/N]") {
			close(asks)
			interrupt()
		}
	}))
	<-asks
	require.ErrorIs(t, err, context.Canceled)
	_, err = master.WriteString("\n") // for who still reads
	require.NoError(t, err)
	require.NoError(t, master.Close())
	_ = tty // who still reads it closes it with the program
}

// writer hears what is written.
type writer func([]byte)

func (w writer) Write(b []byte) (int, error) { w(b); return len(b), nil }

// The access code is read from a real terminal without its echo, and Ctrl-C at the question leaves the terminal as it was.
func TestTheCodeIsAskedForWithoutEcho(t *testing.T) {
	for _, c := range []struct {
		name  string
		typed string // empty: the command is interrupted
	}{{"typed", "K7QF-2M9X-T4HP-8WZD\n"}, {"interrupted", ""}} {
		t.Run(c.name, func(t *testing.T) {
			master, tty, err := pty.Open()
			require.NoError(t, err)
			shown := make(chan string)
			go func() {
				text, _ := io.ReadAll(master) // an error tells that the terminal was closed
				shown <- string(text)
			}()
			echo := func() bool {
				s, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS)
				require.NoError(t, err)
				return s.Lflag&unix.ECHO != 0
			}
			require.True(t, echo())
			ctx, interrupt := context.WithCancel(t.Context())
			defer interrupt()
			type said struct {
				code string
				err  error
			}
			done, answered := make(chan said, 1), make(chan struct{})
			go func() {
				code, err := asked(ctx, tty, func() (string, error) {
					defer close(answered)
					return askCode(tty, tty)
				})
				done <- said{code, err}
			}()
			for echo() {
				runtime.Gosched()
			}
			if c.typed == "" {
				interrupt()
				got := <-done
				assert.ErrorIs(t, got.err, context.Canceled)
				assert.True(t, echo(), "the terminal is as it was")
				_, err = master.WriteString("\n") // for who still reads
				require.NoError(t, err)
			} else {
				_, err = master.WriteString(c.typed)
				require.NoError(t, err)
				got := <-done
				require.NoError(t, got.err)
				assert.Equal(t, strings.TrimSpace(c.typed), got.code)
				assert.True(t, echo())
			}
			<-answered
			require.NoError(t, tty.Close())
			text := <-shown
			assert.Contains(t, text, "Access code")
			if c.typed != "" {
				assert.NotContains(t, text, "K7QF")
			}
			require.NoError(t, master.Close())
		})
	}
}
