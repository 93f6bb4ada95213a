package store

import (
	"math"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"
)

// What the store does with a file that it must not believe any more, by what happened to it meanwhile.
func TestAFileIsOpenedAnewAfterTheMediumFailed(t *testing.T) {
	const blocks = 60 // more than memory keeps
	for _, row := range []struct {
		name  string
		harm  func(t *testing.T, s *Session)
		lost  uint64 // blocks at most; those that memory keeps never are
		aside bool
		says  string
	}{
		{"nothing came to harm", func(*testing.T, *Session) {}, 0, false, "nothing was lost"},
		{"the last commit is not there", func(t *testing.T, s *Session) { // as on a medium that lied
			overwrite(t, s.path, newestMeta(t, s.path)*4096, make([]byte, 4096))
		}, 0, false, "1 blocks that it had lost were written again; nothing was lost"},
		{"the last blocks are not there", func(t *testing.T, s *Session) {
			db := s.detach()
			require.NoError(t, db.Close())
			change(t, s.path, func(tx *bolt.Tx) error {
				for i := range uint64(5) {
					if err := tx.Bucket(blocksBucket).Delete(key(blocks - 1 - i)); err != nil {
						return err
					}
				}
				return nil
			})
		}, 0, false, "5 blocks that it had lost were written again; nothing was lost"},
		{"some pages are gone", func(t *testing.T, s *Session) { overwrite(t, s.path, 6*4096, make([]byte, 8*4096)) }, blocks + 1 - recentBlocks, true, "the file was opened anew"},
		{"the first pages are gone", func(t *testing.T, s *Session) { overwrite(t, s.path, 0, make([]byte, 8192)) }, 0, true, "nothing was lost"},
		{"the first pages cannot be read", func(t *testing.T, s *Session) { cannotRead(t, s.path, 0, 8192) }, 0, true, "nothing was lost"},
		{"everything is gone", func(t *testing.T, s *Session) { require.NoError(t, os.Truncate(s.path, 0)) }, blocks + 1 - recentBlocks, true, "lost: blocks 0 to 24"},
	} {
		t.Run(row.name, func(t *testing.T) {
			var told []Notice
			st, err := Open(t.TempDir(), Options{Told: func(n Notice) { told = append(told, n) }})
			require.NoError(t, err)
			s, err := st.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
			require.NoError(t, err)
			for i := range blocks {
				require.NoError(t, s.Append(samplesOf(i)))
			}
			require.NoError(t, s.Update(func(m *Meta) { m.Vehicle = "the grey van" }))
			require.NoError(t, s.Append(samplesOf(blocks)))
			row.harm(t, s)
			s.commit.Lock()
			s.dead = syscall.EIO
			s.commit.Unlock()
			require.NoError(t, s.Append(samplesOf(blocks+1)))
			require.Len(t, told, 1)
			assert.Equal(t, Mended, told[0].Kind)
			assert.Contains(t, told[0].Text, "the medium failed (input/output error)")
			assert.Contains(t, told[0].Text, row.says)
			require.NoError(t, s.Update(func(m *Meta) { m.Events = nil }), "the store's own note stays")
			require.NoError(t, s.Append(samplesOf(blocks+2)))
			require.NoError(t, s.End(time.Hour, "done"))
			require.NoError(t, st.Close())

			report, err := Check(s.path)
			require.NoError(t, err)
			assert.Empty(t, report.Faults)
			assert.LessOrEqual(t, lostBlocks(report.Lost), row.lost)
			samples, errs := readAll(s.path)
			assert.Len(t, errs, len(report.Lost))
			lost := make(map[uint64]bool)
			for _, l := range report.Lost {
				for i := l.First; i <= l.Last; i++ {
					lost[i] = true
				}
			}
			var want []Sample
			for i := range blocks + 3 {
				if !lost[uint64(i)] {
					want = append(want, samplesOf(i)...)
				}
			}
			require.Equal(t, len(want), len(samples))
			assert.Equal(t, want, samples)
			a, err := openAtRest(s.path)
			require.NoError(t, err)
			assert.Equal(t, "the grey van", a.meta.Vehicle)
			require.Len(t, a.meta.Events, 1)
			assert.Equal(t, told[0].Text, a.meta.Events[0].Text)
			require.NoError(t, a.close())
			_, err = os.Stat(filepath.Join(st.dir, asideName, filepath.Base(s.path)))
			assert.Equal(t, row.aside, err == nil)
		})
	}
}

