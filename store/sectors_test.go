package store

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// unreadable is a file of which the medium cannot read some bytes.
type unreadable struct {
	f        *os.File
	from, to int64
}

func (u unreadable) ReadAt(b []byte, at int64) (n int, err error) {
	if at >= u.to || at+int64(len(b)) <= u.from {
		return u.f.ReadAt(b, at)
	}
	if at < u.from {
		if n, err = u.f.ReadAt(b[:u.from-at], at); err != nil {
			return n, err
		}
	}
	return n, &fs.PathError{Op: "read", Path: u.f.Name(), Err: syscall.EIO}
}

// cannotRead makes a part of the file unreadable, under whatever name it is, and returns what mends it.
func cannotRead(t *testing.T, path string, from, to int64) (readable func()) {
	t.Helper()
	harmed, err := os.Stat(path)
	require.NoError(t, err)
	sound := medium
	medium = func(f *os.File) io.ReaderAt {
		if this, err := f.Stat(); err == nil && os.SameFile(this, harmed) {
			return unreadable{f, from, to}
		}
		return f
	}
	readable = func() { medium = sound }
	t.Cleanup(readable)
	return readable
}

// A sector that cannot be read costs no more than one full of zeros does, wherever it is; when the store is opened, the
// file is replaced only if it is kept aside, and it is said how much could not be read.
func TestAnUnreadableSectorCostsNoMoreThanALostOne(t *testing.T) {
	sealed, all := recorded(t, 24)
	open, _ := ended(t, 24)
	cutOff, _ := recording(t, 24)
	for _, row := range []struct {
		name, path string
	}{{"a sealed file", sealed}, {"a file that ended and was not sealed", open}, {"a file that was cut off", cutOff}} {
		t.Run(row.name, func(t *testing.T) {
			whole, err := os.ReadFile(row.path)
			require.NoError(t, err)
			whole = whole[:pages(t, row.path)]
			d := &damager{t: t, path: filepath.Join(t.TempDir(), filepath.Base(row.path)), all: all, endKnown: row.path != cutOff}
			for at := int64(0); at < int64(len(whole)); at += 4096 {
				name := fmt.Sprintf("the first sector of page %d", at/4096)
				image := append([]byte(nil), whole...)
				clear(image[at : at+sectorSize])
				d.try(name+", lost", image)
				least := d.read
				d.unread = [2]int64{at, at + sectorSize}
				d.try(name+", unreadable", whole)
				require.GreaterOrEqual(t, d.read, least, name)
				d.unread = [2]int64{}
				require.GreaterOrEqual(t, openedUnreadable(t, name, row.path, whole, at), least, name)
			}
			assert.Zero(t, d.everything, "no sector costs the session")
			t.Logf("%d of %d were harmless", d.harmless, d.tried)
		})
	}
}

// openedUnreadable opens a store in which a sector of a session cannot be read, and counts the readings that are there.
func openedUnreadable(t *testing.T, name, of string, whole []byte, at int64) (readings int) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, filepath.Base(of))
	require.NoError(t, os.WriteFile(path, whole, 0o644))
	readable := cannotRead(t, path, at, at+sectorSize)
	var told []Notice
	s, err := Open(dir, Options{Told: func(n Notice) { told = append(told, n) }})
	require.NoError(t, err, name)
	samples, _ := readAll(path)
	require.NoError(t, s.Close())
	readable()
	aside := filepath.Join(dir, asideName, filepath.Base(path))
	if len(told) == 1 && told[0].Kind == Salved {
		require.Contains(t, told[0].Text, "512 bytes of it cannot be read from the medium: input/output error", name)
		kept, err := os.ReadFile(aside)
		require.NoError(t, err, name)
		require.True(t, bytes.Equal(whole, kept), name)
		return len(samples)
	}
	require.NoFileExists(t, aside, name)
	now, errs := readAll(path)
	require.Empty(t, errs, "%s: it was replaced by less, and is not kept", name)
	require.GreaterOrEqual(t, len(now), len(samples), name)
	return len(samples)
}

// What cannot be read may stand in a block alone, where no page is found to be wrong.
func TestAnUnreadableSectorInALongBlock(t *testing.T) {
	long := make([]Sample, 20000)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range long {
		long[i] = Sample{At: time.Duration(i) * time.Millisecond, Code: r.Int64()} // that no codec makes shorter
	}
	path, all := record(t, 3, func(s *Session) { require.NoError(t, s.Append(long)) })
	a, err := openAtRest(path)
	require.NoError(t, err)
	a.walkBlocks()
	in := a.entries[3].at
	require.Greater(t, in.length, int64(100<<10))
	require.NoError(t, a.close())
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	at := (in.at + in.length/2) / sectorSize * sectorSize
	assert.Equal(t, 600, openedUnreadable(t, "a long block", path, whole, at), "all but that block's")

	readable := cannotRead(t, path, at, at+sectorSize)
	samples, errs := readAll(path)
	readable()
	require.Len(t, errs, 1)
	assert.True(t, slices.Equal(all, samples))
}

