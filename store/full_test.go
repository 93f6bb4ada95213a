package store_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
)

// disk is a place for a store that can be filled up.
type disk interface {
	fill(t *testing.T, s *store.Session)
	free(t *testing.T, s *store.Session)
}

// mounted is a small file system of its own.
type mounted struct{ dir string }

func (m mounted) fill(t *testing.T, _ *store.Session) {
	t.Helper()
	f, err := os.Create(filepath.Join(m.dir, "filler"))
	require.NoError(t, err)
	for chunk := make([]byte, 1<<20); len(chunk) > 0; {
		if _, err := f.Write(chunk); err != nil {
			chunk = chunk[:len(chunk)/2]
		}
	}
	require.NoError(t, f.Close())
}

func (m mounted) free(t *testing.T, _ *store.Session) {
	t.Helper()
	require.NoError(t, os.Remove(filepath.Join(m.dir, "filler")))
}

// limited stands for one where none may be mounted.
type limited struct{}

func (limited) fill(t *testing.T, s *store.Session) {
	t.Helper()
	if s == nil {
		return
	}
	info, err := os.Stat(s.Path())
	require.NoError(t, err)
	s.SetMaxSize(int(info.Size()))
}

func (limited) free(_ *testing.T, s *store.Session) {
	if s != nil {
		s.SetMaxSize(0)
	}
}

// smallDisk mounts a small file system, or says that it may not.
func smallDisk(t *testing.T) (disk, string) {
	t.Helper()
	dir := t.TempDir()
	if err := mountSmall(dir, 8<<20); err != nil {
		t.Logf("a limit of the file's size stands for a full disk: %v", err)
		return limited{}, filepath.Join(dir, "sessions")
	}
	t.Cleanup(func() { require.NoError(t, unmount(dir)) })
	return mounted{dir}, filepath.Join(dir, "sessions")
}

// The disk fills up before every commit of a session. Each is refused, or finds room in the file; when room comes back
// the same readings are stored, and in the end the file holds all of them once.
func TestDiskFullAtEveryCommit(t *testing.T) {
	d, dir := smallDisk(t)
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	_, isMounted := d.(mounted)
	if isMounted {
		d.fill(t, nil)
		_, err = s.Begin(car())
		require.ErrorIs(t, err, store.ErrFull)
		left, err := filepath.Glob(filepath.Join(dir, "*.session*"))
		require.NoError(t, err)
		assert.Empty(t, left)
		d.free(t, nil)
	}
	session, err := s.Begin(car())
	require.NoError(t, err)
	const blocks = 40
	refused := 0
	for i := range uint64(blocks) {
		b := blockOf(1, i)
		d.fill(t, session)
		err := session.Append(b)
		for range 2 {
			if err != nil {
				require.ErrorIs(t, err, store.ErrFull)
				err = session.Append(b)
			}
		}
		marked := session.Update(func(m *store.Meta) { m.Vehicle += "." })
		require.True(t, marked == nil || errors.Is(marked, store.ErrFull), "%v", marked)
		reader := session.Reader()
		assert.Equal(t, reader.Info().Samples, uint64(len(readAll(t, reader))), "what was stored is read")
		d.free(t, session)
		if err != nil {
			refused++
			require.NoError(t, session.Append(b), "room came back")
		}
	}
	t.Logf("%d of %d commits were refused", refused, blocks)
	assert.Greater(t, refused, 3)

	d.fill(t, session)
	err = session.End(time.Hour, "done")
	if err != nil {
		require.ErrorIs(t, err, store.ErrFull)
		d.free(t, session)
		require.NoError(t, session.End(time.Hour, "done"))
	} else if isMounted {
		d.free(t, session)
	}
	require.NoError(t, s.Close())
	storetest.OpenDir(t, dir) // seals what there was no room to seal
	assert.Equal(t, store.Complete, only(t, dir).State)
	assert.NotEmpty(t, only(t, dir).SHA256)
	sameBlocks(t, dir, blocks, -1)
}

func readAll(t *testing.T, r *store.Reader) (all []store.Sample) {
	t.Helper()
	for s, err := range r.Samples() {
		require.NoError(t, err)
		all = append(all, s)
	}
	return all
}

// keeper is a store in which room is kept, with sessions of about the same size.
type keeper struct {
	t    *testing.T
	s    *store.Store
	ids  []string
	gone []string
}

