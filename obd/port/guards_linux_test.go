package port_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"underdash/obd/port"
)

// inheritedBy is set in the environment of a test program that only tells which files it was started with.
const inheritedBy = "UNDERDASH_TEST_INHERITED"

func TestMain(m *testing.M) {
	if os.Getenv(inheritedBy) == "" {
		os.Exit(m.Run())
	}
	for fd := range 64 {
		if where, err := os.Readlink(fmt.Sprintf("/proc/self/fd/%d", fd)); err == nil && fd > 2 && !strings.HasPrefix(where, "anon_inode:") {
			fmt.Println(where)
		}
	}
}

// A program that is started while a port is open must not get hold of it.
func TestNothingIsInherited(t *testing.T) {
	inherited := func() string {
		c := exec.Command(os.Args[0])
		c.Env = append(os.Environ(), inheritedBy+"=1", "GORACE=atexit_sleep_ms=0")
		out, err := c.Output()
		require.NoError(t, err)
		return string(out)
	}
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer master.Close()
	path := slave.Name()
	for _, f := range []*os.File{master, slave} { // the test's own
		unix.CloseOnExec(int(f.Fd()))
	}
	before := inherited()
	p, err := port.Open(t.Context(), path, port.Options{})
	require.NoError(t, err)
	defer p.Close()
	assert.Equal(t, before, inherited(), "neither the device nor the library's pipe")

	// The check can see one that is inherited.
	fd, err := unix.Open(os.DevNull, unix.O_RDONLY, 0)
	require.NoError(t, err)
	defer unix.Close(fd)
	assert.Contains(t, inherited(), os.DevNull)
	slave.Close()
}

// Waiting with select(2) breaks down beyond 1024 descriptors: the library panics there.
func TestMoreThan1024OpenFiles(t *testing.T) {
	var limit unix.Rlimit
	require.NoError(t, unix.Getrlimit(unix.RLIMIT_NOFILE, &limit))
	if limit.Cur < 1300 {
		t.Skipf("only %d files may be open here", limit.Cur)
	}
	for range 1100 {
		f, err := os.Open(os.DevNull)
		require.NoError(t, err)
		defer f.Close()
	}
	p, master := openTerminal(t)
	require.Greater(t, int(master.Fd()), 1024)
	exchange(t, p, master)
	closeWakesReader(t, p)
}

func TestASecondOpener(t *testing.T) {
	_, path := terminal(t)
	first, err := port.Open(t.Context(), path, port.Options{})
	require.NoError(t, err)
	link := filepath.Join(t.TempDir(), "usb-adapter-if00")
	require.NoError(t, os.Symlink(path, link))
	for _, address := range []string{path, link} {
		_, err = port.Open(t.Context(), address, port.Options{}) // as root too, whom the kernel would let in
		require.ErrorIs(t, err, port.ErrBusy)
		assert.ErrorContains(t, err, "stop the other program")
	}
	require.NoError(t, first.Close())
	again, err := port.Open(t.Context(), path, port.Options{})
	require.NoError(t, err, "it is free again")
	require.NoError(t, again.Close())
}

// A plug that was pulled and put in again comes back under another node; the link of /dev/serial/by-id leads there.
func TestPluggedInAgainUnderAnotherNode(t *testing.T) {
	link := filepath.Join(t.TempDir(), "usb-adapter-if00")
	master, path := terminal(t)
	require.NoError(t, os.Symlink(path, link))
	p, err := port.Open(t.Context(), link, port.Options{})
	require.NoError(t, err)
	exchange(t, p, master)

	require.NoError(t, master.Close())
	_, err = p.Read(make([]byte, 1))
	require.ErrorIs(t, err, port.ErrGone)
	require.NoError(t, os.Remove(link))
	_, err = port.Open(t.Context(), link, port.Options{})
	require.ErrorIs(t, err, port.ErrNotFound)

	other, elsewhere := terminal(t) // while the old node is still held
	require.NotEqual(t, path, elsewhere)
	require.NoError(t, os.Symlink(elsewhere, link))
	again, err := port.Open(t.Context(), link, port.Options{})
	require.NoError(t, err)
	defer again.Close()
	exchange(t, again, other)
	require.NoError(t, p.Close())
}

