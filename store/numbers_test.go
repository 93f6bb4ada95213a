package store_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"underdash/store"
	"underdash/store/block"
	"underdash/store/derive"
	"underdash/store/storetest"
)

// flush is how often the recorder brings readings to the medium.
const flush = 5 * time.Second

// flushes cuts a drive into what reaches the store at a time.
func flushes(drive []store.Sample) (parts [][]store.Sample) {
	for from := 0; from < len(drive); {
		to := from
		for to < len(drive) && drive[to].At/flush == drive[from].At/flush {
			to++
		}
		parts = append(parts, drive[from:to])
		from = to
	}
	return parts
}

// recordDrive records a whole drive into a directory, and returns its file and the length of its blocks.
func recordDrive(t *testing.T, dir string, m store.Meta, drive [][]store.Sample) (path string, blocks int) {
	t.Helper()
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	path = storetest.Session(t, s, m, drive...)
	require.NoError(t, s.Close())
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	n := new(counter)
	require.NoError(t, r.WriteBlocks(n))
	require.NoError(t, r.Close())
	return path, int(*n)
}

type counter int

func (c *counter) Write(b []byte) (int, error) {
	*c += counter(len(b))
	return len(b), nil
}

func megabytes(n float64) string { return fmt.Sprintf("%.1f MB/h", n/1e6) }

// TestNumbersStoreFiles measures what a drive costs the medium and the processor, and what reading it back does.
func TestNumbersStoreFiles(t *testing.T) {
	quick, seed := storetest.Numbers(t)
	length, slack, leastCodes, leastValues := time.Hour, 1.0, 20e6, 5e6
	if quick {
		length, slack, leastCodes, leastValues = 10*time.Minute, 1.5, 5e6, 2e6
	}
	reference := storetest.Reference{Seed: seed, Length: length}
	drive := reference.Samples()
	parts := flushes(drive)
	hours := length.Hours()

	path, blocks := recordDrive(t, filepath.Join(t.TempDir(), "sessions"), reference.Meta(), parts)
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	file := r.Info().Bytes
	ratio := float64(file) / float64(blocks)
	bound := 1.25
	if quick {
		bound = 1.5 // what a file takes at the least weighs more
	}
	kib := float64(file) / 1024 / hours
	storetest.Number("sealed file on the medium, at 100 µs, half widths that do not vary", fmt.Sprintf("%.0f KiB/h", kib), fmt.Sprintf("%.0f KiB/h", 700*slack), kib <= 700*slack)
	storetest.Number(fmt.Sprintf("sealed file, of its blocks, %.0f KiB/h", float64(blocks)/1024/hours),
		fmt.Sprintf("%.3f", ratio), fmt.Sprintf("%.2f", bound), ratio <= bound)

	ours, plain, how := wear(t, reference, parts)
	storetest.Number(fmt.Sprintf("bytes to the medium, %s (bbolt alone, the same blocks: %s)", how, megabytes(plain/hours)),
		megabytes(ours/hours), megabytes(40e6*slack), ours/hours <= 40e6*slack)

	codes := best(t, func() (n int) {
		for _, err := range r.Samples() {
			if err != nil { // an assertion would take longer than the reading
				t.Fatal(err)
			}
			n++
		}
		return n
	})
	storetest.Number("reading a sealed file, codes of one core", fmt.Sprintf("%.1f M/s", codes/1e6), fmt.Sprintf("%.0f M/s", leastCodes/1e6), codes >= leastCodes)
	derived, err := derive.New(r)
	require.NoError(t, err)
	values := best(t, func() (n int) {
		for _, err := range derived.Values() {
			if err != nil {
				t.Fatal(err)
			}
			n++
		}
		return n
	})
	storetest.Number("reading it as quantities, values of one core", fmt.Sprintf("%.1f M/s", values/1e6), fmt.Sprintf("%.0f M/s", leastValues/1e6), values >= leastValues)
}

// best is how much f does in a second of processor time, in the best of several rounds.
func best(t *testing.T, f func() int) (perSecond float64) {
	t.Helper()
	for range 7 {
		runtime.GC()
		before := storetest.CPU()
		n := f()
		perSecond = max(perSecond, float64(n)/(storetest.CPU()-before).Seconds())
	}
	return perSecond
}

