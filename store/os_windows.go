package store

import (
	"errors"
	"os"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/sys/windows"
)

// lockFile takes an exclusive lock for as long as f is open, or returns ErrLocked. The locked byte lies far behind
// the text, which stays readable.
func lockFile(f *os.File) error {
	return lock(f, windows.LOCKFILE_EXCLUSIVE_LOCK, ErrLocked)
}

// lockShared takes a lock that any number of readers may have beside each other, and no writer.
func lockShared(f *os.File) error { return lock(f, 0, ErrRecording) }

func lock(f *os.File, how uint32, taken error) error {
	const last = 1<<32 - 1
	err := windows.LockFileEx(windows.Handle(f.Fd()), how|windows.LOCKFILE_FAIL_IMMEDIATELY,
		0, 1, 0, &windows.Overlapped{Offset: last, OffsetHigh: last})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return taken
	}
	return err
}

func noQuota(error) bool { return false }

// freeBytes is what an ordinary process may still take of the file system.
func freeBytes(dir string) (int64, error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, err
	}
	var free uint64
	err = windows.GetDiskFreeSpaceEx(name, &free, nil, nil)
	return int64(free), err
}

// syncDir does nothing: a directory cannot be synced here.
func syncDir(string) error { return nil }

const noFollow = 0

// ownAs does nothing: files belong to whoever the directory's inherited rights name.
func ownAs(*os.File, string) {}

func allocated(info os.FileInfo) int64 { return info.Size() }

// publish gives a session file its name; an open file cannot be renamed here.
func publish(db *bolt.DB, from, to string) (*bolt.DB, error) {
	if err := db.Close(); err != nil {
		return nil, err
	}
	if err := os.Rename(from, to); err != nil {
		return nil, err
	}
	return openFile(to)
}