func TestAWriteThatIsNotTaken(t *testing.T) {
	master, path := terminal(t)
	p, err := port.Open(t.Context(), path, port.Options{WriteTimeout: 50 * time.Millisecond})
	require.NoError(t, err)
	defer p.Close()
	failed := make(chan error, 1)
	go func() {
		_, err := p.Write(make([]byte, 1<<20)) // nobody reads the master
		failed <- err
	}()
	select {
	case err := <-failed:
		require.ErrorIs(t, err, port.ErrTimeout)
		assert.NotErrorIs(t, err, port.ErrGone)
		assert.ErrorContains(t, err, "unplug it")
	case <-time.After(20 * time.Second):
		t.Fatal("the writer still waits")
	}
	// What was not taken is not sent later, and the port goes on working.
	rest := make(chan []byte)
	go func() {
		var all []byte
		buf := make([]byte, 4096)
		for !bytes.HasSuffix(all, []byte("ATI\r")) {
			n, err := master.Read(buf)
			if err != nil {
				break
			}
			all = append(all, buf[:n]...)
		}
		rest <- all
	}()
	_, err = p.Write([]byte("ATI\r"))
	require.NoError(t, err)
	assert.Less(t, len(<-rest), 1<<19)
}

// A slow reader makes the system take a line in pieces; signals interrupt its calls. Neither loses a byte.
func TestShortWritesAndInterruptions(t *testing.T) {
	p, master := openTerminal(t)
	interrupts := make(chan os.Signal, 1)
	signal.Notify(interrupts, syscall.SIGUSR1)
	defer signal.Stop(interrupts)
	sent := make([]byte, 64<<10)
	for i := range sent {
		sent[i] = byte(i * 7)
	}
	written := make(chan error)
	go func() {
		_, err := p.Write(sent)
		written <- err
	}()
	got := make([]byte, 0, len(sent))
	buf := make([]byte, 61)
	for len(got) < len(sent) {
		n, err := master.Read(buf)
		require.NoError(t, err)
		got = append(got, buf[:n]...)
		if len(got)%8 == 0 {
			require.NoError(t, syscall.Kill(os.Getpid(), syscall.SIGUSR1))
		}
	}
	require.NoError(t, <-written)
	assert.True(t, bytes.Equal(sent, got))

	go func() { _, _ = master.Write(sent[:4096]) }()
	got = make([]byte, 4096)
	for i := range got {
		if i%64 == 0 {
			require.NoError(t, syscall.Kill(os.Getpid(), syscall.SIGUSR1))
		}
		_, err := io.ReadFull(p, got[i:i+1])
		require.NoError(t, err)
	}
	assert.True(t, bytes.Equal(sent[:4096], got))
}

func TestSetBaud(t *testing.T) {
	p, master := openTerminal(t)
	rate := func() int {
		s, err := unix.IoctlGetTermios(int(master.Fd()), unix.TCGETS2)
		require.NoError(t, err)
		return int(s.Ospeed)
	}
	assert.Equal(t, 38400, rate())
	for _, baud := range []int{115200, 500000, 38400} {
		require.NoError(t, p.SetBaud(baud))
		assert.Equal(t, baud, rate())
		exchange(t, p, master)
	}
	require.ErrorIs(t, p.SetBaud(0), port.ErrOption)
	require.ErrorIs(t, p.SetBaud(-9600), port.ErrOption)
	assert.Equal(t, 38400, rate(), "a rate that cannot be leaves the old one")
	assert.Zero(t, p.Pace(), "on a pseudo terminal the rate means nothing")
	require.ErrorIs(t, p.Pulse(time.Millisecond), port.ErrNoRate, "and there is no line to be held low")
	assert.Zero(t, p.Patience())
	require.NoError(t, master.Close())
	require.ErrorIs(t, p.SetBaud(115200), port.ErrGone)
	require.NoError(t, p.Close())
	require.ErrorIs(t, p.SetBaud(115200), port.ErrClosed)
	require.ErrorIs(t, p.Pulse(time.Millisecond), port.ErrClosed)
}