// wear measures the bytes that reach the medium while a drive is recorded: by the device's own account where a file
// system of one's own can be mounted, else by the kernel's account of this process. Beside it bbolt alone stores the
// same blocks, one a commit, as it comes.
func wear(t *testing.T, reference storetest.Reference, parts [][]store.Sample) (ours, plain float64, how string) {
	t.Helper()
	var raw [][]byte
	ours, how = onMedium(t, func(dir string) {
		path, _ := recordDrive(t, filepath.Join(dir, "sessions"), reference.Meta(), parts)
		raw = blocksOf(t, path)
	})
	plain, _ = onMedium(t, func(dir string) {
		db, err := bolt.Open(filepath.Join(dir, "plain"), 0o644, nil)
		require.NoError(t, err)
		for i, b := range raw {
			require.NoError(t, db.Update(func(tx *bolt.Tx) error {
				bucket, err := tx.CreateBucketIfNotExists([]byte("blocks"))
				if err != nil {
					return err
				}
				return bucket.Put(binary.BigEndian.AppendUint64(nil, uint64(i)), b)
			}))
		}
		require.NoError(t, db.Close())
	})
	return ours, plain, how
}

// blocksOf is a session's blocks.
func blocksOf(t *testing.T, path string) (all [][]byte) {
	t.Helper()
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	var stream bytes.Buffer
	require.NoError(t, r.WriteBlocks(&stream))
	for stream.Len() > 0 {
		b, err := block.Read(&stream, nil)
		require.NoError(t, err)
		all = append(all, b)
	}
	return all
}

// diskDir is a directory that is not in memory, as those of the other tests are.
func diskDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/var/tmp", "underdash-test-")
	if err != nil {
		dir, err = os.MkdirTemp(".", "testdata-")
	}
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// TestNumbersStoreReaders measures how long a recording has to wait for a reader that streams all of it.
func TestNumbersStoreReaders(t *testing.T) {
	quick, seed := storetest.Numbers(t)
	length, rounds, bound := 3*time.Hour, 300, 250*time.Millisecond
	if quick {
		length, rounds, bound = 20*time.Minute, 60, 2*time.Second
	}
	reference := storetest.Reference{Seed: seed, Length: length}
	parts := flushes(reference.Samples())
	s, err := store.Open(filepath.Join(diskDir(t), "sessions"), store.Options{})
	require.NoError(t, err)
	session, err := s.Begin(reference.Meta())
	require.NoError(t, err)
	for _, p := range parts {
		require.NoError(t, session.Append(p))
	}
	longest := func() (most time.Duration) {
		for i := range rounds {
			part := make([]store.Sample, len(parts[i%len(parts)]))
			for k, x := range parts[i%len(parts)] {
				x.At += length
				part[k] = x
			}
			began := time.Now()
			require.NoError(t, session.Append(part))
			most = max(most, time.Since(began))
		}
		return most
	}
	alone := longest()
	stop, done := make(chan struct{}), make(chan int)
	go func() {
		read := 0
		for {
			for range session.Reader().Samples() {
				select {
				case <-stop:
					done <- read
					return
				default:
				}
				read++
			}
		}
	}()
	with := longest()
	close(stop)
	read := <-done
	require.NoError(t, session.End(length, "done"))
	require.NoError(t, s.Close())
	storetest.Number(fmt.Sprintf("recorder's longest wait while a reader streams %s (%.1f M readings; without one %v)", length, float64(read)/1e6, alone.Round(time.Millisecond)),
		with.Round(time.Millisecond).String(), bound.String(), with <= bound)
}

// TestNumbersStoreListing measures a store of many sessions.
func TestNumbersStoreListing(t *testing.T) {
	quick, _ := storetest.Numbers(t)
	sessions, slack := 2000, 1.0
	if quick {
		sessions, slack = 200, 20
	}
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	for range sessions {
		storetest.Session(t, s, car(), someBlocks(1)...)
	}
	require.NoError(t, s.Close())
	least := func(f func()) (d time.Duration) {
		for i := range 25 { // a busy machine makes some slow
			began := time.Now()
			f()
			if took := time.Since(began); i == 0 || took < d {
				d = took
			}
		}
		return d
	}
	listing := least(func() {
		infos, err := store.List(dir)
		require.NoError(t, err)
		require.Len(t, infos, sessions)
		require.Len(t, store.Date(infos, store.Anchors(dir)), sessions)
	})
	share := time.Duration(sessions) * time.Second / 2000
	bound := time.Duration(float64(share) / 20 * slack)
	storetest.Number(fmt.Sprintf("listing %d sessions, with their dates", sessions), listing.Round(100*time.Microsecond).String(), bound.String(), listing <= bound)
	require.NoError(t, os.Remove(filepath.Join(dir, "index")))
	_ = os.Remove(filepath.Join(dir, "index.recent")) // which may not be there
	began := time.Now()
	s, err = store.Open(dir, store.Options{})
	require.NoError(t, err)
	rebuilt := time.Since(began)
	require.NoError(t, s.Close())
	bound = time.Duration(float64(share) * 10 * slack)
	storetest.Number(fmt.Sprintf("making the index of %d sessions anew", sessions), rebuilt.Round(time.Millisecond).String(), bound.String(), rebuilt <= bound)
}
