package store_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/block"
	"underdash/store/storetest"
)

// times is how often a crash test does its worst: n times in a full run, a tenth of that under .ci/run, and a few times
// otherwise, and there in its short passes.
func times(n int) int {
	switch {
	case os.Getenv("UNDERDASH_FULL") != "":
		return n
	case os.Getenv("UNDERDASH_NO_SKIP") != "" && !testing.Short():
		return n / 10
	}
	return n / 25
}

// seeded returns a source of random numbers, and prints the seed that repeats the run.
func seeded(t *testing.T) *rand.Rand {
	seed, err := strconv.ParseUint(os.Getenv("UNDERDASH_SEED"), 10, 64)
	if err != nil {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("UNDERDASH_SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 1))
}

// blockOf is what the crash tests record as a session's block, as it comes back: the same whenever it is asked for.
func blockOf(session, sequence uint64) []store.Sample {
	blocks.Lock()
	defer blocks.Unlock()
	name := [2]uint64{session, sequence}
	if blocks.made[name] == nil {
		blocks.made[name] = makeBlock(session, sequence)
	}
	return blocks.made[name]
}

var blocks = struct {
	sync.Mutex
	made map[[2]uint64][]store.Sample
}{made: make(map[[2]uint64][]store.Sample)}

func makeBlock(session, sequence uint64) []store.Sample {
	r := rand.New(rand.NewPCG(session, sequence))
	n := 1 + r.IntN(300)
	if r.IntN(20) == 0 {
		n *= 20 // as after the medium refused some
	}
	b := make([]store.Sample, n)
	at := time.Duration(sequence) * 5 * time.Second
	for i := range b {
		at += time.Duration(r.IntN(20000)) * time.Microsecond
		b[i] = store.Sample{At: at, Half: time.Duration(r.IntN(5000)) * time.Microsecond, Channel: uint16(r.IntN(2)), Code: int64(r.IntN(1 << 16))}
	}
	return asStored(b)
}

// asStored is what comes back of readings.
func asStored(b []store.Sample) []store.Sample {
	stored, err := block.Stored(b, 0)
	if err != nil {
		panic(err)
	}
	return stored
}

// TestMain also is the process that the tests let crash, or that they let the tracer fail system calls of.
func TestMain(m *testing.M) {
	switch role := os.Getenv("UNDERDASH_TEST_CHILD"); role {
	case "":
		inMemory()
		os.Exit(m.Run())
	case "record":
		recordForEver(os.Args[1])
	case "fail":
		recordUnderFaults(os.Args[1])
	default:
		fmt.Fprintln(os.Stderr, "no such role:", role)
		os.Exit(2)
	}
}

// inMemory puts the tests' files into a file system in memory, if there is one with room: nothing here depends on the
// medium, and thousands of syncs would wait for it.
func inMemory() {
	const memory = "/dev/shm"
	free, err := store.FreeBytes(memory)
	if err == nil && free > 512<<20 && os.Getenv("TMPDIR") == "" {
		_ = os.Setenv("TMPDIR", memory)
	}
}

// again returns a command that runs this test binary in another role. Under user-mode emulation the emulator runs it.
func again(role string, args ...string) *exec.Cmd {
	line := append(strings.Fields(os.Getenv("UNDERDASH_TEST_EXEC")), append([]string{os.Args[0]}, args...)...)
	cmd := exec.Command(line[0], line[1:]...)
	cmd.Env = append(os.Environ(), "UNDERDASH_TEST_CHILD="+role)
	cmd.Stderr = os.Stderr
	return cmd
}

// recordForEver records one session after the other and says so on standard output: what was said is on the medium.
func recordForEver(dir string) {
	check := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, "recording:", err)
			os.Exit(3)
		}
	}
	s, err := store.Open(dir, store.Options{})
	check(err)
	fmt.Println("open")
	for {
		session, err := s.Begin(car())
		check(err)
		fmt.Println("begun", session.ID())
		n := rand.N(uint64(12))
		for i := range n {
			check(session.Append(blockOf(session.Number(), i)))
			fmt.Println("stored", session.ID(), i)
			if i%4 == 1 {
				check(session.Update(func(m *store.Meta) {
					m.Events = append(m.Events, store.Event{At: time.Duration(i), Kind: "mark", Text: fmt.Sprint(i)})
				}))
				fmt.Println("marked", session.ID(), i)
			}
		}
		check(session.End(time.Duration(n)*5*time.Second, "done"))
		fmt.Println("ended", session.ID(), n)
	}
}

