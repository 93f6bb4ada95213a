package store

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// What is made in a store belongs to the owner of its directory, whoever makes it: a command that root runs must leave
// nothing behind that the daemon cannot write.

// openOrMake opens a file of a store and makes it if need be. What is there already may be anything: it is not given to
// anybody.
func openOrMake(path string, flag int, mode fs.FileMode) (*os.File, error) {
	f, err := makeNew(path, flag, mode)
	if errors.Is(err, fs.ErrExist) {
		return os.OpenFile(path, flag&^os.O_CREATE, mode)
	}
	return f, err
}

// makeFile makes a file to write to, in place of any that has its name.
func makeFile(path string) (*os.File, error) {
	if err := ignoreMissing(os.Remove(path)); err != nil {
		return nil, err
	}
	return makeNew(path, os.O_WRONLY, 0o644)
}

func makeNew(path string, flag int, mode fs.FileMode) (*os.File, error) {
	f, err := os.OpenFile(path, flag|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return nil, err
	}
	ownAs(f, filepath.Dir(path))
	return f, nil
}

// makeDir makes a directory, and those above it, unless it is there.
func makeDir(path string) error {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil
	}
	if err := os.MkdirAll(path, 0o755); err != nil {
		return err
	}
	if d, err := os.OpenFile(path, os.O_RDONLY|noFollow, 0); err == nil {
		ownAs(d, filepath.Dir(path))
		return d.Close()
	}
	return nil
}
