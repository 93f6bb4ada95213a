package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"underdash/store/block"
)

// recorded makes a store with one complete session of n blocks and returns its file and readings.
func recorded(t *testing.T, n int) (path string, all []Sample) {
	t.Helper()
	s, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	session, err := s.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
	require.NoError(t, err)
	for i := range n {
		var b []Sample
		for k := range 200 {
			at := time.Duration(i*200+k) * 10 * time.Millisecond
			b = append(b, Sample{At: at, Half: time.Duration(k) * time.Microsecond, Channel: uint16(k % 2), Code: int64(i*k*7919) % 65536})
		}
		require.NoError(t, session.Append(b))
		all = append(all, b...)
	}
	require.NoError(t, session.End(time.Minute, "done"))
	require.NoError(t, s.Close())
	return session.Path(), all
}

// change runs f on the file's database, as damage from outside.
func change(t *testing.T, path string, f func(tx *bolt.Tx) error) {
	t.Helper()
	db, err := bolt.Open(path, 0o644, &bolt.Options{Timeout: time.Second})
	require.NoError(t, err)
	require.NoError(t, db.Update(f))
	require.NoError(t, db.Close())
}

func readAll(path string) (samples []Sample, errs []error) {
	r, err := OpenReader(path)
	if err != nil {
		return nil, []error{err}
	}
	defer func() { _ = r.Close() }()
	for s, err := range r.Samples() {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		samples = append(samples, s)
	}
	return samples, errs
}

func TestDamagedBlocksCostThemselves(t *testing.T) {
	for _, row := range []struct {
		name        string
		damage      func(b *bolt.Bucket) error
		first, last uint64
		text        string
	}{
		{"a flipped bit", func(b *bolt.Bucket) error {
			v := append([]byte(nil), b.Get(key(3))...)
			v[len(v)/2] ^= 4
			return b.Put(key(3), v)
		}, 3, 3, "checksum"},
		{"an empty block", func(b *bolt.Bucket) error { return b.Put(key(3), nil) }, 3, 3, "too few"},
		{"a block lost", func(b *bolt.Bucket) error { return b.Delete(key(3)) }, 3, 3, "missing"},
		{"three blocks lost", func(b *bolt.Bucket) error {
			return errors.Join(b.Delete(key(2)), b.Delete(key(3)), b.Delete(key(4)))
		}, 2, 4, "missing"},
		{"the last two lost", func(b *bolt.Bucket) error { return errors.Join(b.Delete(key(8)), b.Delete(key(9))) }, 8, 9, "missing"},
		{"a block in another's place", func(b *bolt.Bucket) error { return b.Put(key(3), b.Get(key(4))) }, 3, 3, "it says that it is block 4 of session 1"},
		{"a block of another session", func(b *bolt.Bucket) error {
			v, err := block.Append(nil, block.Header{Session: 2, Sequence: 3}, []Sample{{}})
			return errors.Join(err, b.Put(key(3), v))
		}, 3, 3, "block 3 of session 2"},
		{"a block of an unknown channel", func(b *bolt.Bucket) error {
			v, err := block.Append(nil, block.Header{Session: 1, Sequence: 3}, []Sample{{Channel: 2}})
			return errors.Join(err, b.Put(key(3), v))
		}, 3, 3, "channel 2"},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, all := recorded(t, 10)
			change(t, path, func(tx *bolt.Tx) error { return row.damage(tx.Bucket(blocksBucket)) })
			samples, errs := readAll(path)
			require.Len(t, errs, 1)
			var damage *BlockError
			require.ErrorAs(t, errs[0], &damage)
			assert.Equal(t, row.first, damage.First)
			assert.Equal(t, row.last, damage.Last)
			assert.ErrorIs(t, errs[0], ErrDamaged)
			assert.ErrorContains(t, errs[0], row.text)
			want := append(append([]Sample(nil), all[:row.first*200]...), all[(row.last+1)*200:]...)
			assert.Equal(t, want, samples)
		})
	}
}

