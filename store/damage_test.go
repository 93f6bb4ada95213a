package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"underdash/store/block"
)

// samplesOf are the readings of the i-th block that recorded and recording make.
func samplesOf(i int) []Sample {
	var b []Sample
	for k := range 200 {
		at := time.Duration(i*200+k) * 10 * time.Millisecond
		b = append(b, Sample{At: at, Half: time.Duration(k) * time.Microsecond, Channel: uint16(k % 2), Code: int64(i*k*7919) % 65536})
	}
	stored, err := block.Stored(b, 0)
	if err != nil {
		panic(err)
	}
	return stored
}

// recorded makes a store with one sealed session of n blocks and returns its file and readings.
func recorded(t testing.TB, n int) (path string, all []Sample) {
	t.Helper()
	return record(t, n, func(session *Session) { require.NoError(t, session.End(time.Minute, "done")) })
}

// recording makes one that was cut off and that nobody has closed: the file as it is recorded into.
func recording(t testing.TB, n int) (path string, all []Sample) {
	t.Helper()
	return record(t, n, func(*Session) {})
}

// ended makes one whose power went between its end and its seal.
func ended(t testing.TB, n int) (path string, all []Sample) {
	t.Helper()
	return record(t, n, func(session *Session) {
		m := session.Meta()
		m.End = &End{At: time.Minute, Reason: "done", Blocks: session.blocks, Samples: session.samples, Last: session.last}
		session.commit.Lock()
		defer session.commit.Unlock()
		require.NoError(t, session.putMeta(m))
	})
}

func record(t testing.TB, n int, end func(*Session)) (path string, all []Sample) {
	t.Helper()
	s, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	session, err := s.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
	require.NoError(t, err)
	for i := range n {
		require.NoError(t, session.Append(samplesOf(i)))
		all = append(all, samplesOf(i)...)
	}
	end(session)
	require.NoError(t, s.Close())
	return session.Path(), all
}

