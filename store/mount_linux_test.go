package store_test

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// mountSmall mounts a file system in memory of so many bytes.
func mountSmall(dir string, bytes int) error {
	return unix.Mount("underdash-test", dir, "tmpfs", 0, fmt.Sprintf("size=%d", bytes))
}

func unmount(dir string) error { return unix.Unmount(dir, 0) }