func TestABlockOfANewerVersionIsNotDamage(t *testing.T) {
	path, _ := recorded(t, 2)
	change(t, path, func(tx *bolt.Tx) error {
		v := append([]byte(nil), tx.Bucket(blocksBucket).Get(key(1))...)
		v[4] = block.Version + 1
		return tx.Bucket(blocksBucket).Put(key(1), v)
	})
	_, errs := readAll(path)
	require.Len(t, errs, 1)
	assert.ErrorIs(t, errs[0], ErrVersion)
	assert.NotErrorIs(t, errs[0], ErrDamaged)
}

func TestDamagedFilesAreListedAndHideNoOther(t *testing.T) {
	garbage := make([]byte, 20000)
	for i := range garbage {
		garbage[i] = byte(i * i)
	}
	for _, row := range []struct {
		name   string
		damage func(t *testing.T, path string)
		state  string
		text   string
	}{
		{"nothing", func(*testing.T, string) {}, Complete, ""},
		{"empty", func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, 0)) }, Damaged, "the file is empty"},
		{"100 bytes", func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, 100)) }, Damaged, "invalid database"},
		{"cut in half", func(t *testing.T, path string) { truncateBlocks(t, path, 2) }, Damaged, "the file was cut"},
		{"a quarter", func(t *testing.T, path string) { truncateBlocks(t, path, 4) }, Damaged, "the file was cut"},
		{"both metas gone", func(t *testing.T, path string) { overwrite(t, path, 0, make([]byte, 8192)) }, Damaged, "invalid database"},
		{"garbage", func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, garbage, 0o644)) }, Damaged, "invalid database"},
		{"every page but the metas gone", func(t *testing.T, path string) { overwrite(t, path, 8192, make([]byte, 1<<18)) }, Damaged, ""},
		{"a description that was changed", func(t *testing.T, path string) {
			change(t, path, func(tx *bolt.Tx) error { return tx.Bucket(metaBucket).Put(metaKey, []byte(`{"format":1}`)) })
		}, Damaged, "does not match its checksum"},
		{"no description", func(t *testing.T, path string) {
			change(t, path, func(tx *bolt.Tx) error { return tx.Bucket(metaBucket).Delete(metaKey) })
		}, Damaged, "description is missing"},
		{"a database of something else", func(t *testing.T, path string) {
			change(t, path, func(tx *bolt.Tx) error { return tx.DeleteBucket(metaBucket) })
		}, Damaged, "not the parts of a session"},
		{"a description of a newer version", func(t *testing.T, path string) {
			text, sum, err := encodeMeta(Meta{Format: Format + 1})
			require.NoError(t, err)
			change(t, path, func(tx *bolt.Tx) error { return putMeta(tx, text, sum) })
		}, Unreadable, "newer version"},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, _ := recorded(t, 30)
			dir := filepath.Dir(path)
			row.damage(t, path)
			s, err := Open(dir, Options{})
			require.NoError(t, err, "a damaged session keeps nobody from recording")
			good, err := s.Begin(Meta{})
			require.NoError(t, err)
			require.NoError(t, good.End(0, ""))
			require.NoError(t, s.Close())
			infos, err := List(dir)
			require.NoError(t, err)
			require.Len(t, infos, 2)
			assert.Equal(t, row.state, infos[0].State, infos[0].Err)
			assert.Contains(t, infos[0].Err, row.text)
			assert.Equal(t, uint64(1), infos[0].Number)
			assert.Equal(t, Complete, infos[1].State)
		})
	}
}

func truncateBlocks(t *testing.T, path string, n int64) {
	t.Helper()
	require.NoError(t, os.Truncate(path, pages(t, path)/n))
}

// pages is how many bytes of the file are in use.
func pages(t *testing.T, path string) (n int64) {
	t.Helper()
	db, err := openFile(path, true)
	require.NoError(t, err)
	require.NoError(t, db.View(func(tx *bolt.Tx) error { n = tx.Size(); return nil }))
	require.NoError(t, db.Close())
	return n
}

func overwrite(t *testing.T, path string, at int64, b []byte) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = f.WriteAt(b, at)
	require.NoError(t, errors.Join(err, f.Close()))
}

