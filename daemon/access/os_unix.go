//go:build unix

package access

import (
	"errors"
	"os"
	"syscall"
)

// noFollow opens a file itself and nothing that a link of its name leads to: root opens it in a directory of somebody else.
const noFollow = syscall.O_NOFOLLOW

// lock takes the file's lock for as long as it is open, unless somebody has it.
func lock(f *os.File) (taken bool, err error) {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case errors.Is(err, syscall.EINTR):
		case errors.Is(err, syscall.EWOULDBLOCK):
			return false, nil
		default:
			return err == nil, err
		}
	}
}

// ownAs gives what root has made to the owner of a directory: the daemon is another user and has to read it. It is
// the open file that is given, since that owner may put another one in its name's place meanwhile.
func ownAs(f *os.File, dir string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	return f.Chown(int(owner.Uid), int(owner.Gid))
}

// syncDir makes new names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
