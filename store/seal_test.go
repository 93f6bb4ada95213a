package store_test

import (
	"compress/gzip"
	"crypto/sha256"
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"underdash/store"
	"underdash/store/storetest"
)

// raw reads a session file with bbolt: the description, and all blocks one behind the other.
func raw(t *testing.T, path string) (description []byte, blocks [][]byte) {
	t.Helper()
	db, err := bolt.Open(path, 0, &bolt.Options{ReadOnly: true, Timeout: time.Second,
		OpenFile: func(name string, _ int, _ os.FileMode) (*os.File, error) { return os.Open(name) }})
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	require.NoError(t, db.View(func(tx *bolt.Tx) error {
		description = append(description, tx.Bucket([]byte("meta")).Get([]byte("meta"))...)
		return tx.Bucket([]byte("blocks")).ForEach(func(_, v []byte) error {
			for len(v) > 0 { // a block's length stands at its byte 8
				n := binary.BigEndian.Uint32(v[8:])
				blocks = append(blocks, append([]byte(nil), v[:n]...))
				v = v[n:]
			}
			return nil
		})
	}))
	return description, blocks
}

// The digest is what its comment says, so that others can verify it: SHA-256 of the description and of every block,
// each preceded by its length.
func TestASealedSession(t *testing.T) {
	s := storetest.Open(t)
	session, err := s.Begin(car())
	require.NoError(t, err)
	for _, b := range someBlocks(300) {
		require.NoError(t, session.Append(b))
	}
	open := session.Info().Bytes
	require.NoError(t, session.End(time.Hour, "the engine stopped"))
	info := only(t, s.Dir())
	assert.Less(t, info.Bytes, open, "compacted")

	description, blocks := raw(t, session.Path())
	require.Len(t, blocks, 300)
	h := sha256.New()
	size := 0
	for _, part := range append([][]byte{description}, blocks...) {
		require.NoError(t, binary.Write(h, binary.BigEndian, uint64(len(part))))
		h.Write(part)
		size += len(part)
	}
	assert.Equal(t, hex.EncodeToString(h.Sum(nil)), info.SHA256)
	file, err := os.Stat(session.Path())
	require.NoError(t, err)
	assert.Less(t, file.Size(), int64(size)*5/4+32<<10, "the file is little more than what it holds")
	if runtime.GOOS != "windows" {
		assert.Equal(t, os.FileMode(0o444), file.Mode().Perm())
	}

	// Anybody may read it while the next one is recorded.
	next, err := s.Begin(car())
	require.NoError(t, err)
	require.NoError(t, next.Append(someBlocks(1)[0]))
	samples, errs := read(t, session.Path())
	assert.Empty(t, errs)
	assert.Len(t, samples, 30000)
	require.NoError(t, next.End(0, ""))
}

// The same readings have the same digest, whatever happened to the file.
func TestTheDigestDoesNotDependOnTheFile(t *testing.T) {
	s := storetest.Open(t)
	path := storetest.Session(t, s, car(), someBlocks(30)...)
	out := filepath.Join(t.TempDir(), "other.session")
	report, err := store.Salvage(path, out)
	require.NoError(t, err)
	assert.True(t, report.Sound())
	a, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, a.Close()) }()
	b, err := store.OpenReader(out)
	require.NoError(t, err)
	defer func() { require.NoError(t, b.Close()) }()
	assert.NotEmpty(t, a.Info().SHA256)
	assert.Equal(t, a.Info().SHA256, b.Info().SHA256)
	assert.Equal(t, a.Info().ID, b.Info().ID, "a file of another name is the session it says it is")
	_, err = store.Salvage(path, out)
	assert.ErrorIs(t, err, os.ErrExist)
}