// Whatever a byte or a page is changed to, reading ends, nothing panics, and every reading that comes is one that was
// stored, in its order.
func TestNoWrongValueFromADamagedFile(t *testing.T) {
	path, all := recorded(t, 15)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	used := int(pages(t, path))
	whole = whole[:used] // the rest is a hole
	copied := filepath.Join(t.TempDir(), filepath.Base(path))
	try := func(name string, image []byte) (harmless bool) {
		require.NoError(t, os.WriteFile(copied, image, 0o644))
		samples, errs := readAll(copied)
		place := 0
		for _, s := range samples {
			for place < len(all) && all[place] != s {
				place++
			}
			if place == len(all) {
				require.Failf(t, "a reading that was never stored, or out of its order", "%s: %+v", name, s)
			}
			place++
		}
		if len(errs) == 0 {
			require.Len(t, samples, len(all), "%s: readings are missing and nobody says so", name)
		}
		_, _ = describe(copied)
		return len(errs) == 0
	}
	require.True(t, try("untouched", whole))
	found := 0
	for i := 500; i < used; i += 1000 {
		image := append([]byte(nil), whole...)
		image[i] ^= 0x41
		if !try(fmt.Sprintf("byte %d flipped", i), image) {
			found++
		}
	}
	for i := 0; i+4096 <= used; i += 4096 {
		image := append([]byte(nil), whole...)
		clear(image[i : i+4096])
		if !try(fmt.Sprintf("page %d lost", i/4096), image) {
			found++
		}
	}
	for i := range 20 {
		if !try("cut", whole[:used*i/20]) {
			found++
		}
	}
	assert.Greater(t, found, 20, "of all that damage")
}

func TestNoRoomLeavesTheSessionUsable(t *testing.T) {
	s, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	session, err := s.Begin(Meta{Channels: []Channel{{Name: "a"}}})
	require.NoError(t, err)
	first, second := []Sample{{Code: 1}}, make([]Sample, 110000)
	for i := range second {
		second[i] = Sample{At: time.Duration(i) * time.Millisecond, Code: int64(i) * 7919e9}
	}
	require.NoError(t, session.Append(first))
	info, err := os.Stat(session.Path())
	require.NoError(t, err)
	session.db.MaxSize = int(info.Size()) // stands for a full disk: bbolt answers both the same way, before it writes
	require.ErrorIs(t, session.Append(second), ErrFull)
	require.ErrorIs(t, session.Append(second), ErrFull, "still")
	require.NoError(t, session.Append(first), "what fits is stored")
	session.db.MaxSize = 0
	require.NoError(t, session.Append(second), "room was made")
	require.NoError(t, session.End(0, ""))
	samples, errs := readAll(session.Path())
	assert.Empty(t, errs)
	assert.Equal(t, append(append(append([]Sample(nil), first...), first...), second...), samples)
}

// While the loop's body runs, no transaction is open: it would block a commit that has to enlarge the map.
func TestAReaderHoldsNoTransaction(t *testing.T) {
	path, _ := recorded(t, 3)
	r, err := OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	n := 0
	for _, err := range r.Samples() {
		require.NoError(t, err)
		require.Zero(t, r.db.Stats().OpenTxN)
		n++
	}
	assert.Equal(t, 600, n)
	for range r.Samples() {
		break // and none after an early end
	}
	assert.Zero(t, r.db.Stats().OpenTxN)
}

func TestKeysSortAsNumbers(t *testing.T) {
	assert.Equal(t, uint64(0x0102), binary.BigEndian.Uint64(key(0x0102)))
	assert.Equal(t, []byte{0, 0, 0, 0, 0, 0, 1, 2}, key(0x0102))
	n, ok := numberOf(newID(123456))
	assert.True(t, ok)
	assert.Equal(t, uint64(123456), n)
	for _, bad := range []string{"", "123-aaaa", "00001-aaa", "00001-aaai", "00001-AAAA", "99999999999999999999-aaaa", "00001_aaaa"} {
		_, ok := numberOf(bad)
		assert.False(t, ok, bad)
	}
}
