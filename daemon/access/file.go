package access

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// The files in the directory.
const (
	stateFile       = "access.json"
	certificateFile = "certificate.pem" // with its key
	lockFile        = "access.lock"
)

// lockWait is how long another process may hold the lock, which it needs for a write only.
const lockWait = 5 * time.Second

// lockPause is how long is waited before it is asked for the lock again: short, since whoever asks seldom has no turn beside
// those who ask often.
const lockPause = 2 * time.Millisecond

// stateFormat is the version of the state's file.
const stateFormat = 1

// state is what the file holds. One that was read is never changed.
type state struct {
	Code   string    `json:"code"`
	Made   time.Time `json:"made"` // the code
	Passes []kept    `json:"passes"`
}

// kept is a pass and what tells its holder.
type kept struct {
	Pass
	SHA256 digest `json:"sha256"` // of the cookie or token
}

type digest [32]byte

// MarshalText gives hexadecimal digits.
func (d digest) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, d[:]), nil }

// UnmarshalText takes what MarshalText gives.
func (d *digest) UnmarshalText(text []byte) error {
	if n, err := hex.Decode(d[:], text[:min(len(text), 2*len(d))]); err != nil || n != len(d) || len(text) != 2*n {
		return errors.New("no SHA-256")
	}
	return nil
}

// stateText is the file's content: the state as it was written and its CRC-32C, since a card that loses its power may keep half
// of a file.
type stateText struct {
	Format int             `json:"format"`
	Sum    string          `json:"crc32c"`
	Access json.RawMessage `json:"access"`
}

func checksum(text []byte) string {
	return fmt.Sprintf("%08x", crc32.Checksum(text, crc32.MakeTable(crc32.Castagnoli)))
}

func (s *state) encode() ([]byte, error) {
	text, err := json.Marshal(s)
	if err != nil {
		return nil, err
	}
	text, err = json.Marshal(stateText{stateFormat, checksum(text), text})
	return append(text, '\n'), err
}

func decodeState(text []byte) (*state, error) {
	var t stateText
	if err := json.Unmarshal(text, &t); err != nil {
		return nil, errors.New("it is no JSON")
	}
	if t.Format > stateFormat {
		return nil, fmt.Errorf("it is of format %d, which this program does not know", t.Format)
	}
	var compact bytes.Buffer
	if t.Format < 1 || json.Compact(&compact, t.Access) != nil || checksum(compact.Bytes()) != t.Sum {
		return nil, errors.New("its checksum is wrong")
	}
	var s state
	if err := json.Unmarshal(t.Access, &s); err != nil {
		return nil, err
	}
	if !validCode(s.Code) {
		return nil, errors.New("its access code is none")
	}
	for _, p := range s.Passes {
		if p.ID == "" || p.Kind != Browser && p.Kind != Program || p.SHA256 == (digest{}) {
			return nil, errors.New("a pass in it is none")
		}
	}
	return &s, nil
}

// readState reads the file. The error wraps fs.ErrNotExist or ErrDamaged.
func readState(dir string) (*state, error) {
	path := filepath.Join(dir, stateFile)
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	s, err := decodeState(text)
	if err != nil {
		return nil, fmt.Errorf("%s is %w (%w), so nobody is let in: remove it, and a new access code is made, with which everybody comes in anew",
			path, ErrDamaged, err)
	}
	return s, nil
}

// makeDir makes the directory for nobody but its owner.
func makeDir(dir string) error {
	err := os.Mkdir(dir, 0o700)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("make the directory of who may come in: %w; the store has to be there before it", err)
	}
	if err == nil {
		d, err := os.OpenFile(dir, os.O_RDONLY|noFollow, 0)
		if err != nil {
			return err
		}
		return errors.Join(ownAs(d, filepath.Dir(dir)), d.Close())
	}
	if !errors.Is(err, fs.ErrExist) {
		return err
	}
	return tighten(dir, 0o700)
}

// tighten takes from others what they have no business with, in a tree that was copied for instance.
func tighten(path string, mode fs.FileMode) error {
	info, err := os.Lstat(path)
	if err != nil {
		return err
	}
	if info.Mode().Perm()&^mode == 0 || info.Mode()&fs.ModeSymlink != 0 {
		return nil
	}
	return os.Chmod(path, mode)
}

// locked calls f while no other process, and nobody else in this one, changes the directory's files.
func locked(dir string, wait time.Duration, f func() error) (err error) {
	l, err := openLock(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	for waited := time.Duration(0); ; waited += lockPause {
		taken, err := lock(l)
		switch {
		case err != nil:
			return fmt.Errorf("lock %s: %w", l.Name(), err)
		case taken:
			return f()
		case waited >= wait:
			return errLocked
		}
		time.Sleep(lockPause)
	}
}

var errLocked = fmt.Errorf("another program has been changing the same files for more than %v: look for one that hangs", lockWait)

// openLock opens the lock's file and makes it if need be. What is there already may be anything: it is not given to anybody.
func openLock(dir string) (*os.File, error) {
	path := filepath.Join(dir, lockFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return os.OpenFile(path, os.O_RDWR|noFollow, 0)
	}
	if err != nil {
		return nil, err
	}
	if err := ownAs(f, dir); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// replace writes a file as a whole: a power cut leaves the old one or the new one. The directory must be locked.
func replace(dir, name string, text []byte) (err error) {
	path := filepath.Join(dir, name)
	next := path + ".new"
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) { // an earlier one that did not get through
		return err
	}
	f, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	err = errors.Join(err, ownAs(f, dir), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(next, path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(next))
	}
	return syncDir(dir)
}

// clone is a copy that may be changed.
func (s *state) clone() *state {
	c := *s
	c.Passes = slices.Clone(s.Passes)
	return &c
}
