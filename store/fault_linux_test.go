package store_test

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"underdash/store"
	"underdash/store/storetest"
)

// done is what the recording process answers to each command.
type done struct {
	Err     string // empty: it worked
	Full    bool   // it was store.ErrFull
	Mended  int    // how often the store has mended its file so far
	Session string
	Path    string
}

// Only what is locked here stays on the process's first thread, the one that the tracer is told to look at.
func init() {
	if os.Getenv("UNDERDASH_TEST_CHILD") == "fail" {
		runtime.LockOSThread()
	}
}

// recordUnderFaults records as it is told on standard input: "open" (nothing more), "begin", "append", "long" (a block that makes the file
// grow), "mark", "end", "close". It keeps to one thread, since the tracer looks at one.
func recordUnderFaults(dir string) {
	_ = unix.Prctl(unix.PR_SET_PTRACER, unix.PR_SET_PTRACER_ANY, 0, 0, 0) // lets the tracer in where only a parent may trace
	store.SetInitialMap(1 << 16)
	mended := 0
	s, err := store.Open(dir, store.Options{Told: func(n store.Notice) {
		if n.Kind == store.Mended {
			mended++
		}
	}})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(3)
	}
	var session *store.Session
	next := uint64(0)
	answer := json.NewEncoder(os.Stdout)
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		var err error
		switch in.Text() {
		case "begin":
			session, err = s.Begin(car())
		case "append", "long":
			b := blockOf(session.Number(), next)
			if in.Text() == "long" {
				b = longBlockOf(session.Number(), next)
			}
			if err = session.Append(b); err == nil {
				next++
			}
		case "mark":
			err = session.Update(func(m *store.Meta) { m.Events = append(m.Events, store.Event{Kind: "mark", Text: "x"}) })
		case "end":
			err = session.End(time.Hour, "done")
		case "close":
			err = s.Close()
		}
		d := done{Full: errors.Is(err, store.ErrFull), Mended: mended}
		if err != nil {
			d.Err = err.Error()
		}
		if session != nil {
			d.Session, d.Path = session.ID(), session.Path()
		}
		_ = answer.Encode(d)
	}
}

// recorder is the process that records.
type recorder struct {
	t   *testing.T
	cmd *exec.Cmd
	in  io.WriteCloser
	out *json.Decoder
	at  done
}

func startRecorder(t *testing.T, dir string) *recorder {
	t.Helper()
	r := &recorder{t: t, cmd: again("fail", dir)}
	in, err := r.cmd.StdinPipe()
	require.NoError(t, err)
	out, err := r.cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, r.cmd.Start())
	r.in, r.out = in, json.NewDecoder(out)
	t.Cleanup(func() {
		_ = in.Close()
		require.NoError(t, r.cmd.Wait())
	})
	r.well("open") // it has
	return r
}

func (r *recorder) tell(command string) done {
	r.t.Helper()
	_, err := io.WriteString(r.in, command+"\n")
	require.NoError(r.t, err)
	r.at = done{}
	require.NoError(r.t, r.out.Decode(&r.at))
	return r.at
}

func (r *recorder) well(command string) {
	r.t.Helper()
	require.Empty(r.t, r.tell(command).Err, command)
}

// under lets system calls fail while a command is carried out. only limits that to the session's own file.
func (r *recorder) under(inject string, only bool, command string) done {
	r.t.Helper()
	name, how, _ := strings.Cut(inject, ":")
	// A 32-bit process has other calls for the same thing. The tracer leaves out those it does not know.
	name += map[string]string{"ftruncate": ",?ftruncate64", "mmap": ",?mmap2"}[name]
	args := []string{"-e", "trace=" + name, "-e", "inject=" + name + ":" + how, "-o", os.DevNull, "-p", strconv.Itoa(r.cmd.Process.Pid)}
	if only {
		args = append([]string{"-P", r.at.Path}, args...)
	}
	tracer := exec.Command("strace", args...)
	says, err := tracer.StderrPipe()
	require.NoError(r.t, err)
	require.NoError(r.t, tracer.Start())
	lines := bufio.NewReader(says)
	said := ""
	for err == nil && !strings.Contains(said, "attached") {
		var line string
		line, err = lines.ReadString('\n')
		said += line
	}
	require.NoError(r.t, err, said)
	d := r.tell(command)
	require.NoError(r.t, tracer.Process.Signal(syscall.SIGINT))
	_, _ = io.Copy(io.Discard, lines)
	_ = tracer.Wait() // it ends by the signal
	return d
}

// needs skips a test that lacks a program, and fails it where that must not be.
func needs(t *testing.T, program string) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("UNDERDASH_NO_SKIP") != "" {
			t.Fatalf("%s is needed and not installed", program)
		}
		t.Skipf("%s is not installed", program)
	}
}

