package pull

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// takeLock takes a directory's lock, which is there until the file is closed. The error is or wraps ErrBusy if another
// process has it.
func takeLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &windows.Overlapped{})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		err = ErrBusy
	}
	if err != nil {
		_ = f.Close()
		return nil, err
	}
	return f, nil
}

// noRoom tells whether an error says that the disk is full.
func noRoom(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}