func keep(t *testing.T, sessions int, o func(used int64) store.Options) *keeper {
	k := &keeper{t: t}
	dir := filepath.Join(t.TempDir(), "sessions")
	first := storetest.OpenDir(t, dir)
	for range sessions {
		path := storetest.Session(t, first, car(), someBlocks(60)...)
		k.ids = append(k.ids, filepath.Base(path[:len(path)-len(".session")]))
	}
	room, err := first.Room()
	require.NoError(t, err)
	require.NoError(t, first.Close())
	options := o(room.Used)
	options.Told = func(n store.Notice) {
		assert.Equal(t, store.Removed, n.Kind)
		k.gone = append(k.gone, n.Session)
	}
	k.s, err = store.Open(dir, options)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, k.s.Close()) })
	return k
}

// The overhead that the store reckons with for a session's beginning, and less for a commit.
const reckoned = 256 << 10

func TestRoomIsMadeInTheRightOrder(t *testing.T) {
	k := keep(t, 12, func(used int64) store.Options { return store.Options{Limit: used} })
	mark := func(i int, m store.Mark) { require.NoError(t, k.s.Mark(k.ids[i], m, true)) }
	mark(0, store.Pinned)
	mark(1, store.Pulled)
	mark(1, store.Pinned)
	mark(4, store.Pulled)
	mark(7, store.Uploaded)
	before, err := k.s.Room()
	require.NoError(t, err)
	session, err := k.s.Begin(car())
	require.NoError(t, err)
	after, err := k.s.Room()
	require.NoError(t, err)
	assert.LessOrEqual(t, after.Used, before.Limit-reckoned+96<<10)
	require.GreaterOrEqual(t, len(k.gone), 3)
	want := []string{k.ids[4], k.ids[7], k.ids[2], k.ids[3], k.ids[5], k.ids[6], k.ids[8], k.ids[9], k.ids[10], k.ids[11]}
	assert.Equal(t, want[:len(k.gone)], k.gone, "those that are elsewhere too, then the others, the oldest first; pinned ones never")
	for _, id := range k.gone {
		assert.NoFileExists(t, filepath.Join(k.s.Dir(), id+".session"))
	}
	infos, err := k.s.List()
	require.NoError(t, err)
	assert.Len(t, infos, 13-len(k.gone))
	assert.True(t, infos[0].Pinned)
	assert.True(t, infos[1].Pinned && infos[1].Pulled)
	assert.Equal(t, store.Recording, infos[len(infos)-1].State)
	require.NoError(t, session.End(0, ""))
}

func TestWhenNothingMayGoRecordingStopsAndResumes(t *testing.T) {
	k := keep(t, 4, func(used int64) store.Options { return store.Options{Limit: used + reckoned + 40<<10} })
	for _, id := range k.ids {
		require.NoError(t, k.s.Mark(id, store.Pinned, true))
	}
	session, err := k.s.Begin(car())
	require.NoError(t, err)
	blocks := someBlocks(2000)
	n := 0
	for ; n < len(blocks); n++ {
		if err = session.Append(blocks[n]); err != nil {
			break
		}
	}
	require.ErrorIs(t, err, store.ErrFull)
	var room *store.RoomError
	require.ErrorAs(t, err, &room)
	assert.Equal(t, 4, room.Pinned)
	assert.ErrorContains(t, err, "no room to record: the sessions take ")
	assert.ErrorContains(t, err, "4 sessions are pinned: unpin or delete some, or raise the limit")
	require.ErrorIs(t, session.Append(blocks[n]), store.ErrFull, "still")
	assert.Empty(t, k.gone)

	require.NoError(t, k.s.Mark(k.ids[2], store.Pinned, false))
	require.NoError(t, session.Append(blocks[n]), "one may go now")
	assert.Equal(t, []string{k.ids[2]}, k.gone)
	require.NoError(t, session.End(time.Hour, ""), "an end needs no permission")
	_, err = k.s.Begin(car())
	if err != nil {
		require.ErrorIs(t, err, store.ErrFull)
		require.NoError(t, k.s.Mark(k.ids[0], store.Pinned, false))
		require.NoError(t, k.s.Remove(k.ids[0]), "deleting by hand")
	}
}

func TestNothingIsDeletedInVain(t *testing.T) {
	// More must stay free than there is: no deletion would help.
	k := keep(t, 3, func(int64) store.Options { return store.Options{Floor: 1 << 60} })
	_, err := k.s.Begin(car())
	require.ErrorIs(t, err, store.ErrFull)
	assert.ErrorContains(t, err, "are free on the medium and")
	assert.ErrorContains(t, err, "there is nothing that could be deleted for it")
	assert.Empty(t, k.gone)
	infos, err := k.s.List()
	require.NoError(t, err)
	assert.Len(t, infos, 3)
}