// change runs f on the file's database, as damage from outside, and leaves no older copies of what it changed.
func change(t *testing.T, path string, f func(tx *bolt.Tx) error) {
	t.Helper()
	db, err := bolt.Open(path, 0o644, &bolt.Options{Timeout: time.Second})
	require.NoError(t, err)
	require.NoError(t, db.Update(f))
	compact, err := bolt.Open(path+".compact", 0o644, nil)
	require.NoError(t, err)
	require.NoError(t, bolt.Compact(compact, db, 0))
	require.NoError(t, errors.Join(db.Close(), compact.Close(), os.Rename(path+".compact", path)))
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
			path, all := ended(t, 10)
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
	path, _ := ended(t, 2)
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

// A damaged file is listed as such, hides no other and keeps nobody from recording. Opening the store replaces it by
// what can be read of it.
func TestDamagedFilesAreListedAndReplaced(t *testing.T) {
	garbage := make([]byte, 20000)
	for i := range garbage {
		garbage[i] = byte(i * i)
	}
	const anyState = "any" // bbolt puts pages where it likes: the end may be in the lost half or not
	inBoth := func(t *testing.T, path string, f func(b *bolt.Bucket) error) {
		change(t, path, func(tx *bolt.Tx) error { return errors.Join(f(tx.Bucket(metaBucket)), f(tx.Bucket(copyBucket))) })
	}
	for _, row := range []struct {
		name   string
		damage func(t *testing.T, path string)
		state  string // as listed before
		text   string
		after  string // as listed after; empty: it is gone
		lost   uint64 // blocks of 30, of which it is known
		told   []NoticeKind
	}{
		{"nothing", func(*testing.T, string) {}, Complete, "", Complete, 0, nil},
		{"empty", func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, 0)) }, Damaged, "the file is empty", "", 0, []NoticeKind{Salved}},
		{"100 bytes", func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, 100)) }, Damaged, "the file was cut", "", 0, []NoticeKind{Salved}},
		{"cut in half", func(t *testing.T, path string) { truncatePages(t, path, 2) }, Damaged, "the file was cut", anyState, 0, []NoticeKind{Salved}},
		{"both metas gone", func(t *testing.T, path string) { overwrite(t, path, 0, make([]byte, 8192)) }, Damaged, "no valid first page", Complete, 0, []NoticeKind{Salved}},
		{"the newer meta gone", func(t *testing.T, path string) { overwrite(t, path, newestMeta(t, path)*4096, make([]byte, 4096)) }, Complete, "", Complete, 0, nil},
		{"garbage", func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, garbage, 0o644)) }, Damaged, "no valid first page", "", 0, []NoticeKind{Salved}},
		{"every page but the metas gone", func(t *testing.T, path string) { overwrite(t, path, 8192, make([]byte, 1<<18)) }, Damaged, "", "", 0, []NoticeKind{Salved}},
		{"one copy of the description changed", func(t *testing.T, path string) {
			change(t, path, func(tx *bolt.Tx) error { return tx.Bucket(metaBucket).Put(metaKey, []byte(`{"format":1}`)) })
		}, Damaged, "does not match its checksum", Complete, 0, []NoticeKind{Salved}},
		{"no description left", func(t *testing.T, path string) {
			inBoth(t, path, func(b *bolt.Bucket) error { return b.Delete(metaKey) })
		}, Damaged, "description is missing", CutOff, 0, []NoticeKind{Salved}},
		{"no blocks", func(t *testing.T, path string) {
			change(t, path, func(tx *bolt.Tx) error { return tx.DeleteBucket(blocksBucket) })
		}, Complete, "", Complete, 30, []NoticeKind{Sealed}},
		{"a database of something else", func(t *testing.T, path string) {
			change(t, path, func(tx *bolt.Tx) error {
				return errors.Join(tx.DeleteBucket(metaBucket), tx.DeleteBucket(copyBucket), tx.DeleteBucket(blocksBucket))
			})
		}, Damaged, "description is missing", "", 0, []NoticeKind{Salved}},
		{"a description of a newer version", func(t *testing.T, path string) {
			text, _, err := encodeMeta(Meta{Format: Format + 1})
			require.NoError(t, err)
			change(t, path, func(tx *bolt.Tx) error { return putMeta(tx, text, nil) })
		}, Unreadable, "newer version", Unreadable, 0, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, _ := ended(t, 30)
			dir := filepath.Dir(path)
			row.damage(t, path)
			infos, err := List(dir)
			require.NoError(t, err)
			require.Len(t, infos, 1)
			assert.Equal(t, row.state, infos[0].State, infos[0].Err)
			assert.Contains(t, infos[0].Err, row.text)
			assert.Equal(t, uint64(1), infos[0].Number)

			var told []NoticeKind
			s, err := Open(dir, Options{Told: func(n Notice) {
				told = append(told, n.Kind)
				assert.Equal(t, idOf(filepath.Base(path)), n.Session)
				assert.NotEmpty(t, n.Text)
			}})
			require.NoError(t, err, "a damaged session keeps nobody from recording")
			good, err := s.Begin(Meta{})
			require.NoError(t, err)
			require.NoError(t, good.End(0, ""))
			require.NoError(t, s.Close())
			assert.Equal(t, row.told, told)
			infos, err = List(dir)
			require.NoError(t, err)
			last := infos[len(infos)-1]
			assert.Equal(t, Complete, last.State)
			assert.Equal(t, uint64(2), last.Number)
			if row.after == "" {
				assert.Len(t, infos, 1)
			} else {
				require.Len(t, infos, 2)
				if row.after != anyState {
					assert.Equal(t, row.after, infos[0].State, infos[0].Err)
					assert.Equal(t, row.lost, lostBlocks(infos[0].Lost))
				}
				assert.Equal(t, row.after != Unreadable, infos[0].SHA256 != "")
			}
			_, err = os.Stat(filepath.Join(dir, asideName, filepath.Base(path)))
			assert.Equal(t, slices.Contains(row.told, Salved), err == nil, "the damaged file is kept aside")
		})
	}
}