// Files of earlier versions are read for ever. Theirs were written by the program as it was, the readings beside them.
func TestFilesOfEarlierVersions(t *testing.T) {
	for _, row := range []struct {
		name, file, readings, state string
		sealed                      bool
	}{
		{"format 1, complete", "format1-complete", "format1", store.Complete, false},
		{"format 1, cut off", "format1-cutoff", "format1", store.CutOff, false},
		{"format 2, sealed", "format2-complete", "format2", store.Complete, true},
		{"format 2, cut off", "format2-cutoff", "format2", store.CutOff, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := t.TempDir()
			path := unpack(t, filepath.Join("testdata", row.file+".session.gz"), dir)
			check := func() {
				samples, errs := read(t, path)
				assert.Empty(t, errs)
				assert.Equal(t, listed(t, "testdata/"+row.readings+".csv"), samples)
				info := only(t, dir)
				assert.Equal(t, row.state, info.State)
				assert.Equal(t, uint64(12), info.Blocks)
				assert.Equal(t, uint64(len(samples)), info.Samples)
				assert.Equal(t, "the grey van", info.Meta.Vehicle)
				require.Len(t, info.Meta.Events, 1)
				assert.Equal(t, "the car did not answer", info.Meta.Events[0].Text)
				r, err := store.OpenReader(path)
				require.NoError(t, err)
				defer func() { require.NoError(t, r.Close()) }()
				assert.Equal(t, car().Static, r.Meta().Static)
				assert.InDelta(t, 0.97, r.Meta().Calibrations[0].Gain, 0)
			}
			check()
			report, err := store.Check(path)
			require.NoError(t, err)
			assert.True(t, report.Sound(), "%+v", report)
			s := storetest.OpenDir(t, dir) // closes the one that was cut off
			check()
			assert.Equal(t, row.sealed || row.state == store.CutOff, only(t, dir).SHA256 != "")

			archive := storetest.Open(t)
			id, added, err := archive.Add(path)
			require.NoError(t, err)
			assert.True(t, added)
			assert.NotEmpty(t, only(t, archive.Dir()).SHA256)
			again, added, err := archive.Add(path)
			require.NoError(t, err)
			assert.False(t, added, "the same session")
			assert.Equal(t, id, again)
			require.NoError(t, s.Close())
		})
	}
}

// unpack puts a compressed session file into a directory, under the name it had.
func unpack(t *testing.T, packed, dir string) (path string) {
	t.Helper()
	f, err := os.Open(packed)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	b, err := io.ReadAll(z)
	require.NoError(t, err)
	path = filepath.Join(dir, z.Name)
	require.NoError(t, os.WriteFile(path, b, 0o644))
	return path
}

func listed(t *testing.T, path string) (samples []store.Sample) {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		var n [5]int64
		for i, text := range row {
			n[i], err = strconv.ParseInt(text, 10, 64)
			require.NoError(t, err)
		}
		samples = append(samples, store.Sample{At: time.Duration(n[0]) * time.Microsecond, Half: time.Duration(n[1]) * time.Microsecond,
			Channel: uint16(n[2]), Code: n[3], Flags: store.Flags(n[4])})
	}
	return samples
}

func TestAddingToAnArchive(t *testing.T) {
	m := car()
	m.BootID = "b7"
	logger := storetest.Open(t)
	var paths []string
	for i := range 3 {
		paths = append(paths, storetest.Session(t, logger, m, someBlocks(3+i)...))
	}
	anchor := store.BootAnchor{BootID: "b7", SinceBoot: time.Second, UTC: time.Date(2024, 5, 6, 7, 8, 9, 0, time.UTC), Source: store.ByReference}
	require.NoError(t, logger.AddAnchor(anchor))
	require.NoError(t, logger.AddAnchor(store.BootAnchor{BootID: "other", UTC: anchor.UTC, Source: store.ByReference}))

	archive := storetest.Open(t)
	for range 2 {
		for i, path := range paths {
			id, _, err := archive.Add(path)
			require.NoError(t, err)
			assert.Equal(t, fmt.Sprintf("%05d", i+1), id[:5])
		}
	}
	infos, err := archive.List()
	require.NoError(t, err)
	require.Len(t, infos, 3)
	theirs, err := logger.List()
	require.NoError(t, err)
	for i := range infos {
		assert.Equal(t, theirs[i].SHA256, infos[i].SHA256)
		assert.Equal(t, theirs[i].ID, infos[i].ID)
	}
	assert.Equal(t, []store.BootAnchor{anchor}, store.Anchors(archive.Dir()), "what dates them comes along")

	later := store.BootAnchor{BootID: "b7", SinceBoot: time.Hour, UTC: anchor.UTC.Add(time.Hour), Source: store.ByReference}
	require.NoError(t, logger.AddAnchor(later))
	_, added, err := archive.Add(paths[0])
	require.NoError(t, err)
	assert.False(t, added)
	assert.Equal(t, []store.BootAnchor{anchor, later}, store.Anchors(archive.Dir()), "and so does what became known since")

	// Another session that happens to have the same ID gets one of its own.
	other := storetest.Open(t)
	twin := storetest.Session(t, other, m, someBlocks(9)...)
	require.NoError(t, other.Close())
	same := filepath.Join(t.TempDir(), filepath.Base(paths[0]))
	rewritten := rewriteID(t, twin, infos[0].ID, same)
	astray := rewriteID(t, twin, "../00001-aaaa", filepath.Join(t.TempDir(), "astray.session"))
	_, _, err = archive.Add(astray)
	require.ErrorIs(t, err, store.ErrDamaged, "an ID names no place outside the store")
	id, added, err := archive.Add(rewritten)
	require.NoError(t, err)
	assert.True(t, added)
	assert.Regexp(t, "^"+infos[0].ID+"-[0-9a-f]{8}$", id)
	again, added, err := archive.Add(rewritten)
	require.NoError(t, err)
	assert.False(t, added)
	assert.Equal(t, id, again)
	path, err := store.Find(archive.Dir(), id)
	require.NoError(t, err)
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	assert.Equal(t, id, r.Info().ID)
	assert.Equal(t, infos[0].ID, r.Meta().ID)
	require.NoError(t, r.Close())

	next, err := archive.Begin(car())
	require.NoError(t, err)
	assert.Equal(t, uint64(4), next.Number(), "numbers go on behind those that were added")
	_, _, err = archive.Add(next.Path())
	assert.ErrorIs(t, err, store.ErrRecording)
	require.NoError(t, next.End(0, ""))
	_, _, err = archive.Add(filepath.Join(t.TempDir(), "none"))
	assert.ErrorIs(t, err, os.ErrNotExist)
	garbage := filepath.Join(t.TempDir(), "garbage")
	require.NoError(t, os.WriteFile(garbage, make([]byte, 9999), 0o644))
	_, _, err = archive.Add(garbage)
	assert.ErrorIs(t, err, store.ErrDamaged)
}