// As long as the medium fails, so do the calls; the session takes up where it was as soon as it works again.
func TestAMediumThatStaysAway(t *testing.T) {
	st, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	s, err := st.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
	require.NoError(t, err)
	require.NoError(t, s.Append(samplesOf(0)))
	away := s.path + ".away"
	require.NoError(t, os.Rename(s.path, away))
	s.dead = syscall.EIO
	for range 3 {
		err := s.Append(samplesOf(1))
		require.ErrorIs(t, err, syscall.EIO)
		require.ErrorIs(t, err, os.ErrNotExist)
		require.Error(t, s.Update(func(*Meta) {}))
		require.Error(t, s.End(0, ""))
		for _, err := range s.Reader().Samples() {
			require.ErrorIs(t, err, os.ErrClosed)
		}
	}
	require.NoError(t, os.Rename(away, s.path))
	require.NoError(t, s.Append(samplesOf(1)))
	require.NoError(t, s.End(time.Minute, "done"))
	require.NoError(t, st.Close())
	samples, errs := readAll(s.path)
	assert.Empty(t, errs)
	assert.Equal(t, append(samplesOf(0), samplesOf(1)...), samples)
}

func TestMemoryOfLateBlocksIsBounded(t *testing.T) {
	s := &Session{}
	for i := range uint64(100) {
		s.remember([]recent{{i, make([]byte, 10)}})
	}
	require.Len(t, s.recent, recentBlocks)
	assert.Equal(t, uint64(100-recentBlocks), s.recent[0].sequence)
	s.remember([]recent{{100, make([]byte, recentBytes)}})
	assert.Len(t, s.recent, 1)
	s.remember([]recent{{101, make([]byte, recentBytes+1)}})
	assert.Empty(t, s.recent)
}

// A file that its own process could not let go of counts, and is sealed when another session ends.
func TestASessionWhoseFileStaysLocked(t *testing.T) {
	st, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	s, err := st.Begin(Meta{})
	require.NoError(t, err)
	db := s.detach() // closing it does nothing now
	s.mu.Lock()
	s.ended = true
	s.mu.Unlock()
	st.settle(filepath.Base(s.path), nil)
	room, err := st.Room()
	require.NoError(t, err)
	assert.Positive(t, room.Used)
	require.NoError(t, db.Close())
	next, err := st.Begin(Meta{})
	require.NoError(t, err)
	require.NoError(t, next.End(0, ""))
	infos, err := st.List()
	require.NoError(t, err)
	require.Len(t, infos, 2)
	assert.NotEmpty(t, infos[0].SHA256)
	require.NoError(t, st.Close())
}

// A reader waits while the file is opened anew, and goes on.
func TestReadingWhileTheFileIsOpenedAnew(t *testing.T) {
	st, err := Open(t.TempDir(), Options{})
	require.NoError(t, err)
	s, err := st.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
	require.NoError(t, err)
	for i := range 3 {
		require.NoError(t, s.Append(samplesOf(i)))
	}
	var wg sync.WaitGroup
	read := 0
	for _, err := range s.Reader().Samples() {
		require.NoError(t, err)
		if read++; read == 200 { // the first block's last
			s.commit.Lock()
			require.NoError(t, s.detach().Close())
			wg.Go(func() {
				defer s.commit.Unlock()
				assert.NoError(t, s.reopen())
			})
		}
	}
	wg.Wait()
	assert.Equal(t, 600, read)
	require.NoError(t, s.End(time.Minute, ""))
	require.NoError(t, st.Close())
}

// What was lost is told although the file that was made of the rest had to be opened anew itself before that was
// stored. A description that cannot be encoded stands for a medium that fails again at that moment.
func TestMendingTwiceTellsWhatTheFirstTimeCost(t *testing.T) {
	var told []Notice
	st, err := Open(t.TempDir(), Options{Told: func(n Notice) { told = append(told, n) }})
	require.NoError(t, err)
	s, err := st.Begin(Meta{Channels: []Channel{{Name: "a"}, {Name: "b"}}})
	require.NoError(t, err)
	for i := range 60 {
		require.NoError(t, s.Append(samplesOf(i)))
	}
	require.NoError(t, os.Truncate(s.path, 0))
	s.dead = syscall.EIO
	s.meta.Fuel.AFRst = math.NaN()
	require.Error(t, s.Append(samplesOf(60)))
	assert.Empty(t, told)
	s.meta.Fuel.AFRst = 0
	require.NoError(t, s.Append(samplesOf(60)))
	require.Len(t, told, 1)
	assert.Contains(t, told[0].Text, "lost: blocks 0 to 23")
	require.NoError(t, s.End(time.Hour, "done"))
	require.NoError(t, st.Close())
}

func TestLostRangesAreCounted(t *testing.T) {
	for n, ends := range map[int]string{1: "", 2: " (and 1 more range)", 3: " (and 2 more ranges)"} {
		lost := make([]Loss, n)
		assert.Equal(t, "lost: "+lost[0].String()+ends, lostText(lost))
	}
}