// promised is what a session was said to hold.
type promised struct {
	blocks uint64                    // were reported as stored
	long   map[uint64][]store.Sample // those that are not what blockOf says
	marks  int
	ended  bool
}

func TestKillingTheRecordingProcessLosesNothing(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a killed process is not killed in mid-write here")
	}
	kills := times(300)
	r := seeded(t)
	dir := t.TempDir()
	known := make(map[string]*promised)
	for range kills {
		latest := killed(t, dir, time.Duration(r.IntN(120))*time.Millisecond, known)
		if latest != "" { // anybody may read it before the daemon comes back
			keptPromise(t, dir, latest, known[latest])
		}
	}
	storetest.OpenDir(t, dir)
	infos, err := store.List(dir)
	require.NoError(t, err)
	assert.GreaterOrEqual(t, len(infos), len(known))
	for id, p := range known {
		keptPromise(t, dir, id, p)
	}
	t.Logf("%d kills, %d sessions", kills, len(infos))
	assert.NoDirExists(t, filepath.Join(dir, "damaged"), "no file came to harm")
}

// killed lets a process record and kills it after a while. It returns the session that it said something of last.
func killed(t *testing.T, dir string, after time.Duration, known map[string]*promised) (latest string) {
	t.Helper()
	cmd := again("record", dir)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n') // some are killed while they open the store, most while they record
	if err == nil && first != "" {
		timer := time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		defer timer.Stop()
	}
	rest, _ := io.ReadAll(lines)
	require.Error(t, cmd.Wait())
	require.Equal(t, -1, cmd.ProcessState.ExitCode(), "it ended by itself")
	for line := range strings.Lines(string(rest)) {
		if !strings.HasSuffix(line, "\n") {
			break
		}
		words := strings.Fields(line)
		id := words[1]
		latest = id
		switch words[0] {
		case "begun":
			known[id] = &promised{}
		case "stored":
			n, err := strconv.ParseUint(words[2], 10, 64)
			require.NoError(t, err)
			known[id].blocks = n + 1
		case "marked":
			known[id].marks++
		case "ended":
			known[id].ended = true
		}
	}
	return latest
}

// keptPromise reads a session and finds all that was promised, and nothing that was not recorded.
func keptPromise(t *testing.T, dir, id string, p *promised) {
	t.Helper()
	path, err := store.Find(dir, id)
	require.NoError(t, err)
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	number := r.Meta().Number
	var got []store.Sample
	for s, err := range r.Samples() {
		require.NoError(t, err)
		got = append(got, s)
	}
	blocks := uint64(0)
	for ; len(got) > 0; blocks++ {
		want, long := p.long[blocks]
		if !long {
			want = blockOf(number, blocks)
		}
		require.GreaterOrEqual(t, len(got), len(want), "session %s, block %d", id, blocks)
		require.True(t, slices.Equal(want, got[:len(want)]), "session %s, block %d", id, blocks)
		got = got[len(want):]
	}
	require.GreaterOrEqual(t, blocks, p.blocks, "session %s", id)
	require.LessOrEqual(t, blocks, p.blocks+1, "session %s: one more may have been stored than was said", id)
	require.GreaterOrEqual(t, len(r.Meta().Events), p.marks+1, "session %s", id)
	if p.ended {
		require.Equal(t, store.Complete, r.Info().State)
	}
}

