package store

import (
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"
)

// everything is a floor that no file system has free.
const everything = 1 << 60

// A seal is a copy for as long as it is made: where that would not leave enough free, the file stays as it is.
func TestSealingKeepsTheFloor(t *testing.T) {
	for _, row := range []struct {
		name  string
		made  func(t testing.TB, n int) (string, []Sample)
		harm  func(t *testing.T, path string)
		state string // as listed meanwhile
		told  NoticeKind
	}{
		{"it was cut off", recording, func(*testing.T, string) {}, CutOff, Sealed},
		{"it had ended", ended, func(*testing.T, string) {}, Complete, ""},
		{"its file is damaged", ended, func(t *testing.T, path string) { overwrite(t, path, 0, make([]byte, 8192)) }, Damaged, Salved},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, all := row.made(t, 10)
			row.harm(t, path)
			before, err := os.Stat(path)
			require.NoError(t, err)
			dir := filepath.Dir(path)
			for range 2 {
				var told []Notice
				s, err := Open(dir, Options{Floor: everything, Told: func(n Notice) { told = append(told, n) }})
				require.NoError(t, err)
				require.Len(t, told, 1)
				assert.Equal(t, Unsettled, told[0].Kind)
				assert.Contains(t, told[0].Text, "must stay free")
				infos, err := s.List()
				require.NoError(t, err)
				require.Len(t, infos, 1)
				assert.Equal(t, row.state, infos[0].State)
				assert.Empty(t, infos[0].SHA256)
				room, err := s.Room()
				require.NoError(t, err)
				assert.Equal(t, allocated(before), room.Used, "a second name of a damaged file takes nothing")
				for _, d := range s.deletableLocked() {
					assert.Equal(t, filepath.Base(path), d.name, "and deleting it would free nothing")
				}
				require.NoError(t, s.Close())
			}
			var told []NoticeKind
			s, err := Open(dir, Options{Told: func(n Notice) { told = append(told, n.Kind) }})
			require.NoError(t, err)
			if row.told != "" {
				assert.Equal(t, []NoticeKind{row.told}, told)
			}
			if row.told == Salved {
				assert.Len(t, s.deletableLocked(), 2, "the damaged file is one of its own now")
			}
			require.NoError(t, s.Close())
			samples, errs := readAll(path)
			assert.Empty(t, errs)
			assert.Equal(t, all, samples)
		})
	}
}

// What a newer program wrote takes room like any other session, and is not this one's to delete.
func TestSessionsOfANewerVersionTakeRoom(t *testing.T) {
	path, _ := ended(t, 100)
	text, _, err := encodeMeta(Meta{Format: Format + 1})
	require.NoError(t, err)
	change(t, path, func(tx *bolt.Tx) error { return putMeta(tx, text, nil) })
	file, err := os.Stat(path)
	require.NoError(t, err)
	s, err := Open(filepath.Dir(path), Options{Limit: allocated(file) + beginning - 1})
	require.NoError(t, err)
	room, err := s.Room()
	require.NoError(t, err)
	assert.Equal(t, allocated(file), room.Used)
	_, err = s.Begin(Meta{})
	require.ErrorIs(t, err, ErrFull)
	assert.FileExists(t, path)
	require.NoError(t, s.Remove(idOf(filepath.Base(path))), "by hand")
	session, err := s.Begin(Meta{})
	require.NoError(t, err)
	require.NoError(t, session.End(time.Second, ""))
	require.NoError(t, s.Close())
}

// A session that is pinned stays, also when room is needed while the store is being opened.
func TestRoomIsMadeToSealByMarks(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{})
	require.NoError(t, err)
	var ids []string
	for range 2 {
		session, err := s.Begin(Meta{})
		require.NoError(t, err)
		require.NoError(t, session.End(0, ""))
		ids = append(ids, session.id)
	}
	require.NoError(t, s.Mark(ids[0], Pinned, true))
	session, err := s.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
	require.NoError(t, err)
	require.NoError(t, session.Append(samplesOf(0)))
	require.NoError(t, s.Close())
	s = &Store{dir: dir, o: Options{}.withDefaults(), files: make(map[string]stored)}
	s.lock, err = takeLock(dir)
	require.NoError(t, err)
	var asked []string
	s.o.Told = func(n Notice) {
		for _, d := range s.deletableLocked() {
			asked = append(asked, d.name)
		}
	}
	require.NoError(t, s.load())
	assert.Equal(t, []string{ids[1] + extension}, asked, "what might be deleted while the third is sealed")
	require.NoError(t, s.Close())
}

// A session that is just being sealed is not deleted: its sealed file would come back under the name.
func TestNothingIsDeletedWhileItIsSealed(t *testing.T) {
	for _, row := range []struct {
		name  string
		later bool // when another one ends
	}{{"its drive has ended", false}, {"there was no room to seal it before", true}} {
		t.Run(row.name, func(t *testing.T) {
			var told []Notice
			s, err := Open(t.TempDir(), Options{Told: func(n Notice) { told = append(told, n) }})
			require.NoError(t, err)
			session, err := s.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
			require.NoError(t, err)
			require.NoError(t, session.Append(samplesOf(0)))
			last := session
			if row.later {
				s.o.Floor = everything
				require.NoError(t, session.End(time.Minute, "done"))
				require.Len(t, told, 1)
				s.o.Floor, told = 0, nil
				last, err = s.Begin(Meta{})
				require.NoError(t, err)
			}
			tried := 0
			sound := medium
			t.Cleanup(func() { medium = sound })
			medium = func(f *os.File) io.ReaderAt { // when the file is opened to be sealed
				if tried++; tried == 1 {
					assert.Equal(t, session.Path(), f.Name())
					err := s.Remove(session.ID())
					assert.ErrorIs(t, err, ErrRecording)
					assert.ErrorContains(t, err, "is being sealed: try again in a moment")
					s.mu.Lock()
					defer s.mu.Unlock()
					assert.Empty(t, s.deletableLocked(), "nor to make room")
				}
				return f
			}
			require.NoError(t, last.End(time.Minute, "done"))
			require.NotZero(t, tried)
			assert.Empty(t, told)
			samples, errs := readAll(session.Path())
			assert.Empty(t, errs)
			assert.Equal(t, samplesOf(0), samples)
			require.NoError(t, s.Remove(session.ID()), "and now it is")
			assert.NoFileExists(t, session.Path())
			require.NoError(t, s.Close())
		})
	}
}