// newestMeta is the number of the meta page that counts.
func newestMeta(t *testing.T, path string) int64 {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	_, first, ok1 := readMetaPage(f, 1<<20, 0)
	_, second, ok2 := readMetaPage(f, 1<<20, 4096)
	require.True(t, ok1 && ok2)
	if second > first {
		return 1
	}
	return 0
}

func truncatePages(t *testing.T, path string, n int64) {
	t.Helper()
	require.NoError(t, os.Truncate(path, pages(t, path)/n))
}

// pages is how many bytes of the file are in use.
func pages(t *testing.T, path string) int64 {
	t.Helper()
	a, err := openAtRest(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, a.close()) }()
	return int64(a.tree.high) * a.tree.pageSize
}

func overwrite(t *testing.T, path string, at int64, b []byte) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = f.WriteAt(b, at)
	require.NoError(t, errors.Join(err, f.Close()))
}

// Whatever a byte or a page is changed to, reading ends, nothing panics, every reading that comes is one that was
// stored, in its order, and what is missing is told: exactly the blocks that are.
func TestDamageIsHarmlessOrReported(t *testing.T) {
	sealed, all := recorded(t, 24)
	open, _ := ended(t, 24)
	cutOff, _ := recording(t, 24)
	for _, row := range []struct {
		name, path string
	}{{"a sealed file", sealed}, {"a file that ended and was not sealed", open}, {"a file that was cut off", cutOff}} {
		t.Run(row.name, func(t *testing.T) {
			whole, err := os.ReadFile(row.path)
			require.NoError(t, err)
			whole = whole[:pages(t, row.path)] // the rest is a hole
			d := &damager{t: t, path: filepath.Join(t.TempDir(), filepath.Base(row.path)), all: all, endKnown: row.path != cutOff}
			require.True(t, d.try("untouched", whole))
			for i := 0; i < len(whole); i += 1000 {
				image := append([]byte(nil), whole...)
				image[i] ^= 1 << (i / 1000 % 8)
				d.try(fmt.Sprintf("byte %d flipped", i), image)
			}
			for i := 0; i+4096 <= len(whole); i += 4096 {
				image := append([]byte(nil), whole...)
				clear(image[i : i+4096])
				d.try(fmt.Sprintf("page %d lost", i/4096), image)
			}
			assert.Zero(t, d.everything, "no byte and no page costs the session")
			for i := range 100 {
				d.try(fmt.Sprintf("cut at %d %%", i), whole[:len(whole)*i/100])
			}
			t.Logf("%d of %d were harmless, %d cost some blocks, %d the session", d.harmless, d.tried, d.some, d.everything)
			assert.NotZero(t, d.harmless)
			assert.NotZero(t, d.some)
			assert.NotZero(t, d.everything)
		})
	}
}

// damager holds what is read of a damaged file against what was recorded, in blocks of 200 readings.
type damager struct {
	t        *testing.T
	path     string
	all      []Sample
	endKnown bool     // by an undamaged file: how many blocks there were
	unread   [2]int64 // bytes that the medium cannot read, from and to

	read int // readings of the last try

	tried, harmless, some, everything int
}

func (d *damager) try(name string, image []byte) (harmless bool) {
	t := d.t
	d.tried++
	_ = os.Remove(d.path)
	require.NoError(t, os.WriteFile(d.path, image, 0o644))
	if d.unread[1] > 0 {
		defer cannotRead(t, d.path, d.unread[0], d.unread[1])()
	}
	report, err := Check(d.path)
	require.NoError(t, err, name)
	samples, errs := readAll(d.path)
	d.read = len(samples)
	if len(errs) == 1 && !errors.As(errs[0], new(*BlockError)) { // it could not be opened
		require.ErrorIs(t, errs[0], ErrDamaged, name)
		require.NotEmpty(t, report.Faults, name)
		d.everything++
		return false
	}
	there := d.blocksOf(name, samples)
	reported := make(map[uint64]bool)
	for _, err := range errs {
		var lost *BlockError
		require.ErrorAs(t, err, &lost, name)
		for i := lost.First; i <= lost.Last; i++ {
			require.False(t, there[i], "%s: block %d is there and said to be lost", name, i)
			reported[i] = true
		}
	}
	info, err := describe(d.path)
	require.NoError(t, err, name)
	ends := d.endKnown && info.State == Complete || info.Meta.End != nil
	for i := range uint64(len(d.all) / 200) {
		if !there[i] && !reported[i] { // behind the end of what is left, and the file is known to be damaged
			require.False(t, ends, "%s: block %d is missing and nobody says so", name, i)
			require.Equal(t, Damaged, info.State, name)
			require.NotEmpty(t, report.Faults, "%s: block %d is missing", name, i)
		}
	}
	if len(there) < len(d.all)/200 {
		require.False(t, report.Sound(), name)
		require.NotEqual(t, "nothing", report.Cost, name)
		d.some++
		return false
	}
	d.harmless++
	return true
}

