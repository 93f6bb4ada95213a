//go:build !unix

package iio

import (
	"errors"
	"io"
	"os"
)

// readStart reads from the file's start.
func readStart(f *os.File, _ uintptr, b []byte) (int, error) {
	n, err := f.ReadAt(b, 0)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}