// What the medium does not let read at all stays where it is: it may be another day.
func TestAFileThatCannotBeReadAtAllStays(t *testing.T) {
	for _, row := range []struct {
		name   string
		blocks int
		says   string
	}{
		{"a short one", 0, "nothing in the file can be read"},
		{"a long one", 1500, "more than 262144 bytes of it cannot be read"},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, all := recording(t, row.blocks)
			require.NoError(t, os.Truncate(path, pages(t, path)))
			whole, err := os.ReadFile(path)
			require.NoError(t, err)
			readable := cannotRead(t, path, 0, math.MaxInt64)
			var told []Notice
			s, err := Open(filepath.Dir(path), Options{Told: func(n Notice) { told = append(told, n) }})
			require.NoError(t, err)
			require.Len(t, told, 1)
			assert.Equal(t, Unsettled, told[0].Kind)
			assert.Contains(t, told[0].Text, row.says)
			there, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.True(t, bytes.Equal(whole, there), "it is as it was")

			readable()
			next, err := s.Begin(Meta{})
			require.NoError(t, err)
			require.NoError(t, next.End(0, ""))
			require.NoError(t, s.Close())
			samples, errs := readAll(path)
			assert.Empty(t, errs)
			assert.True(t, slices.Equal(all, samples))
			report, err := Check(path)
			require.NoError(t, err)
			assert.True(t, report.Sealed, "it was sealed when another session ended")
		})
	}
}

// Checking and salvaging by hand have more patience than the daemon: any number of sectors may be unreadable.
func TestSalvagingHasPatience(t *testing.T) {
	path, all := recording(t, 2000)
	size := pages(t, path)
	require.NoError(t, os.Truncate(path, size))
	const most = mostUnread * sectorSize
	require.Greater(t, size, int64(2*most))
	cannotRead(t, path, size-most-4096, size)
	_, errs := readAll(path)
	require.NotEmpty(t, errs)
	assert.ErrorContains(t, errs[len(errs)-1], "more than 262144 bytes of it cannot be read")
	checked, err := Check(path)
	require.NoError(t, err)
	assert.Contains(t, checked.Faults[0], "266240 bytes of it cannot be read from the medium")
	to := filepath.Join(t.TempDir(), "salvaged")
	r, err := Salvage(path, to)
	require.NoError(t, err)
	assert.Contains(t, r.Faults, checked.Faults[0])
	assert.Equal(t, checked.Readings, r.Readings)
	samples, _ := readAll(to)
	assert.NotEmpty(t, samples)
	assert.Less(t, len(samples), len(all))
	a, err := openAtRest(to)
	require.NoError(t, err)
	assert.Contains(t, a.seal.Salvaged, "266240 bytes of it")
	require.NoError(t, a.close())
}

// The file that was kept goes after what is elsewhere too: it may hold what could not be read.
func TestADamagedFileGoesAfterWhatIsElsewhereToo(t *testing.T) {
	path, _ := recording(t, 24)
	readable := cannotRead(t, path, 0, sectorSize)
	var gone []string
	told := func(n Notice) {
		if n.Kind == Removed {
			gone = append(gone, n.Session)
		}
	}
	s, err := Open(filepath.Dir(path), Options{Told: told})
	require.NoError(t, err)
	readable()
	var ids []string
	for range 2 {
		session, err := s.Begin(Meta{})
		require.NoError(t, err)
		require.NoError(t, session.End(0, ""))
		ids = append(ids, session.ID())
	}
	require.NoError(t, s.Mark(ids[0], Pulled, true))
	s.mu.Lock()
	require.NoError(t, s.deleteLocked(1<<10, "", &RoomError{}))
	assert.Equal(t, []string{ids[0]}, gone, "what is elsewhere too")
	require.NoError(t, s.deleteLocked(1<<10, "", &RoomError{}))
	assert.Equal(t, []string{ids[0], IDOf(path)}, gone)
	assert.NoFileExists(t, filepath.Join(s.dir, asideName, filepath.Base(path)))
	assert.FileExists(t, path, "what could be read stays")
	s.mu.Unlock()
	require.NoError(t, s.Close())
}

// Where no file has two names the damaged one is copied, as far as it can be read.
func TestADamagedFileIsCopiedAsFarAsItCanBeRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a")
	whole := make([]byte, 10000)
	for i := range whole {
		whole[i] = byte(i | 1)
	}
	require.NoError(t, os.WriteFile(path, whole, 0o644))
	cannotRead(t, path, 600, 1400)
	require.NoError(t, copyAside(path, path+".aside"))
	kept, err := os.ReadFile(path + ".aside")
	require.NoError(t, err)
	clear(whole[600:1536]) // up to a sector's end
	assert.True(t, bytes.Equal(whole, kept))
}

// One that the medium reads at the second try, or that is closed, is no unreadable sector.
func TestSectorsThatAreNotUnreadable(t *testing.T) {
	f, err := os.CreateTemp(t.TempDir(), "")
	require.NoError(t, err)
	_, err = f.Write(make([]byte, 3000))
	require.NoError(t, err)
	s := &sectors{r: &once{f: f}, most: mostUnread, found: func(e *unreadError) { t.Error(e) }}
	n, err := s.ReadAt(make([]byte, 2000), 100)
	require.NoError(t, err)
	assert.Equal(t, 2000, n)
	n, err = s.ReadAt(make([]byte, 2000), 2000)
	require.ErrorIs(t, err, io.EOF)
	assert.Equal(t, 1000, n)
	require.NoError(t, f.Close())
	_, err = s.ReadAt(make([]byte, 2000), 100)
	assert.ErrorIs(t, err, os.ErrClosed)
}

// once fails the first time it is read.
type once struct {
	f      *os.File
	failed bool
}

func (o *once) ReadAt(b []byte, at int64) (int, error) {
	if !o.failed {
		o.failed = true
		return 0, syscall.EIO
	}
	return o.f.ReadAt(b, at)
}