// A power cut during a commit costs that commit at most, whatever part of it got onto the medium.
func TestPowerCutsDuringCommits(t *testing.T) {
	cuts := times(2000)
	r := seeded(t)
	const commits = 40
	dir := t.TempDir()
	s, err := store.Open(filepath.Join(dir, "whole"), store.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	session, err := s.Begin(car())
	require.NoError(t, err)
	p := &promised{long: make(map[uint64][]store.Sample)}
	old, anew, grown := 0, 0, 0
	for commit := range commits {
		before := readFile(t, session.Path())
		if commit%5 == 4 {
			require.NoError(t, session.Update(func(m *store.Meta) {
				m.Events = append(m.Events, store.Event{Kind: "mark", Text: strings.Repeat("x", r.IntN(3000))})
			}))
		} else {
			b := blockOf(session.Number(), p.blocks)
			if commit >= commits-8 { // so long that the file does not hold them
				b = longBlockOf(session.Number(), p.blocks)
				p.long[p.blocks] = b
			}
			require.NoError(t, session.Append(b))
		}
		after := readFile(t, session.Path())
		if len(after) > len(before) {
			grown++
		}
		for i := range cuts / commits {
			// The store's directory as it would be found.
			found := filepath.Join(dir, fmt.Sprintf("%d-%d", commit, i))
			require.NoError(t, os.Mkdir(found, 0o755))
			image := filepath.Join(found, filepath.Base(session.Path()))
			require.NoError(t, os.WriteFile(image, storetest.Cut(r, before, after), 0o644))
			keptPromise(t, found, session.ID(), p)
			again, err := store.Open(found, store.Options{})
			require.NoError(t, err)
			require.NoError(t, again.Close())
			keptPromise(t, found, session.ID(), p)
			storetest.Check(t, found)
			info := only(t, found)
			require.Equal(t, store.CutOff, info.State)
			require.Empty(t, info.Err)
			if info.Blocks > p.blocks || len(info.Meta.Events) > p.marks+1 {
				anew++
			} else {
				old++
			}
			require.NoError(t, os.RemoveAll(found))
		}
		if commit%5 == 4 {
			p.marks++
		} else {
			p.blocks++
		}
	}
	t.Logf("%d cuts left the state before, %d the one after; %d commits made the file longer", old, anew, grown)
	assert.NotZero(t, old)
	assert.NotZero(t, anew)
	assert.NotZero(t, grown)
}

func only(t *testing.T, dir string) store.Info {
	t.Helper()
	infos, err := store.List(dir)
	require.NoError(t, err)
	require.Len(t, infos, 1)
	return infos[0]
}

func readFile(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return b
}

// A power cut while a session begins, ends or is sealed leaves no session or the old one, and never half of one.
func TestPowerCutsBetweenFiles(t *testing.T) {
	cuts := times(600)
	r := seeded(t)
	dir := t.TempDir()
	s, err := store.Open(filepath.Join(dir, "whole"), store.Options{})
	require.NoError(t, err)
	session, err := s.Begin(car())
	require.NoError(t, err)
	p := &promised{blocks: 20}
	for i := range p.blocks {
		require.NoError(t, session.Append(blockOf(session.Number(), i)))
	}
	open := readFile(t, session.Path())
	require.NoError(t, session.End(time.Minute, "done"))
	sealed := readFile(t, session.Path())
	index := readFile(t, filepath.Join(s.Dir(), "index.recent"))
	require.NoError(t, s.Close())
	name := filepath.Base(session.Path())
	for i := range cuts {
		found := filepath.Join(dir, strconv.Itoa(i))
		require.NoError(t, os.Mkdir(found, 0o755))
		put := func(name string, b []byte) { require.NoError(t, os.WriteFile(filepath.Join(found, name), b, 0o644)) }
		state := store.CutOff
		switch i % 4 {
		case 0: // the sealed file was being written
			put(name, open)
			put(name+".new", storetest.CutNew(r, sealed))
		case 1: // it was written, and not yet renamed
			put(name, open)
			put(name+".new", sealed)
		case 2: // it was renamed, and the index not yet whole
			put(name, sealed)
			put("index.recent", index[:r.IntN(len(index))])
			state = store.Complete
		case 3: // another session began
			put(name, sealed)
			put("00002-aaaa.session.new", storetest.CutNew(r, open))
			put("counter.new", bytes.Repeat([]byte{'2'}, r.IntN(3)))
			put("counter", []byte("2\n")[:r.IntN(3)])
			state = store.Complete
		}
		again, err := store.Open(found, store.Options{})
		require.NoError(t, err)
		next, err := again.Begin(car())
		require.NoError(t, err)
		assert.Greater(t, next.Number(), uint64(1))
		require.NoError(t, next.End(0, ""))
		require.NoError(t, again.Close())
		keptPromise(t, found, session.ID(), p)
		storetest.Check(t, found)
		infos, err := store.List(found)
		require.NoError(t, err)
		require.Len(t, infos, 2)
		assert.Equal(t, state, infos[0].State)
		require.NoError(t, os.RemoveAll(found))
	}
}

func TestTheCrashTestsRecordTheSameAgain(t *testing.T) {
	assert.Equal(t, blockOf(3, 7), blockOf(3, 7))
	assert.False(t, slices.Equal(blockOf(3, 7), blockOf(3, 8)))
}