// What fails, and what the store has to make of it. After each the recording goes on as if nothing had been: nothing
// that was reported as stored is missing, and nothing is there twice.
func TestFailingSystemCalls(t *testing.T) {
	needs(t, "strace")
	if os.Getenv("UNDERDASH_TEST_EXEC") != "" {
		t.Skip("an emulated process cannot be traced like another")
	}
	const (
		stored = "stored" // at once, or after the file was opened anew
		full   = "full"   // there was no room; the same call works later
		failed = "failed" // the same call works later
		either = "stored or full"
	)
	for _, row := range []struct {
		name, inject string
		command      string
		want         string
		mended       bool
	}{
		{"no room for the first page", "pwrite64:error=ENOSPC:when=1", "append", full, false},
		{"no room for the second page", "pwrite64:error=ENOSPC:when=2", "append", full, false},
		{"no room for some page, or the first one of the file", "pwrite64:error=ENOSPC:when=5+", "append", either, false},
		{"no room for any page", "pwrite64:error=ENOSPC:when=1+", "append", full, false},
		{"no room under the quota", "pwrite64:error=EDQUOT:when=1", "append", full, false},
		{"a write fails", "pwrite64:error=EIO:when=1", "append", stored, true},
		{"a later write fails", "pwrite64:error=EIO:when=4", "append", stored, true},
		{"all writes fail", "pwrite64:error=EIO:when=1+", "append", failed, false},
		{"the first sync fails", "fdatasync:error=EIO:when=1", "append", stored, true},
		{"the second sync fails", "fdatasync:error=EIO:when=2", "append", stored, true},
		{"all syncs fail", "fdatasync:error=EIO:when=1+", "append", failed, false},
		{"no room is only noticed by the sync", "fdatasync:error=ENOSPC:when=1", "append", stored, true},
		{"a sync is interrupted", "fdatasync:error=EINTR:when=2", "append", stored, true},
		{"the sync of a description fails", "fdatasync:error=EIO:when=2", "mark", stored, true},
		{"no room to make the file longer", "ftruncate:error=ENOSPC:when=1", "long", full, false},
		{"the sync of a longer file fails", "fsync:error=EIO:when=1", "long", stored, true},
		{"no memory for a larger map", "mmap:error=ENOMEM:when=1", "long", stored, true},
		{"no memory for any map", "mmap:error=ENOMEM:when=1+", "long", failed, false},
		{"a page is lost that was said to be written", "pwrite64:retval=4096:when=1", "append", stored, false},
		{"all pages are lost that were said to be written", "pwrite64:retval=4096:when=1+", "append", stored, false},
		{"the sync of the end fails", "fdatasync:error=EIO:when=2", "end", stored, true},
		{"the file cannot be closed", "close:error=EIO:when=1", "end", failed, false},
		{"no room to seal", "ftruncate:error=ENOSPC:when=1+", "end", stored, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "sessions")
			r := startRecorder(t, dir)
			r.well("begin")
			for range 4 {
				r.well("append")
			}
			blocks := 4
			sealing := row.name == "no room to seal"
			d := r.under(row.inject, !sealing, row.command)
			switch row.want {
			case stored:
				require.Empty(t, d.Err)
			case full:
				require.True(t, d.Full, d.Err)
			case failed:
				require.NotEmpty(t, d.Err)
				require.False(t, d.Full, d.Err)
			case either:
				require.True(t, d.Full || d.Err == "", d.Err)
			}
			assert.Equal(t, row.mended, d.Mended > 0, "the file was opened anew")
			long := -1
			if row.command == "long" {
				long = blocks
			}
			if row.command == "append" || row.command == "long" {
				if d.Err != "" {
					r.well(row.command)
				}
				blocks++
			}
			if row.command == "end" && !sealing {
				assert.NotEmpty(t, only(t, dir).SHA256, "it is sealed at once")
			}
			if row.command != "end" {
				for range 3 {
					r.well("append")
					blocks++
				}
				r.well("mark")
				r.well("end")
			}
			session := r.at.Session
			r.well("close")

			storetest.OpenDir(t, dir) // seals what was not, and checks in the end
			info := only(t, dir)
			assert.Equal(t, store.Complete, info.State)
			assert.Equal(t, session, info.ID)
			assert.Equal(t, uint64(blocks), info.Blocks)
			assert.Empty(t, info.Lost)
			sameBlocks(t, dir, uint64(blocks), long)
			if row.mended {
				last := info.Meta.Events[len(info.Meta.Events)-1]
				assert.Equal(t, "store", last.Source)
				assert.Contains(t, last.Text, "the medium failed")
			}
		})
	}
}

// A session that cannot begin leaves nothing, and the next try works.
func TestBeginningUnderFaults(t *testing.T) {
	needs(t, "strace")
	if os.Getenv("UNDERDASH_TEST_EXEC") != "" {
		t.Skip("an emulated process cannot be traced like another")
	}
	for _, row := range []struct{ name, inject string }{
		{"the store's name cannot be synced", "fsync:error=EIO:when=1"},
		{"the counter cannot be synced", "fsync:error=EIO:when=2"},
		{"the file cannot be synced", "fdatasync:error=EIO:when=1"},
		{"no room for the file", "pwrite64:error=ENOSPC:when=1"},
		{"it cannot be renamed", "renameat:error=EIO:when=1+"},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "sessions")
			r := startRecorder(t, dir)
			d := r.under(row.inject, false, "begin")
			require.NotEmpty(t, d.Err)
			assert.Equal(t, strings.Contains(row.inject, "ENOSPC"), d.Full)
			left, err := filepath.Glob(filepath.Join(dir, "*.session*"))
			require.NoError(t, err)
			assert.Empty(t, left)
			r.well("begin")
			r.well("append")
			r.well("end")
			r.well("close")
			storetest.Check(t, dir)
			sameBlocks(t, dir, 1, -1)
		})
	}
}
