package store

import (
	"os"

	"golang.org/x/sys/unix"
)

// dropCache makes the kernel forget what it has in memory of a file that is on the medium, or should be: after a sync
// that failed, what is read of the file then comes from the medium.
func dropCache(path string) {
	f, err := os.Open(path)
	if err != nil {
		return
	}
	_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
	_ = f.Close()
}