func TestTheFloorIsKept(t *testing.T) {
	d, dir := smallDisk(t)
	if _, ok := d.(mounted); !ok {
		t.Skip("needs a file system of its own")
	}
	s := storetest.OpenDir(t, dir)
	for range 20 {
		storetest.Session(t, s, car(), someBlocks(200)...)
	}
	room, err := s.Room()
	require.NoError(t, err)
	require.NoError(t, s.Close())
	gone := 0
	s, err = store.Open(dir, store.Options{Floor: room.Free, Told: func(store.Notice) { gone++ }})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	session, err := s.Begin(car())
	require.NoError(t, err)
	for i := range uint64(20) {
		require.NoError(t, session.Append(blockOf(21, i)))
		now, err := s.Room()
		require.NoError(t, err)
		assert.GreaterOrEqual(t, now.Free, room.Free)
	}
	assert.NotZero(t, gone)
	require.NoError(t, session.End(0, ""))
}

// On a full medium older sessions go for a new one's seal as they go for its readings, and not if they are pinned.
func TestRoomIsMadeToSeal(t *testing.T) {
	d, dir := smallDisk(t)
	if _, ok := d.(mounted); !ok {
		t.Skip("needs a file system of its own")
	}
	s := storetest.OpenDir(t, dir)
	var ids []string
	for range 20 {
		path := storetest.Session(t, s, car(), someBlocks(200)...)
		ids = append(ids, filepath.Base(path[:len(path)-len(".session")]))
	}
	for _, id := range ids {
		require.NoError(t, s.Mark(id, store.Pinned, true))
	}
	room, err := s.Room()
	require.NoError(t, err)
	require.NoError(t, s.Close())
	var told []store.NoticeKind
	s, err = store.Open(dir, store.Options{Floor: room.Free - reckoned - 64<<10, Told: func(n store.Notice) { told = append(told, n.Kind) }})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	session, err := s.Begin(car())
	require.NoError(t, err)
	for _, b := range someBlocks(10000) {
		if err = session.Append(b); err != nil {
			break
		}
	}
	require.ErrorIs(t, err, store.ErrFull)
	require.NoError(t, session.End(time.Hour, ""))
	require.Equal(t, []store.NoticeKind{store.Unsettled}, told)
	for _, id := range ids {
		require.NoError(t, s.Mark(id, store.Pinned, false))
	}
	told = nil
	storetest.Session(t, s, car(), someBlocks(2)...)
	assert.Contains(t, told, store.Removed)
	assert.NotContains(t, told, store.Unsettled)
	infos, err := s.List()
	require.NoError(t, err)
	for _, info := range infos {
		assert.NotEmpty(t, info.SHA256)
	}
	assert.Equal(t, session.ID(), infos[len(infos)-2].ID)
}

