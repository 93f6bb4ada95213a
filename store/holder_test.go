package store

import (
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWhoHoldsAStore(t *testing.T) {
	dir := t.TempDir()
	holder := func() (int, bool) {
		pid, held, err := Holder(dir)
		require.NoError(t, err)
		return pid, held
	}
	_, held := holder()
	assert.False(t, held, "there is no store yet")
	s, err := Open(dir, Options{})
	require.NoError(t, err)
	pid, held := holder()
	assert.True(t, held)
	assert.Equal(t, os.Getpid(), pid)
	require.NoError(t, s.Close())
	_, held = holder()
	assert.False(t, held, "though the file still names it")
}

// Whoever looks has the lock for an instant, which must not keep a daemon that starts just then from its store.
func TestLookingForTheHolderKeepsNobodyOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		look, err := os.Create(filepath.Join(dir, lockName))
		require.NoError(t, err)
		require.NoError(t, lockShared(look))
		time.AfterFunc(25*time.Millisecond, func() { _ = look.Close() })
		s, err := Open(dir, Options{})
		require.NoError(t, err)
		require.NoError(t, s.Close())
	})
}
