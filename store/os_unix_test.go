//go:build unix

package store_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
)

// Root changes a store by commands, and the daemon, which is another user, goes on writing it.
func TestWhatRootMakesInAStoreIsItsOwners(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root makes files for others")
	}
	const owner = 65534
	other := storetest.Open(t)
	elsewhere := storetest.Session(t, other, car(), someBlocks(3)...)
	state := t.TempDir()
	require.NoError(t, os.Chown(state, owner, owner))
	dir := filepath.Join(state, "sessions") // made by root, too

	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	path := storetest.Session(t, s, car(), someBlocks(3)...)
	cut, err := s.Begin(car())
	require.NoError(t, err)
	require.NoError(t, cut.Append(someBlocks(1)[0]))
	require.NoError(t, s.Mark(store.IDOf(path), store.Pinned, true))
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "b7", UTC: time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC), Source: store.ByReference}))
	_, added, err := s.Add(elsewhere)
	require.NoError(t, err)
	require.True(t, added)
	require.NoError(t, store.ApplyCalibration(dir, store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 1}}, time.Now()))
	require.NoError(t, s.Close())

	// The next to open it seals what was cut off, and replaces what is damaged.
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.NoError(t, os.Truncate(path, info.Size()/2))
	s, err = store.Open(dir, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	seen := map[string]bool{}
	require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		require.NoError(t, err)
		info, err := e.Info()
		require.NoError(t, err)
		of, ok := info.Sys().(*syscall.Stat_t)
		require.True(t, ok)
		assert.Equal(t, []uint32{owner, owner}, []uint32{of.Uid, of.Gid}, path)
		seen[e.Name()] = true
		return nil
	}))
	for _, name := range []string{"sessions", ".lock", "counter", "origin", "marks", "anchors", "index.recent", "calibrations.json",
		"calibrations.json.lock", "damaged", filepath.Base(path), filepath.Base(cut.Path()), filepath.Base(elsewhere)} {
		assert.True(t, seen[name], name)
	}
}

// The directory is the daemon's. What it may put there must not have root write to, or give away, a file elsewhere.
func TestLinksInAStoreLeadRootNowhere(t *testing.T) {
	elsewhere := filepath.Join(t.TempDir(), "elsewhere")
	require.NoError(t, os.WriteFile(elsewhere, []byte("untouched"), 0o644))
	s := storetest.Open(t)
	require.NoError(t, os.Symlink(elsewhere, filepath.Join(s.Dir(), "counter.new")))
	storetest.Session(t, s, car(), someBlocks(3)...)
	text, err := os.ReadFile(elsewhere)
	require.NoError(t, err)
	assert.Equal(t, "untouched", string(text))
}