// rewriteID makes an unsealed copy of a session under another ID, as another store might have given it.
func rewriteID(t *testing.T, path, id, to string) string {
	t.Helper()
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	require.NoError(t, store.WriteUnsealed(to, id, r))
	return to
}

func TestTheIndexIsMadeAgain(t *testing.T) {
	for _, files := range []struct {
		name     string
		sessions int
		index    string
	}{{"lately added", 5, "index.recent"}, {"tidied", 101, "index"}} {
		t.Run(files.name, func(t *testing.T) {
			s := storetest.Open(t)
			for i := range files.sessions {
				storetest.Session(t, s, car(), someBlocks(1+i%3)...)
			}
			dir := s.Dir()
			require.NoError(t, s.Close())
			want, err := store.List(dir)
			require.NoError(t, err)
			index := filepath.Join(dir, files.index)
			text := readFile(t, index)
			for _, row := range []struct {
				name   string
				change func()
			}{
				{"lost", func() { require.NoError(t, os.Remove(index)) }},
				{"torn", func() { require.NoError(t, os.WriteFile(index, text[:len(text)/2], 0o644)) }},
				{"a byte changed", func() {
					b := append([]byte(nil), text...)
					b[len(b)/3] ^= 1
					require.NoError(t, os.WriteFile(index, b, 0o644))
				}},
				{"garbage", func() { require.NoError(t, os.WriteFile(index, make([]byte, 5000), 0o644)) }},
			} {
				t.Run(row.name, func(t *testing.T) {
					row.change()
					got, err := store.List(dir)
					require.NoError(t, err)
					assert.Equal(t, want, got, "without it the files themselves are looked at")
					require.NoError(t, storetest.OpenDir(t, dir).Close())
					onlyByIndex(t, dir, want)
				})
			}
			require.NoError(t, os.Remove(filepath.Join(dir, want[2].ID+".session")))
			got, err := store.List(dir)
			require.NoError(t, err)
			assert.Len(t, got, files.sessions-1, "a line without its file is nothing")
		})
	}
}

// onlyByIndex lists a store whose files cannot be looked into.
func onlyByIndex(t *testing.T, dir string, want []store.Info) {
	t.Helper()
	for _, info := range want {
		path := filepath.Join(dir, info.ID+".session")
		hide(t, path)
		defer unhide(t, path)
	}
	got, err := store.List(dir)
	require.NoError(t, err)
	assert.Equal(t, want, got)
}

// hide makes a file's content unreadable and leaves its size and time.
func hide(t *testing.T, path string) {
	t.Helper()
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.NoError(t, os.Rename(path, path+".hidden"))
	require.NoError(t, os.WriteFile(path, make([]byte, info.Size()), 0o444))
	require.NoError(t, os.Chtimes(path, info.ModTime(), info.ModTime()))
}

func unhide(t *testing.T, path string) {
	t.Helper()
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.Rename(path+".hidden", path))
}

func TestTheIndexIsTidied(t *testing.T) {
	s := storetest.Open(t)
	dir := s.Dir()
	for range 110 {
		path := storetest.Session(t, s, store.Meta{})
		require.NoError(t, s.Remove(filepath.Base(path[:len(path)-len(".session")])))
	}
	storetest.Session(t, s, store.Meta{})
	require.NoError(t, s.Close())
	size := func() (n int) {
		for _, name := range []string{"index", "index.recent"} {
			if info, err := os.Stat(filepath.Join(dir, name)); err == nil {
				n += int(info.Size())
			}
		}
		return n
	}
	// A line has some 300 bytes, and what they mean is told once in some thousand.
	assert.Less(t, size(), 12*300+4000, "lines of sessions that were deleted do not add up")
	assert.Equal(t, uint64(111), only(t, dir).Number)
	onlyByIndex(t, dir, []store.Info{only(t, dir)})
}
