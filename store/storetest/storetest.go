// Package storetest gives tests throwaway stores that are checked, page by page and block by block, when the test ends.
package storetest

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"underdash/store"
)

// Open opens a store in a folder of its own. When the test ends it is closed, if it is not yet, and Check looks at it.
func Open(t testing.TB) *store.Store {
	t.Helper()
	return OpenDir(t, filepath.Join(t.TempDir(), "sessions"))
}

// OpenDir does the same in the given directory.
func OpenDir(t testing.TB, dir string) *store.Store {
	t.Helper()
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, s.Close())
		Check(t, dir)
	})
	return s
}

// Session records one whole session, a block for each of the given slices, and returns its file.
func Session(t testing.TB, s *store.Store, m store.Meta, blocks ...[]store.Sample) string {
	t.Helper()
	session, err := s.Begin(m)
	require.NoError(t, err)
	var last time.Duration
	for _, b := range blocks {
		require.NoError(t, session.Append(b))
		for _, x := range b {
			last = max(last, x.At)
		}
	}
	require.NoError(t, session.End(last, "the test ends it"))
	return session.Path()
}

// Check fails the test unless every session file in dir is sound: bbolt finds its pages consistent, and store.Check
// everything else. None may be open for writing.
func Check(t testing.TB, dir string) {
	t.Helper()
	infos, err := store.List(dir)
	require.NoError(t, err)
	for _, info := range infos {
		path := filepath.Join(dir, info.File)
		if !assert.Contains(t, []string{store.Complete, store.CutOff}, info.State, "session %s: %s", info.ID, info.Err) {
			continue
		}
		report, err := store.Check(path)
		if !assert.NoError(t, err) || !assert.True(t, report.Sound(), "session %s: %+v", info.ID, report) {
			continue
		}
		checkPages(t, path)
		assert.Equal(t, info.Samples, report.Readings, "session %s: readings counted and read", info.ID)
	}
	left, err := filepath.Glob(filepath.Join(dir, "*.new"))
	require.NoError(t, err)
	assert.Empty(t, left, "half-made files")
}

// checkPages lets bbolt look at its own pages.
func checkPages(t testing.TB, path string) {
	t.Helper()
	db, err := bolt.Open(path, 0, &bolt.Options{ReadOnly: true, PreLoadFreelist: true, Timeout: time.Second, OpenFile: openExisting})
	require.NoError(t, err)
	defer func() { assert.NoError(t, db.Close()) }()
	err = db.View(func(tx *bolt.Tx) error {
		for err := range tx.Check() {
			assert.NoError(t, err, "%s", path)
		}
		return nil
	})
	require.NoError(t, err)
}

func openExisting(name string, _ int, _ os.FileMode) (*os.File, error) { return os.Open(name) }
