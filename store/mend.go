package store

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"

	bolt "go.etcd.io/bbolt"
)

// recent is a block that was recorded lately.
type recent struct {
	sequence uint64
	raw      []byte
}

// How much of what was recorded is kept in memory, in case the medium lost it: at the usual flush of 5 s and 1 to 2 kB
// a block, three minutes.
const (
	recentBlocks = 36
	recentBytes  = 256 << 10
)

func (s *Session) remember(blocks []recent) {
	s.recent = append(s.recent, blocks...)
	bytes := 0
	for i := len(s.recent) - 1; i >= 0; i-- {
		bytes += len(s.recent[i].raw)
		if len(s.recent)-i > recentBlocks || bytes > recentBytes {
			s.recent = append([]recent(nil), s.recent[i+1:]...)
			return
		}
	}
}

// usable says whether a file can go on being written to after an error. bbolt writes pages before it syncs, and takes
// a write that failed back. A sync that failed is another matter: Linux forgets which pages are not on the medium, and
// says so once ("Fsync Errors", PostgreSQL wiki). A full disk that is only noticed then is no exception.
func usable(err error) bool {
	var write *fs.PathError
	return errors.Is(err, ErrFull) && (errors.As(err, &write) || !errors.As(err, new(syscall.Errno)))
}

// write changes the file in one commit. If the medium fails, the file is opened anew and the change made again; if
// that fails too, the next call begins with that. The caller holds commit.
func (s *Session) write(f func(tx *bolt.Tx) error) error {
	if s.dead == nil {
		err := update(s.file(), f)
		if err == nil || usable(err) {
			return err
		}
		s.dead = err
	}
	if err := s.mend(); err != nil {
		return fmt.Errorf("%w; and opened anew: %w", s.dead, err)
	}
	err := update(s.file(), f)
	if err != nil && !usable(err) {
		s.dead = err
	}
	return err
}

// mend opens the file anew after the medium failed, and brings it up to date: what the medium has not got, and memory
// still holds, is written again. A file that came to harm is replaced by what of it can be read. It holds commit.
func (s *Session) mend() error {
	cause := s.dead
	if db := s.detach(); db != nil {
		_ = guarded(db.Close) // what it holds is not believed any more
	}
	dropCache(s.path)
	if err := s.reopen(); err != nil {
		return err
	}
	again := 0
	for _, b := range s.recent {
		var there bool
		if err := view(s.file(), func(tx *bolt.Tx) error {
			there = string(tx.Bucket(blocksBucket).Get(key(b.sequence))) == string(b.raw)
			return nil
		}); err != nil {
			return err
		}
		if !there {
			again++
		}
	}
	note := mendText(cause, again, s.lost)
	at := s.Info().Length
	notes := append(s.notes, Event{At: at, Until: at, Kind: "note", Source: ownEvents, Text: note})
	m := s.Meta()
	m.Revision++
	m.Events = append(withoutOwn(m.Events), notes...)
	text, _, err := encodeMeta(m)
	if err != nil {
		return err
	}
	err = update(s.file(), func(tx *bolt.Tx) error {
		if err := putBlocks(tx, s.recent); err != nil {
			return err
		}
		return putMeta(tx, text, nil)
	})
	if err != nil {
		return err
	}
	s.dead, s.lost, s.notes, s.stored = nil, nil, notes, text
	s.mu.Lock()
	s.meta = m
	s.mu.Unlock()
	s.store.o.Told(Notice{Kind: Mended, Session: s.id, Text: note})
	return nil
}

func mendText(cause error, again int, lost []Loss) string {
	text := fmt.Sprintf("the medium failed (%v): the file was opened anew", cause)
	if again > 0 {
		text += fmt.Sprintf(", %d blocks that it had lost were written again", again)
	}
	if len(lost) > 0 {
		return text + "; " + lostText(lost)
	}
	return text + "; nothing was lost"
}

func (s *Session) detach() *bolt.DB {
	s.mu.Lock()
	defer s.mu.Unlock()
	db := s.db
	s.db = nil
	return db
}

// reopen opens the file if it is sound, and otherwise makes another one of what it still holds. What that cost is in
// lost until a note of it is stored: the file that was made shows no damage when it has to be opened anew once more.
func (s *Session) reopen() error {
	a, err := openAtRest(s.path)
	if a != nil {
		defer func() { _ = a.close() }()
	}
	if err != nil && !errors.Is(err, ErrDamaged) {
		return err
	}
	var db *bolt.DB
	if err == nil && a.sound() {
		_ = a.f.Close() // with its lock
		db, err = openFile(s.path)
	} else {
		var lost []Loss
		if db, lost, err = s.rebuild(a); err == nil {
			s.lost = lost
		}
	}
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.db = db
	return nil
}

// sound looks at every page of the file.
func (a *atRest) sound() bool {
	if a.tree == nil || len(a.faults) > 0 {
		return false
	}
	w := a.tree.walk(a.fault)
	w.buckets(func(string, element) {})
	w.accounts()
	return len(a.faults) == 0
}

// rebuild makes a new file of what can be read of the old one and of what memory holds. a is nil if the old one is
// gone.
func (s *Session) rebuild(a *atRest) (db *bolt.DB, lost []Loss, err error) {
	if a == nil {
		return nil, nil, fmt.Errorf("make session %s anew: %w", s.id, fs.ErrNotExist)
	}
	a.number, a.meta, a.seal, a.memory = s.number, Meta{}, nil, s.recent
	if err := setAside(s.path); err != nil {
		return nil, nil, err
	}
	db, err = newFile(s.path, func(tx *bolt.Tx) error {
		if err := putMeta(tx, s.stored, nil); err != nil {
			return err
		}
		p := a.pieces()
		p.limit = s.Info().Blocks
		for x, err := range p.all() {
			switch {
			case err != nil:
				return err
			case x.lost != nil:
				lost = append(lost, lossOf(x.lost))
				continue
			}
			if err := putBlocks(tx, []recent{{x.header.Sequence, append([]byte(nil), x.raw...)}}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, nil, fmt.Errorf("make session %s anew: %w", s.id, err)
	}
	return db, lost, nil
}
