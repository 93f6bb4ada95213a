package main

import (
	"context"
	"io"
	"runtime"
	"strings"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

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
