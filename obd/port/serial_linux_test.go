package port_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd/port"
)

// terminal returns a pseudo terminal's master and the path of its other side.
func terminal(t *testing.T) (master *os.File, path string) {
	t.Helper()
	master, slave, err := pty.Open()
	require.NoError(t, err)
	t.Cleanup(func() { master.Close(); slave.Close() })
	return master, slave.Name()
}

func openTerminal(t *testing.T) (*port.Port, *os.File) {
	t.Helper()
	master, path := terminal(t)
	p, err := port.Open(t.Context(), path, port.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { p.Close() })
	return p, master
}

func TestSerial(t *testing.T) {
	t.Run("bytes go both ways unchanged", func(t *testing.T) {
		p, master := openTerminal(t)
		exchange(t, p, master)
	})
	t.Run("a link to the device, as in by-id", func(t *testing.T) {
		master, path := terminal(t)
		link := filepath.Join(t.TempDir(), "usb-adapter-if00")
		require.NoError(t, os.Symlink(path, link))
		p, err := port.Open(t.Context(), link, port.Options{Baud: 115200})
		require.NoError(t, err)
		defer p.Close()
		exchange(t, p, master)
	})
	t.Run("input from before opening is dropped", func(t *testing.T) {
		master, path := terminal(t)
		// A terminal that nobody opened yet works in lines: end the leftover with one.
		_, err := master.WriteString("LEFT OVER\r")
		require.NoError(t, err)
		p, err := port.Open(t.Context(), path, port.Options{})
		require.NoError(t, err)
		defer p.Close()
		_, err = master.WriteString("fresh")
		require.NoError(t, err)
		got := make([]byte, 5)
		_, err = io.ReadFull(p, got)
		require.NoError(t, err)
		assert.Equal(t, "fresh", string(got))
	})
	t.Run("a reader waits longer than one poll", func(t *testing.T) {
		p, master := openTerminal(t)
		send := time.AfterFunc(130*time.Millisecond, func() { _, _ = master.WriteString("late") })
		defer send.Stop()
		n, err := p.Read(make([]byte, 8))
		require.NoError(t, err)
		assert.Positive(t, n)
	})
	t.Run("closing wakes a reader", func(t *testing.T) {
		p, _ := openTerminal(t)
		closeWakesReader(t, p)
	})
	t.Run("after closing", func(t *testing.T) {
		p, _ := openTerminal(t)
		afterClose(t, p)
	})
	t.Run("an odd rate", func(t *testing.T) {
		_, path := terminal(t)
		p, err := port.Open(t.Context(), path, port.Options{Baud: 123456})
		require.NoError(t, err)
		assert.NoError(t, p.Close())
	})
}

// A pseudo terminal whose master is closed behaves like a pulled USB plug.
func TestUnplugged(t *testing.T) {
	t.Run("while reading", func(t *testing.T) {
		p, master := openTerminal(t)
		failed := make(chan error)
		go func() {
			_, err := p.Read(make([]byte, 8))
			failed <- err
		}()
		require.NoError(t, master.Close())
		err := <-failed
		require.ErrorIs(t, err, port.ErrGone)
		assert.NotErrorIs(t, err, port.ErrClosed)
		assert.ErrorContains(t, err, "plug it in again")
	})
	t.Run("before writing", func(t *testing.T) {
		p, master := openTerminal(t)
		require.NoError(t, master.Close())
		_, err := p.Write([]byte("ATI\r"))
		require.ErrorIs(t, err, port.ErrGone)
		assert.NotErrorIs(t, err, port.ErrClosed)
	})
	t.Run("then closed by its owner", func(t *testing.T) {
		p, master := openTerminal(t)
		require.NoError(t, master.Close())
		assert.NoError(t, p.Close())
		_, err := p.Write([]byte("ATI\r"))
		require.ErrorIs(t, err, port.ErrClosed)
	})
	t.Run("then opened again", func(t *testing.T) {
		master, path := terminal(t)
		p, err := port.Open(t.Context(), path, port.Options{})
		require.NoError(t, err)
		require.NoError(t, p.Close())
		require.NoError(t, master.Close())
		_, err = port.Open(t.Context(), path, port.Options{})
		require.Error(t, err)
		assert.True(t, errors.Is(err, port.ErrNotFound), err)
	})
}

// A device that takes nothing must not keep the daemon from closing it.
func TestCloseFreesABlockedWrite(t *testing.T) {
	_, path := terminal(t)
	p, err := port.Open(t.Context(), path, port.Options{WriteTimeout: time.Hour})
	require.NoError(t, err)
	failed := make(chan error)
	go func() {
		_, err := p.Write(make([]byte, 1<<20)) // nobody reads the master
		failed <- err
	}()
	closed := make(chan error)
	go func() {
		// Let the writer fill the terminal's buffer first; either order must work.
		time.Sleep(20 * time.Millisecond)
		closed <- p.Close()
	}()
	require.NoError(t, <-closed)
	require.ErrorIs(t, <-failed, port.ErrClosed)
}

// Root is exempt from both the device's mode and its exclusive use, so these run as somebody else: on a thread of
// their own that is given another user and thrown away afterwards.
func TestOpenAsAnotherUser(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root can become somebody else")
	}
	openAs := func(uid uintptr, path string) error {
		result := make(chan error)
		go func() {
			runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
			if _, _, errno := syscall.RawSyscall(syscall.SYS_SETRESUID, uid, uid, uid); errno != 0 {
				result <- errno
				return
			}
			p, err := port.Open(t.Context(), path, port.Options{})
			if err == nil {
				err = p.Close()
			}
			result <- err
		}()
		return <-result
	}
	const nobody = 65534

	t.Run("not allowed", func(t *testing.T) {
		_, path := terminal(t)
		require.NoError(t, os.Chmod(path, 0o600))
		err := openAs(nobody, path)
		require.ErrorIs(t, err, port.ErrPermission)
		assert.ErrorContains(t, err, "dialout")
	})
	t.Run("in use", func(t *testing.T) {
		_, path := terminal(t)
		require.NoError(t, os.Chmod(path, 0o666))
		require.NoError(t, openAs(nobody, path), "nobody holds it yet")
		p, err := port.Open(t.Context(), path, port.Options{})
		require.NoError(t, err)
		defer p.Close()
		err = openAs(nobody, path)
		require.ErrorIs(t, err, port.ErrBusy)
		assert.ErrorContains(t, err, "stop the other program")
	})
}
