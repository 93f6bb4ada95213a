package port

import (
	"io"
	"os"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What other systems use is tested here too, where pseudo terminals are to be had.
func openThroughLibrary(t *testing.T, o Options) (*Port, *os.File) {
	t.Helper()
	master, slave, err := pty.Open()
	require.NoError(t, err)
	t.Cleanup(func() { master.Close(); slave.Close() })
	l, err := openLibrary(slave.Name(), o.withDefaults())
	require.NoError(t, err)
	p := &Port{address: slave.Name(), link: l}
	t.Cleanup(func() { p.Close() })
	return p, master
}

func TestThroughTheLibrary(t *testing.T) {
	t.Run("bytes go both ways", func(t *testing.T) {
		p, master := openThroughLibrary(t, Options{})
		_, err := p.Write([]byte("ATI\r"))
		require.NoError(t, err)
		got := make([]byte, 4)
		_, err = io.ReadFull(master, got)
		require.NoError(t, err)
		assert.Equal(t, "ATI\r", string(got))
		late := time.AfterFunc(2*pollEvery, func() { _, _ = master.WriteString("late") })
		defer late.Stop()
		_, err = io.ReadFull(p, got)
		require.NoError(t, err, "a read that timed out is no read of nothing")
		assert.Equal(t, "late", string(got))
		require.NoError(t, p.SetBaud(115200))
		p.paced = true // as on a line that is one
		require.NoError(t, p.Pulse(time.Millisecond))
	})
	t.Run("a write that is not taken", func(t *testing.T) {
		p, _ := openThroughLibrary(t, Options{WriteTimeout: 50 * time.Millisecond})
		_, err := p.Write(make([]byte, 1<<20))
		require.ErrorIs(t, err, ErrTimeout)
	})
	t.Run("closing frees a blocked write", func(t *testing.T) {
		p, _ := openThroughLibrary(t, Options{WriteTimeout: time.Hour})
		failed := make(chan error)
		go func() {
			_, err := p.Write(make([]byte, 1<<20))
			failed <- err
		}()
		time.Sleep(20 * time.Millisecond) // let the writer fill the terminal's buffer; either order must work
		require.NoError(t, p.Close())
		require.ErrorIs(t, <-failed, ErrClosed)
	})
	t.Run("unplugged, then closed", func(t *testing.T) {
		p, master := openThroughLibrary(t, Options{})
		require.NoError(t, master.Close())
		_, err := p.Read(make([]byte, 1))
		require.ErrorIs(t, err, ErrGone)
		require.NoError(t, p.Close())
		_, err = p.Read(make([]byte, 1))
		require.ErrorIs(t, err, ErrClosed)
		require.ErrorIs(t, p.SetBaud(9600), ErrClosed)
	})
	t.Run("more than 1024 open files", func(t *testing.T) {
		for range 1100 {
			f, err := os.Open(os.DevNull)
			if err != nil {
				t.Skip("so many files may not be open here")
			}
			defer f.Close()
		}
		p, _ := openThroughLibrary(t, Options{})
		_, err := p.Read(make([]byte, 1))
		require.ErrorIs(t, err, ErrTooManyFiles)
		assert.ErrorContains(t, err, "LimitNOFILE")
	})
}
