//go:build unix

package store

import (
	"errors"
	"os"
	"syscall"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/sys/unix"
)

// lockFile takes an exclusive lock for as long as f is open, or returns ErrLocked.
func lockFile(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return ErrLocked
	}
	return err
}

// lockShared takes a lock that any number of readers may have beside each other, and no writer. A file system
// without locks has no writer that would hold one.
func lockShared(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB)
	switch {
	case errors.Is(err, syscall.EWOULDBLOCK):
		return ErrRecording
	case errors.Is(err, syscall.ENOLCK), errors.Is(err, syscall.ENOTSUP):
		return nil
	}
	return err
}

// noQuota says whether an error is about a share of the file system that is used up.
func noQuota(err error) bool { return errors.Is(err, syscall.EDQUOT) }

// freeBytes is what an ordinary process may still take of the file system.
func freeBytes(dir string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}

// syncDir makes new names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// noFollow opens a file or directory itself and nothing that a link of its name leads to.
const noFollow = syscall.O_NOFOLLOW

// ownAs gives what root has made to the owner of a directory: the daemon is another user and has to write it. It is the
// open file that is given, since that owner may put another one in its name's place meanwhile. On a file system, or in a
// container, where nothing can be given away it stays root's, which is no reason to go without it.
func ownAs(f *os.File, dir string) {
	if os.Geteuid() != 0 {
		return
	}
	info, err := os.Stat(dir)
	if err != nil {
		return
	}
	if owner, ok := info.Sys().(*syscall.Stat_t); ok {
		_ = f.Chown(int(owner.Uid), int(owner.Gid))
	}
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
