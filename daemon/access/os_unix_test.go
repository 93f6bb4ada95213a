//go:build unix

package access

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Root changes the code with the command, and the daemon, which is another user, goes on reading it.
func TestWhatRootMakesIsTheDaemons(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root makes files for others")
	}
	const daemon = 12345
	store := t.TempDir()
	require.NoError(t, os.Chown(store, daemon, daemon))
	dir := filepath.Join(store, "access")
	k, err := Open(dir, Options{})
	require.NoError(t, err)
	_, err = k.NewCode()
	require.NoError(t, err)
	_, err = Certificate(dir, nil, time.Now())
	require.NoError(t, err)
	for _, name := range []string{"", stateFile, certificateFile, lockFile} {
		info, err := os.Stat(filepath.Join(dir, name))
		require.NoError(t, err)
		owner, ok := info.Sys().(*syscall.Stat_t)
		require.True(t, ok)
		assert.Equal(t, uint32(daemon), owner.Uid, name)
		assert.Equal(t, uint32(daemon), owner.Gid, name)
	}
}

// The directory is the daemon's. What it may put there must not have root write to, or give away, a file elsewhere.
func TestLinksLeadRootNowhere(t *testing.T) {
	elsewhere := filepath.Join(t.TempDir(), "elsewhere")
	require.NoError(t, os.WriteFile(elsewhere, []byte("untouched"), 0o644))
	for _, name := range []string{lockFile, stateFile + ".new"} {
		dir := newDir(t)
		require.NoError(t, os.Mkdir(dir, 0o700))
		require.NoError(t, os.Symlink(elsewhere, filepath.Join(dir, name)))
		_, err := Open(dir, Options{})
		if name == lockFile {
			require.Error(t, err)
		} else {
			require.NoError(t, err)
		}
		text, err := os.ReadFile(elsewhere)
		require.NoError(t, err)
		assert.Equal(t, "untouched", string(text))
		info, err := os.Stat(elsewhere)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o644), info.Mode().Perm())
	}
}