func TestMarksSurvive(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	s := storetest.OpenDir(t, dir)
	path := storetest.Session(t, s, car())
	id := filepath.Base(path[:len(path)-len(".session")])
	for range 300 { // enough for the file to be written anew
		require.NoError(t, s.Mark(id, store.Pinned, true))
		require.NoError(t, s.Mark(id, store.Pinned, false))
	}
	require.NoError(t, s.Mark(id, store.Pinned, true))
	require.NoError(t, s.Mark(id, store.Uploaded, true))
	require.NoError(t, s.Close())
	marks := filepath.Join(dir, "marks")
	long, err := os.Stat(marks)
	require.NoError(t, err)
	f, err := os.OpenFile(marks, os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = f.WriteString("\n0123abcd {\"id\":\"torn") // the power went
	require.NoError(t, errors.Join(err, f.Close()))
	for range 2 {
		s = storetest.OpenDir(t, dir)
		info := only(t, dir)
		assert.True(t, info.Pinned && info.Uploaded && !info.Pulled)
		assert.ErrorIs(t, s.Remove(id), store.ErrPinned)
		require.NoError(t, s.Close())
	}
	short, err := os.Stat(marks)
	require.NoError(t, err)
	assert.Less(t, short.Size(), long.Size()/10)
	s = storetest.OpenDir(t, dir)
	require.NoError(t, s.Mark(id, store.Pinned, false))
	require.NoError(t, s.Remove(id))
	assert.ErrorIs(t, s.Mark(id, store.Pinned, true), store.ErrNotFound)
	assert.ErrorIs(t, s.Remove("../"+id), store.ErrNotFound)
}

// A session that there was no room to seal is whole, and sealed when room has come back and the next one ends.
func TestASessionThatCouldNotBeSealedIsSealedLater(t *testing.T) {
	d, dir := smallDisk(t)
	if _, ok := d.(mounted); !ok {
		t.Skip("needs a file system of its own")
	}
	var told []store.Notice
	s, err := store.Open(dir, store.Options{Told: func(n store.Notice) { told = append(told, n) }})
	require.NoError(t, err)
	session, err := s.Begin(car())
	require.NoError(t, err)
	for i := range uint64(40) {
		require.NoError(t, session.Append(blockOf(1, i)))
	}
	d.fill(t, nil)
	require.NoError(t, session.End(time.Hour, "done"), "its file has free pages enough for that")
	require.Len(t, told, 1)
	assert.Equal(t, store.Unsettled, told[0].Kind)
	assert.Contains(t, told[0].Text, "no room")
	assert.Equal(t, store.Complete, only(t, dir).State)
	assert.Empty(t, only(t, dir).SHA256)
	d.free(t, nil)
	storetest.Session(t, s, car(), someBlocks(2)...)
	infos, err := store.List(dir)
	require.NoError(t, err)
	require.Len(t, infos, 2)
	for _, info := range infos {
		assert.NotEmpty(t, info.SHA256)
	}
	require.NoError(t, s.Close())
	storetest.Check(t, dir)
}

// A full disk keeps nobody from opening the store. The session that was cut off stays as it is, can be read, and is
// sealed when room has come back.
func TestOpeningOnAFullDisk(t *testing.T) {
	d, dir := smallDisk(t)
	if _, ok := d.(mounted); !ok {
		t.Skip("needs a file system of its own")
	}
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	session, err := s.Begin(car())
	require.NoError(t, err)
	const blocks = 40
	for i := range uint64(blocks) {
		require.NoError(t, session.Append(blockOf(1, i)))
	}
	require.NoError(t, s.Close()) // as the power went

	d.fill(t, nil)
	var told []store.Notice
	s, err = store.Open(dir, store.Options{Told: func(n store.Notice) { told = append(told, n) }})
	require.NoError(t, err)
	require.Len(t, told, 1)
	assert.Equal(t, store.Unsettled, told[0].Kind)
	assert.Contains(t, told[0].Text, "no room")
	assert.Equal(t, store.CutOff, only(t, dir).State)
	assert.Empty(t, only(t, dir).SHA256)
	sameBlocks(t, dir, blocks, -1)
	_, err = s.Begin(car())
	require.ErrorIs(t, err, store.ErrFull)

	d.free(t, nil)
	storetest.Session(t, s, car(), someBlocks(2)...)
	infos, err := s.List()
	require.NoError(t, err)
	require.Len(t, infos, 2)
	assert.NotEmpty(t, infos[0].SHA256)
	require.NoError(t, s.Close())
	storetest.Check(t, dir)
}

// A session whose file is as large as it may be takes no more readings, but what is said of it, and its end; another one
// goes on.
func TestAFileIsAsLargeAsItMayBe(t *testing.T) {
	const largest = 400 << 10
	dir := filepath.Join(t.TempDir(), "sessions")
	s, err := store.Open(dir, store.Options{Largest: largest})
	require.NoError(t, err)
	session, err := s.Begin(car())
	require.NoError(t, err)
	long := longBlockOf(1, 0)
	blocks := uint64(0)
	for err == nil {
		require.Less(t, blocks, uint64(10))
		if err = session.Append(long); err == nil {
			blocks++
		}
	}
	require.ErrorIs(t, err, store.ErrLargest)
	require.ErrorIs(t, err, store.ErrFull)
	assert.NotZero(t, blocks)
	require.ErrorIs(t, session.Append(long), store.ErrLargest, "still")
	require.NoError(t, session.Update(func(m *store.Meta) { m.Vehicle = "the grey van" }))
	require.NoError(t, session.End(time.Hour, "done"))
	next, err := s.Begin(car())
	require.NoError(t, err)
	huge := append(append(append([]store.Sample(nil), long...), long...), long...)
	require.NoError(t, next.Append(huge), "its first readings fit however many they are")
	require.NoError(t, next.End(time.Hour, "done"))
	require.NoError(t, s.Close())
	storetest.Check(t, dir)
	infos, err := store.List(dir)
	require.NoError(t, err)
	require.Len(t, infos, 2)
	assert.Equal(t, blocks, infos[0].Blocks)
	assert.Equal(t, "the grey van", infos[0].Meta.Vehicle)
	assert.Equal(t, uint64(len(huge)), infos[1].Samples)
}
