package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
)

// Add takes a copy of a session file into the store, and says under which ID. Each session is taken once: added is
// false if the store has it already. A file that was not sealed is sealed on the way. A damaged one is refused with
// ErrDamaged: it is salvaged first.
//
// What is known of the date of its boot comes along, also for a session that the store has already.
//
// Sessions of different stores may have the same ID, though that is rare. A session whose ID the store has given to
// another one gets an ID with the beginning of its digest behind.
func (s *Store) Add(path string) (id string, added bool, err error) {
	report, err := Check(path)
	if err == nil && len(report.Faults) > 0 {
		err = fmt.Errorf("%w: %s: salvage it first, with 'store salvage'", ErrDamaged, report.Faults[0])
	}
	if err != nil {
		return "", false, fmt.Errorf("add %s: %w", path, err)
	}
	a, err := openAtRest(path)
	if a == nil || err != nil {
		return "", false, fmt.Errorf("add %s: %w", path, err)
	}
	defer func() { _ = a.close() }()
	if !idPattern.MatchString(a.meta.ID) {
		return "", false, fmt.Errorf("add %s: %w: %q is no session's ID", path, ErrDamaged, a.meta.ID)
	}
	s.adding.Lock()
	defer s.adding.Unlock()
	unborn := filepath.Join(s.dir, a.meta.ID+extension+newSuffix)
	sum, err := a.copySealed(unborn)
	if err != nil {
		return "", false, fmt.Errorf("add %s: %w", path, room(err))
	}
	id, added, err = s.adopt(unborn, a.meta.ID, sum)
	if err != nil || !added {
		err = errors.Join(err, ignoreMissing(os.Remove(unborn)))
	}
	if err != nil {
		return "", false, fmt.Errorf("add %s: %w", path, err)
	}
	if added {
		s.index(id+extension, true)
	}
	// Of a session that is there already the time may have become known since.
	if err := s.addAnchors(Anchors(filepath.Dir(path)), a.meta.BootID); err != nil {
		return id, added, fmt.Errorf("add %s: %w", path, err)
	}
	return id, added, nil
}

// addAnchors keeps what another store knows of a boot: it may be all that dates the session.
func (s *Store) addAnchors(theirs []BootAnchor, boot string) error {
	ours := Anchors(s.dir)
	for _, a := range theirs {
		if a.BootID == boot && boot != "" && !slices.Contains(ours, a) {
			if err := s.AddAnchor(a); err != nil {
				return err
			}
		}
	}
	return nil
}

// copySealed writes the session's sealed form to a new file and returns its digest.
func (a *atRest) copySealed(to string) (sum string, err error) {
	if a.seal == nil {
		text, pieces, err := a.salvage()
		if err != nil {
			return "", err
		}
		seal, err := writeSealed(to, text, pieces, notSalvaged)
		return seal.SHA256, err
	}
	if err := copyFile(a.path, to); err != nil {
		return "", err
	}
	return a.seal.SHA256, os.Chmod(to, 0o444)
}

// adopt gives a sealed file its place in the store, unless the store has the session.
func (s *Store) adopt(unborn, id, sum string) (as string, added bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return "", false, os.ErrClosed
	}
	for name, f := range s.files {
		if f.sha256 == sum {
			return idOf(name), false, nil
		}
	}
	if err := notThere(filepath.Join(s.dir, id+extension)); err != nil {
		id += "-" + sum[:8]
	}
	if !idPattern.MatchString(id) { // it had a digest behind already
		return "", false, fmt.Errorf("%w: %q is no session's ID", ErrDamaged, id)
	}
	path := filepath.Join(s.dir, id+extension)
	if err := os.Rename(unborn, path); err != nil {
		return "", false, err
	}
	n, _ := numberOf(id)
	s.number = max(s.number, n)
	s.files[filepath.Base(path)] = stored{number: n, sha256: sum}
	return id, true, syncDir(s.dir)
}

// notThere is an error if there is a file of that name.
func notThere(path string) error {
	switch _, err := os.Lstat(path); {
	case err == nil:
		return fmt.Errorf("%s: %w: name another file", path, fs.ErrExist)
	case errors.Is(err, fs.ErrNotExist):
		return nil
	default:
		return err
	}
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
