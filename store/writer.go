package store

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	lockName    = ".lock"
	counterName = "counter"
	originName  = "origin" // of the file with the store's own name
)

// Store is the writer of a directory. It is safe for concurrent use.
type Store struct {
	dir  string
	o    Options
	lock *os.File

	adding sync.Mutex // one at a time

	mu      sync.Mutex // guards what follows
	number  uint64     // the highest ever given out
	origin  string     // what the store's sessions say they come from; empty until one has begun
	current *Session
	files   map[string]stored // sessions at rest, by file name
	held    map[string]bool   // files that are being sealed, and must not be deleted meanwhile
	marks   marks
	unsure  error // why marks may lack some, a *MarksError; nil if they do not
	recent  int   // lines that were added to the index since it was tidied
	closed  bool
}

// stored is what the store remembers of a session at rest.
type stored struct {
	number uint64
	bytes  int64 // on the medium
	sha256 string

	newer     bool // a newer program wrote it: it counts, and is not deleted to make room
	unsettled bool // it could not be sealed or replaced, for want of room or because the medium failed
}

// Open makes the directory if needed and takes it for this process to write. If another process has it, the error
// wraps ErrLocked. It closes what a crash or a power cut left: half-made files that hold no reading are removed,
// sessions that were cut off are sealed, and of a damaged one what can be read takes its place, the damaged file being
// moved to the subdirectory "damaged". Options.Told hears of it; none of it keeps the store from opening.
func Open(dir string, o Options) (*Store, error) {
	if err := makeDir(dir); err != nil {
		return nil, fmt.Errorf("make the store's directory: %w", err)
	}
	lock, err := takeLock(dir)
	if err != nil {
		return nil, fmt.Errorf("open the store %s: %w", dir, err)
	}
	s := &Store{dir: dir, o: o.withDefaults(), lock: lock, files: make(map[string]stored), held: make(map[string]bool)}
	if err := s.load(); err != nil {
		_ = lock.Close()
		return nil, fmt.Errorf("open the store %s: %w", dir, err)
	}
	return s, nil
}

func takeLock(dir string) (*os.File, error) {
	f, err := openOrMake(filepath.Join(dir, lockName), os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	err = lockFile(f)
	for try := 0; errors.Is(err, ErrLocked) && try < 10; try++ { // it may be Holder, which lets go at once
		time.Sleep(10 * time.Millisecond)
		err = lockFile(f)
	}
	if err != nil {
		holder, _ := io.ReadAll(io.LimitReader(f, 20))
		_ = f.Close()
		if errors.Is(err, ErrLocked) {
			return nil, fmt.Errorf("%w (process %s): stop that one first, or use another directory", err, holder)
		}
		return nil, fmt.Errorf("lock it: %w", err)
	}
	// Who holds it is only there to be told, so failing to write it is no failure.
	_ = f.Truncate(0)
	_, _ = f.WriteAt(strconv.AppendInt(nil, int64(os.Getpid()), 10), 0)
	return f, nil
}

// Holder says whether a process has a store open to write it, and which; pid is 0 where that one could not say. The system
// takes the lock from a process that ends, however it ends, so nothing that a power cut left can look like one. A store
// that is not there is held by nobody.
func Holder(dir string) (pid int, held bool, err error) {
	f, err := os.Open(filepath.Join(dir, lockName))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, fmt.Errorf("look whether a process writes to the store: %w", err)
	}
	defer func() { _ = f.Close() }()
	switch err := lockShared(f); {
	case err == nil:
		return 0, false, nil
	case !errors.Is(err, ErrRecording):
		return 0, false, fmt.Errorf("look whether a process writes to the store: %w", err)
	}
	text, _ := io.ReadAll(io.LimitReader(f, 20))
	pid, _ = strconv.Atoi(string(text))
	return pid, true, nil
}

// load finds what is there, and closes what was left open.
func (s *Store) load() error {
	if err := s.sweep(); err != nil {
		return err
	}
	entries, err := sessionEntries(s.dir)
	if err != nil {
		return err
	}
	index, recent := readIndex(s.dir)
	known := len(index)
	s.recent = recent
	var count int
	if s.marks, count, s.unsure = readMarks(s.dir); s.unsure != nil { // before room is made for anything
		s.o.Told(Notice{Kind: Unsettled, Session: marksName, Text: s.unsure.Error()})
	}
	var rest []string
	for _, e := range entries {
		f, err := e.Info()
		if err != nil {
			continue
		}
		l, ok := index[e.Name()]
		if ok && l.holdsFor(f) {
			s.files[e.Name()] = stored{number: l.Info.Number, bytes: allocated(f), sha256: l.Info.SHA256}
			continue
		}
		rest = append(rest, e.Name())
	}
	for _, name := range rest {
		s.settle(name, nil)
	}
	if known > 2*len(s.files)+mostRecent {
		s.tidyIndexLocked()
	}
	if s.unsure == nil && count > 2*len(s.files)+mostRecent {
		s.tidyMarks()
	}
	s.tidyAnchors()
	return nil
}

