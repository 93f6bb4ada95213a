//go:build unix

package iio

import (
	"errors"
	"os"
	"syscall"
)

// readStart reads from the file's start with one pread. (*os.File).ReadAt makes two, for it reads on until the end of the file.
func readStart(_ *os.File, fd uintptr, b []byte) (int, error) {
	for {
		n, err := syscall.Pread(int(fd), b, 0)
		if !errors.Is(err, syscall.EINTR) {
			return max(n, 0), err
		}
	}
}
