//go:build unix

package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store/export"
)

// What is no file is written to and not replaced: root would take a device away from everybody.
func TestAnExportGoesIntoAPipe(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	wideSession(t, dir, 5, func(int) int64 { return 2500 })
	_, want, _ := invoke(t, "export", "last", "--store", dir, "--out", "-")
	pipe := filepath.Join(t.TempDir(), "pipe")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	reader, err := os.OpenFile(pipe, os.O_RDWR, 0) // with a writer of its own, so that no opening waits
	require.NoError(t, err)
	defer reader.Close()
	code, _, stderr := invoke(t, "export", "last", "--store", dir, "--out", pipe)
	require.Zero(t, code, stderr)
	info, err := os.Lstat(pipe)
	require.NoError(t, err)
	require.Equal(t, fs.ModeNamedPipe, info.Mode().Type())
	got := make([]byte, 2*len(want))
	n, err := reader.Read(got)
	require.NoError(t, err)
	assert.Equal(t, want, string(got[:n]))
	assert.NoFileExists(t, pipe+export.DescriptionSuffix)
}

func TestAnExportFollowsALink(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	wideSession(t, dir, 5, func(int) int64 { return 2500 })
	_, want, _ := invoke(t, "export", "last", "--store", dir, "--out", "-")
	for _, name := range []string{"is there", "is not there yet"} {
		t.Run(name, func(t *testing.T) {
			here, there := t.TempDir(), filepath.Join(t.TempDir(), "drive.csv")
			if name == "is there" {
				require.NoError(t, os.WriteFile(there, []byte("an earlier one"), 0o644))
			}
			require.NoError(t, os.Symlink(there, filepath.Join(here, "second.csv")))
			require.NoError(t, os.Symlink("second.csv", filepath.Join(here, "first.csv")))
			code, _, stderr := invoke(t, "export", "last", "--store", dir, "--out", filepath.Join(here, "first.csv"))
			require.Zero(t, code, stderr)
			info, err := os.Lstat(there)
			require.NoError(t, err)
			assert.True(t, info.Mode().IsRegular())
			text, err := os.ReadFile(there)
			require.NoError(t, err)
			assert.Equal(t, want, string(text))
			for _, link := range []string{"first.csv", "second.csv"} {
				info, err := os.Lstat(filepath.Join(here, link))
				require.NoError(t, err)
				assert.Equal(t, fs.ModeSymlink, info.Mode().Type(), link)
			}
			assert.FileExists(t, filepath.Join(here, "first.csv"+export.DescriptionSuffix))
		})
	}
}

func TestAnExportIntoADirectoryIsRefused(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	wideSession(t, dir, 5, func(int) int64 { return 2500 })
	code, _, stderr := invoke(t, "export", "last", "--store", dir, "--out", dir)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, "is a directory: --out takes the name of a file")
}
