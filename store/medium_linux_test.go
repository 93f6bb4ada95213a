package store_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// onMedium tells how many bytes reach the medium while f works in a directory.
func onMedium(t *testing.T, f func(dir string)) (bytes float64, how string) {
	t.Helper()
	if dir, device, unmount := ownFileSystem(t); unmount != nil {
		defer unmount()
		syscall.Sync()
		before := sectors(t, device)
		f(dir)
		syscall.Sync()
		return float64(sectors(t, device)-before) * 512, "by the device's account, ext4"
	}
	before := processWrote(t)
	f(diskDir(t))
	syscall.Sync()
	return float64(processWrote(t) - before), "by this process's account, without the file system's journal"
}

// ownFileSystem mounts an ext4 on a file. unmount is nil where that is not permitted, or its tools are missing.
func ownFileSystem(t *testing.T) (dir, device string, unmount func()) {
	t.Helper()
	image, dir := filepath.Join(diskDir(t), "image"), t.TempDir()
	require.NoError(t, os.WriteFile(image, nil, 0o600))
	require.NoError(t, os.Truncate(image, 512<<20))
	run := func(name string, args ...string) (string, bool) {
		out, err := exec.Command(name, args...).Output()
		return strings.TrimSpace(string(out)), err == nil
	}
	if _, ok := run("mkfs.ext4", "-q", image); !ok {
		return "", "", nil
	}
	device, ok := run("losetup", "--find", "--show", image)
	if !ok {
		return "", "", nil
	}
	if _, ok := run("mount", device, dir); !ok {
		_, _ = run("losetup", "-d", device)
		return "", "", nil
	}
	return dir, filepath.Base(device), func() {
		_, ok := run("umount", dir)
		require.True(t, ok)
		_, _ = run("losetup", "-d", device)
	}
}

// sectors is how many of 512 bytes were written to a block device (Documentation/ABI/stable/sysfs-block).
func sectors(t *testing.T, device string) (n uint64) {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/sys/block/%s/stat", device))
	require.NoError(t, err)
	n, err = strconv.ParseUint(strings.Fields(string(text))[6], 10, 64)
	require.NoError(t, err)
	return n
}

func processWrote(t *testing.T) (n uint64) {
	t.Helper()
	text, err := os.ReadFile("/proc/self/io")
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(line, "write_bytes: "); ok {
			n, err = strconv.ParseUint(strings.TrimSpace(v), 10, 64)
			require.NoError(t, err)
		}
	}
	return n
}
