package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
)

const (
	lockName    = ".lock"
	counterName = "counter"
)

// Store is the writer of a directory. It is safe for concurrent use.
type Store struct {
	dir  string
	o    Options
	lock *os.File

	mu      sync.Mutex // guards what follows
	number  uint64     // the highest ever given out
	current *Session
	closed  bool
}

// Open makes the directory if needed and takes it for this process to write. If another process has it, the error
// wraps ErrLocked. Files that a crash left half made, and that hold no reading, are removed.
func Open(dir string, o Options) (*Store, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("make the store's directory: %w", err)
	}
	lock, err := takeLock(dir)
	if err != nil {
		return nil, fmt.Errorf("open the store %s: %w", dir, err)
	}
	s := &Store{dir: dir, o: o.withDefaults(), lock: lock}
	if s.number, err = sweep(dir); err != nil {
		_ = lock.Close()
		return nil, fmt.Errorf("open the store %s: %w", dir, err)
	}
	return s, nil
}

func takeLock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	if err := lockFile(f); err != nil {
		holder, _ := io.ReadAll(io.LimitReader(f, 20))
		_ = f.Close()
		if errors.Is(err, ErrLocked) {
			return nil, fmt.Errorf("%w (process %s): stop that one first, or use another directory", err, holder)
		}
		return nil, fmt.Errorf("lock it: %w", err)
	}
	// Who holds it is only there to be read by a person, so failing to write it is no failure.
	_ = f.Truncate(0)
	_, _ = f.WriteAt(strconv.AppendInt(nil, int64(os.Getpid()), 10), 0)
	return f, nil
}

// sweep removes half-made files and returns the highest session number known. The counter's file outlives deleted
// sessions, so no number is given twice; without it the directory's highest number has to do.
func sweep(dir string) (uint64, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, err
	}
	var highest uint64
	for _, e := range entries {
		name := e.Name()
		if strings.HasSuffix(name, newExtension) {
			if err := os.Remove(filepath.Join(dir, name)); err != nil {
				return 0, err
			}
		}
		if n, ok := numberOf(idOf(name)); ok {
			highest = max(highest, n)
		}
	}
	text, _ := os.ReadFile(filepath.Join(dir, counterName))
	if n, err := strconv.ParseUint(strings.TrimSpace(string(text)), 10, 64); err == nil {
		highest = max(highest, n)
	}
	return highest, nil
}

func writeCounter(dir string, n uint64) (err error) {
	path := filepath.Join(dir, counterName)
	f, err := os.Create(path + ".new")
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(f, n)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(path+".new", path) // made durable with the session's own name
}

// Dir is the store's directory.
func (s *Store) Dir() string { return s.dir }

// Begin makes a session and its file. It gives Format, ID and Number; m's are ignored, and so is its End. A session
// that is still being recorded gives ErrBusy, a lack of room ErrFull; after an error there is no trace and Begin may
// be called again.
func (s *Store) Begin(m Meta) (*Session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil, fmt.Errorf("begin a session: %w", os.ErrClosed)
	}
	if s.current != nil && !s.current.done() {
		return nil, fmt.Errorf("begin a session: %w, %s", ErrBusy, s.current.ID())
	}
	m.Format, m.End = Format, nil
	m, err := m.clone()
	if err != nil {
		return nil, fmt.Errorf("begin a session: %w", err)
	}
	m.Number = s.number + 1
	m.ID = newID(m.Number)
	session, err := create(s.dir, m)
	if err != nil {
		return nil, fmt.Errorf("begin session %s: %w", m.ID, room(err))
	}
	s.number++
	s.current = session
	return session, nil
}

// Close gives the directory back. A session that has not ended is left as it is: with all that was appended, and
// "cut off" to those who list it.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	var err error
	if s.current != nil {
		err = s.current.abandon()
	}
	return errors.Join(err, s.lock.Close())
}
