//go:build unix

package store

import (
	"errors"
	"os"
	"syscall"

	bolt "go.etcd.io/bbolt"
)

// lockFile takes an exclusive lock for as long as f is open, or returns ErrLocked.
func lockFile(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return ErrLocked
	}
	return err
}

// syncDir makes new names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// allocated is the room a file takes on the medium; a session file is longer than that, with holes.
func allocated(info os.FileInfo) int64 {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return int64(s.Blocks) * 512
	}
	return info.Size()
}

// publish gives an open session file its name. The file and its lock stay open, so nobody can see it unlocked.
func publish(db *bolt.DB, from, to string) (*bolt.DB, error) {
	return db, os.Rename(from, to)
}
