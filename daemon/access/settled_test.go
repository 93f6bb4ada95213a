package access

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A file that has long been as it is need not be read for every request. What another process revokes holds at once all the
// same, also where two changes have one time.
func TestRevocationOfAFileThatWasLongTheSame(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "access")
	k, err := Open(dir, Options{})
	require.NoError(t, err)
	first, err := k.Grant(k.Code(), "", "first")
	require.NoError(t, err)
	second, err := k.Grant(k.Code(), "", "second")
	require.NoError(t, err)
	path := filepath.Join(dir, stateFile)
	long := time.Now().Add(-time.Hour)
	require.NoError(t, os.Chtimes(path, long, long))
	for range 2 {
		_, ok := k.Check(first)
		require.True(t, ok)
	}
	at, err := os.Stat(path)
	require.NoError(t, err)
	assert.True(t, k.settledLocked(at), "it is not read again")

	other, err := Open(dir, Options{})
	require.NoError(t, err)
	p, ok := other.Check(first)
	require.True(t, ok)
	require.NoError(t, other.Revoke(p.ID))
	_, ok = k.Check(first)
	assert.False(t, ok)

	// Two changes within what a coarse file system tells apart.
	p, ok = other.Check(second)
	require.True(t, ok)
	now := time.Now().Truncate(2 * time.Second)
	require.NoError(t, os.Chtimes(path, now, now))
	_, ok = k.Check(second)
	require.True(t, ok)
	require.NoError(t, other.Revoke(p.ID))
	require.NoError(t, os.Chtimes(path, now, now))
	_, ok = k.Check(second)
	assert.False(t, ok)
}