// sweep removes half-made files and finds the highest session number known. The counter's file outlives deleted
// sessions, so no number is given twice; without it the directory's highest number has to do.
func (s *Store) sweep() error {
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		name := e.Name()
		if halfMade(name) {
			if err := os.Remove(filepath.Join(s.dir, name)); err != nil {
				s.o.Told(Notice{Kind: Unsettled, Session: name, Text: fmt.Sprintf("the half-made file could not be removed: %v", err)})
			}
		}
		if n, ok := numberOf(idOf(name)); ok {
			s.number = max(s.number, n)
		}
	}
	text, _ := os.ReadFile(filepath.Join(s.dir, counterName))
	if n, err := strconv.ParseUint(strings.TrimSpace(string(text)), 10, 64); err == nil {
		s.number = max(s.number, n)
	}
	return nil
}

// halfMade says whether a file is one that this store had not finished. That of the calibrations is not among them:
// another process may be making it right now, and the next one replaces it.
func halfMade(name string) bool {
	made, ok := strings.CutSuffix(name, newSuffix)
	if !ok {
		return false
	}
	switch made {
	case counterName, originName, anchorsName, marksName, indexName:
		return true
	}
	id, ok := strings.CutSuffix(made, extension)
	_, numbered := numberOf(id)
	return ok && numbered
}

// Origin is the name that a store gives its sessions; empty until it has recorded one.
func Origin(dir string) string {
	text, _ := os.ReadFile(filepath.Join(dir, originName))
	if name := strings.TrimSpace(string(text)); originPattern.MatchString(name) {
		return name
	}
	return ""
}

// nameLocked gives the store a name by which its sessions are known where those of several stores are together. It is
// made once; a store whose name was lost gets another one.
func (s *Store) nameLocked() error {
	if s.origin != "" {
		return nil
	}
	if s.origin = Origin(s.dir); s.origin != "" {
		return nil
	}
	name := random(originLength)
	if err := replaceFile(filepath.Join(s.dir, originName), []byte(name+"\n")); err != nil {
		return fmt.Errorf("give the store a name: %w", err)
	}
	s.origin = name
	return nil
}

func writeCounter(dir string, n uint64) (err error) {
	// Made durable with the session's own name.
	return replaceFile(filepath.Join(dir, counterName), fmt.Appendln(nil, n))
}

// Dir is the store's directory.
func (s *Store) Dir() string { return s.dir }

// Begin makes a session and its file. It gives Format, ID, Number, Origin and Revision; m's are ignored, and so is its End. A
// session that is still being recorded gives ErrBusy, a lack of room ErrFull; after an error there is no trace and
// Begin may be called again.
func (s *Store) Begin(m Meta) (*Session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil, fmt.Errorf("begin a session: %w", os.ErrClosed)
	}
	if s.current != nil && !s.current.done() {
		return nil, fmt.Errorf("begin a session: %w, %s", ErrBusy, s.current.ID())
	}
	m.Format, m.Revision, m.End = Format, 1, nil
	m, err := m.clone()
	if err != nil {
		return nil, fmt.Errorf("begin a session: %w", err)
	}
	if err := s.nameLocked(); err != nil {
		return nil, fmt.Errorf("begin a session: %w", room(err))
	}
	m.Number, m.Origin = s.number+1, s.origin
	m.ID = newID(m.Number)
	if err := s.makeRoomLocked(beginning); err != nil {
		return nil, fmt.Errorf("begin session %s: %w", m.ID, err)
	}
	session, err := create(s.dir, m)
	if err != nil {
		return nil, fmt.Errorf("begin session %s: %w", m.ID, room(err))
	}
	session.store = s
	s.number++
	s.current = session
	return session, nil
}

// Recording is the session that is being recorded, nil if none is.
func (s *Store) Recording() *Session {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.current == nil || s.current.done() {
		return nil
	}
	return s.current
}

// List is List for the process that records: it knows that session too.
func (s *Store) List() ([]Info, error) {
	infos, err := List(s.dir)
	if session := s.Recording(); session != nil {
		for i := range infos {
			if infos[i].ID == session.id && infos[i].State == Recording {
				live := session.Info().short()
				live.Pinned = infos[i].Pinned
				infos[i] = live
			}
		}
	}
	return infos, err
}

// Close gives the directory back. A session that has not ended is left as it is: with all that was appended, and
// "cut off" to those who list it.
func (s *Store) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	current := s.current
	s.mu.Unlock()
	var err error
	if current != nil { // which may be writing, and need the store to make room
		err = current.abandon()
	}
	return errors.Join(err, s.lock.Close())
}