// blocksOf says which blocks came whole. Others do not come, nor come any out of their order.
func (d *damager) blocksOf(name string, samples []Sample) map[uint64]bool {
	there := make(map[uint64]bool)
	next := 0
	for len(samples) > 0 {
		for ; next < len(d.all) && d.all[next] != samples[0]; next += 200 {
		}
		require.Less(d.t, next, len(d.all), "%s: a reading that was never stored, or out of its order: %+v", name, samples[0])
		require.GreaterOrEqual(d.t, len(samples), 200, name)
		require.Equal(d.t, d.all[next:next+200], samples[:200], name)
		there[uint64(next/200)] = true
		next, samples = next+200, samples[200:]
	}
	return there
}

func TestNoRoomLeavesTheSessionUsable(t *testing.T) {
	s, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	session, err := s.Begin(Meta{Channels: []Channel{{Name: "a"}}})
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(1, 1))
	first, second := []Sample{{Code: 1}}, make([]Sample, 110000)
	for i := range second {
		second[i] = Sample{At: time.Duration(i) * time.Millisecond, Code: r.Int64()} // that no codec makes shorter
	}
	require.NoError(t, session.Append(first))
	info, err := os.Stat(session.Path())
	require.NoError(t, err)
	session.db.MaxSize = int(info.Size()) // stands for a full disk: bbolt answers both the same way, before it writes
	require.ErrorIs(t, session.Append(second), ErrFull)
	err = session.Append(second)
	require.ErrorIs(t, err, ErrFull, "still")
	assert.ErrorContains(t, err, "the session's file is as large as it may be", "the medium is not what is full")
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
	s, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	session, err := s.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
	require.NoError(t, err)
	for i := range 3 {
		require.NoError(t, session.Append(samplesOf(i)))
	}
	r := session.Reader()
	n := 0
	for _, err := range r.Samples() {
		require.NoError(t, err)
		require.Zero(t, session.db.Stats().OpenTxN)
		n++
	}
	assert.Equal(t, 600, n)
	for range r.Samples() {
		break // and none after an early end
	}
	assert.Zero(t, session.db.Stats().OpenTxN)
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

// A sealed file that was cut short anywhere behind its beginning still knows what its readings are.
func TestASealedFileCutShortKeepsItsDescription(t *testing.T) {
	path, all := record(t, 400, func(session *Session) { require.NoError(t, session.End(time.Minute, "done")) })
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	known := make(map[Sample]bool)
	for _, x := range all {
		known[x] = true
	}
	for percent := 30; percent < 100; percent += 10 {
		short := filepath.Join(t.TempDir(), filepath.Base(path))
		require.NoError(t, os.WriteFile(short, whole[:len(whole)*percent/100], 0o644))
		to := filepath.Join(t.TempDir(), "salvaged")
		r, err := Salvage(short, to)
		require.NoError(t, err, percent)
		assert.NotEmpty(t, r.Faults)
		a, err := openAtRest(to)
		require.NoError(t, err)
		require.Len(t, a.meta.Channels, 2, percent)
		assert.Equal(t, "a", a.meta.Channels[0].Name)
		assert.Equal(t, "b", a.meta.Channels[1].Name)
		require.NoError(t, a.close())
		got, _ := readAll(to) // an extent that was cut through is lost as a whole
		for _, x := range got {
			require.True(t, known[x], "nothing is invented")
		}
	}
}
