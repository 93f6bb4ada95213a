package store

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// The states of a session file.
const (
	Recording  = "recording"  // a process holds the file and writes to it
	Complete   = "complete"   // it was ended
	CutOff     = "cut off"    // it was not ended: the power went, or the daemon died; all that was stored is there
	Damaged    = "damaged"    // Info.Err says how
	Unreadable = "unreadable" // this process may not read it; Info.Err says why
)

// Last is the name that stands for the newest session.
const Last = "last"

// Info sums a session up. Of a session that another process records only ID, Number, State and Bytes are known, and
// of a damaged one what could be read.
type Info struct {
	ID      string        `json:"id"`
	Number  uint64        `json:"number"`
	State   string        `json:"state"`
	Meta    Meta          `json:"meta"`
	Samples uint64        `json:"samples"`
	Length  time.Duration `json:"length_ns"` // from the start of the session's clock to its end
	Bytes   int64         `json:"bytes"`     // on the medium
	Err     string        `json:"error,omitempty"`
}

// List describes every session in a store's directory, oldest first. A session that cannot be read is listed as such
// and hides no other. It is an error if there is no such directory.
func List(dir string) ([]Info, error) {
	names, err := sessionFiles(dir)
	if err != nil {
		return nil, err
	}
	infos := make([]Info, 0, len(names))
	for _, name := range names {
		info, err := describe(filepath.Join(dir, name))
		if errors.Is(err, fs.ErrNotExist) { // deleted since
			continue
		}
		infos = append(infos, info)
	}
	return infos, nil
}

// describe returns the error only for those who want to know its kind; Info has its text.
func describe(path string) (Info, error) {
	id := idOf(filepath.Base(path))
	info := Info{ID: id}
	info.Number, _ = numberOf(id)
	if f, err := os.Stat(path); err == nil {
		info.Bytes = allocated(f)
	}
	r, err := OpenReader(path)
	switch {
	case err == nil:
		defer func() { _ = r.Close() }()
		return r.Info(), nil
	case errors.Is(err, ErrRecording):
		info.State = Recording
		return info, nil
	case errors.Is(err, ErrDamaged):
		info.State = Damaged
	default:
		info.State = Unreadable
	}
	info.Err = err.Error()
	return info, err
}

// Find returns the file of the session with that name: its ID, a beginning that no other session's ID has, or Last.
// Otherwise the error is a *FindError, or says that there is no such store.
func Find(dir, name string) (path string, err error) {
	files, err := sessionFiles(dir)
	if err != nil {
		return "", err
	}
	if name == Last && len(files) > 0 {
		return filepath.Join(dir, files[len(files)-1]), nil
	}
	var matches []string
	for _, f := range files {
		id := idOf(f)
		if id == name {
			return filepath.Join(dir, f), nil
		}
		if name != "" && strings.HasPrefix(id, strings.ToLower(name)) {
			matches = append(matches, id)
		}
	}
	switch len(matches) {
	case 0:
		return "", &FindError{Dir: dir, Name: name, Err: ErrNotFound}
	case 1:
		return filepath.Join(dir, matches[0]+extension), nil
	}
	return "", &FindError{Dir: dir, Name: name, Matches: matches, Err: ErrAmbiguous}
}

// sessionFiles returns the names of a directory's session files, oldest first.
func sessionFiles(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no session store at %s: %w", dir, fs.ErrNotExist)
	}
	if err != nil {
		return nil, fmt.Errorf("read the session store %s: %w", dir, err)
	}
	var names []string
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), extension) && !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	slices.SortStableFunc(names, func(a, b string) int { // by number: names of more than five digits sort wrongly
		na, _ := numberOf(idOf(a))
		nb, _ := numberOf(idOf(b))
		return cmp.Or(cmp.Compare(na, nb), strings.Compare(a, b))
	})
	return names, nil
}
