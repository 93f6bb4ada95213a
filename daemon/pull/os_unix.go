//go:build unix

package pull

import (
	"errors"
	"os"
	"syscall"
)

// takeLock takes a directory's lock, which is there until the file is closed. The error is or wraps ErrBusy if another
// process has it. A file system without locks has nobody refused.
func takeLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	switch err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); {
	case errors.Is(err, syscall.EWOULDBLOCK):
		_ = f.Close()
		return nil, ErrBusy
	case err == nil, errors.Is(err, syscall.ENOLCK), errors.Is(err, syscall.ENOTSUP):
		return f, nil
	default:
		_ = f.Close()
		return nil, err
	}
}

// noRoom tells whether an error says that the disk, or the user's share of it, is full.
func noRoom(err error) bool { return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) }
