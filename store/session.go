package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"underdash/store/block"
)

// maxBlock is how many readings one block takes at most: what a file is searched for must not be longer than the
// stretch of it that is looked at.
const maxBlock = 1 << 16

// Session is the one being recorded. It is safe for concurrent use; Append, Update and End wait for each other and
// for the medium.
type Session struct {
	store  *Store
	path   string
	id     string
	number uint64

	commit sync.Mutex // serialises what changes the file, and guards the five that follow
	recent []recent   // the last blocks, in case the medium lost what it said it had
	notes  []Event    // what the store has to say in the description
	lost   []Loss     // what mending could not save and no note says yet
	dead   error      // why the file cannot be written to until it has been opened anew
	stored []byte     // the description's text as last stored

	mu      sync.Mutex // guards what follows
	db      *bolt.DB   // nil while the file is closed
	meta    Meta       // replaced as a whole, never changed in place
	blocks  uint64     // also the next sequence number
	samples uint64
	last    time.Duration
	ended   bool
}

// create makes a session's file under a name that nobody takes for a session, and gives it its own once it is whole
// and on the medium. A power cut leaves a session or none.
func create(dir string, m Meta) (*Session, error) {
	text, _, err := encodeMeta(m)
	if err != nil {
		return nil, err
	}
	if err := writeCounter(dir, m.Number); err != nil {
		return nil, fmt.Errorf("write the session counter: %w", err)
	}
	path := filepath.Join(dir, m.ID+extension)
	db, err := newFile(path, func(tx *bolt.Tx) error { return putMeta(tx, text, nil) })
	if err != nil {
		return nil, err
	}
	return &Session{path: path, id: m.ID, number: m.Number, db: db, meta: m, stored: text}, nil
}

// newFile makes a file to record into, in place of any that has its name.
func newFile(path string, fill func(tx *bolt.Tx) error) (db *bolt.DB, err error) {
	unborn := path + newSuffix
	_ = os.Remove(unborn)
	defer func() {
		if err != nil {
			_ = os.Remove(unborn)
		}
	}()
	if db, err = openFile(unborn); err != nil {
		return nil, err
	}
	err = update(db, func(tx *bolt.Tx) error {
		if _, err := tx.CreateBucketIfNotExists(blocksBucket); err != nil {
			return err
		}
		return fill(tx)
	})
	if err == nil {
		err = db.Sync()
	}
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	named, err := publish(db, unborn, path)
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	if err = syncDir(filepath.Dir(path)); err != nil {
		return nil, errors.Join(err, named.Close(), os.Remove(path))
	}
	return named, nil
}

// ID is the session's name.
func (s *Session) ID() string { return s.id }

// Number is the session's place in the order of the store's sessions.
func (s *Session) Number() uint64 { return s.number }

// Path is the session's file.
func (s *Session) Path() string { return s.path }

// Meta is the description as last stored. What it points to must not be changed.
func (s *Session) Meta() Meta {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.meta
}

func (s *Session) done() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ended
}

// Append stores samples in one commit, as one block or, if they are very many, as several: when it returns nil they
// are on the medium, all of them, as package block keeps them. After an error none is counted as stored and the session goes
// on; the same samples, or those and more, may be appended again. ErrFull says that there was no room, ErrLargest that
// this session's file takes no more, ErrEnded that the session is over. Samples of a channel that the description does not have are refused. When the medium fails,
// the file is opened anew and brought up to date, and a note in the description says so.
func (s *Session) Append(samples []Sample) error {
	s.commit.Lock()
	defer s.commit.Unlock()
	if s.done() {
		return ErrEnded
	}
	if len(samples) == 0 {
		return nil
	}
	blocks, last, err := s.encode(samples)
	if err != nil {
		return fmt.Errorf("append to session %s: %w", s.id, err)
	}
	if err := s.makeRoom(blocks); err != nil {
		return fmt.Errorf("append to session %s: %w", s.id, err)
	}
	err = s.write(func(tx *bolt.Tx) error {
		if most := s.store.o.Largest; most > 0 && blocks[0].sequence > 0 && tx.Size()+taken(blocks) > most {
			return bolterrors.ErrMaxSizeReached
		}
		return putBlocks(tx, blocks)
	})
	if err != nil {
		// A commit that fails on its last sync may be on the medium all the same. The next try has the same
		// sequence number, so it replaces that block instead of storing its readings twice.
		return fmt.Errorf("append block %d to session %s: %w", blocks[0].sequence, s.id, err)
	}
	s.remember(blocks)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.blocks == 0 {
		s.last = last
	}
	s.last = max(last, s.last)
	s.blocks += uint64(len(blocks))
	s.samples += uint64(len(samples))
	return nil
}

// encode makes blocks of readings, and finds their greatest instant.
func (s *Session) encode(samples []Sample) (blocks []recent, last time.Duration, err error) {
	s.mu.Lock()
	channels, sequence, tick := len(s.meta.Channels), s.blocks, s.meta.Tick
	s.mu.Unlock()
	last = samples[0].At
	for _, x := range samples {
		if int(x.Channel) >= channels {
			return nil, 0, fmt.Errorf("a reading of channel %d, but the session has %d channels: describe it with Update first", x.Channel, channels)
		}
		last = max(last, x.At)
	}
	for part := range slices.Chunk(samples, maxBlock) {
		raw, err := block.Append(nil, block.Header{Session: s.number, Sequence: sequence, Tick: tick}, part)
		if err != nil {
			return nil, 0, err
		}
		blocks = append(blocks, recent{sequence, raw})
		sequence++
	}
	return blocks, last, nil
}

func putBlocks(tx *bolt.Tx, blocks []recent) error {
	bucket := tx.Bucket(blocksBucket)
	bucket.FillPercent = 0.9 // keys only ever grow
	for _, b := range blocks {
		if err := bucket.Put(key(b.sequence), b.raw); err != nil {
			return err
		}
	}
	return nil
}

// Update changes the description in one commit: f gets a copy and may change anything but Format, ID, Number,
// Origin, Revision, End and events whose source is "store". After an error the description is as it was.
func (s *Session) Update(f func(*Meta)) error {
	s.commit.Lock()
	defer s.commit.Unlock()
	if s.done() {
		return ErrEnded
	}
	m, err := s.Meta().clone()
	if err != nil {
		return fmt.Errorf("update session %s: %w", s.id, err)
	}
	f(&m)
	m.End = nil
	if err := s.putMeta(m); err != nil {
		return fmt.Errorf("update session %s: %w", s.id, err)
	}
	return nil
}

// ownEvents is the source of events that the store writes.
const ownEvents = "store"

// putMeta stores a description. The caller holds commit.
func (s *Session) putMeta(m Meta) error {
	before := s.Meta()
	m.Format, m.ID, m.Number, m.Origin, m.Revision = Format, s.id, s.number, before.Origin, before.Revision+1
	text, m, err := s.noted(m)
	if err != nil {
		return err
	}
	if err := s.write(func(tx *bolt.Tx) error {
		// Mending, which may have come in between, has a note to add.
		if text, m, err = s.noted(m); err != nil {
			return err
		}
		return putMeta(tx, text, nil)
	}); err != nil {
		return err
	}
	s.stored = text
	s.mu.Lock()
	defer s.mu.Unlock()
	s.meta = m
	return nil
}

// noted returns the description with the store's own notes, and its text. It shares no memory with the one given: the
// caller may keep what it put into that.
func (s *Session) noted(m Meta) ([]byte, Meta, error) {
	m.Events = append(withoutOwn(m.Events), s.notes...)
	text, sum, err := encodeMeta(m)
	if err != nil {
		return nil, Meta{}, err
	}
	m, err = decodeMeta(text, sum)
	return text, m, err
}

func withoutOwn(events []Event) []Event {
	return slices.DeleteFunc(slices.Clone(events), func(e Event) bool { return e.Source == ownEvents })
}

// End completes the session, closes its file and seals it; from then on any process may read it. After an error that
// kept the end from being stored it may be called again; ending an ended session does nothing. An error of closing the
// file is returned, and the session is complete and sealed nevertheless. A session that could
// not be sealed, for want of room, is complete all the same, and sealed when the next one ends or the store is opened.
func (s *Session) End(at time.Duration, reason string) error {
	s.commit.Lock()
	defer s.commit.Unlock()
	if s.done() {
		return nil
	}
	m := s.Meta()
	s.mu.Lock()
	m.End = &End{At: at, Reason: reason, Blocks: s.blocks, Samples: s.samples, Last: s.last}
	s.mu.Unlock()
	if err := s.putMeta(m); err != nil {
		return fmt.Errorf("end session %s: %w", s.id, err)
	}
	name := filepath.Base(s.path)
	s.store.hold(name)
	defer s.store.letGo(name)
	err := s.close() // what it says is no reason to leave the session unsealed: the end is on the medium
	s.store.settleAgain()
	s.store.settle(name, s.recent)
	return err
}

// abandon closes the file of a session that has not ended.
func (s *Session) abandon() error {
	s.commit.Lock()
	defer s.commit.Unlock()
	if s.done() {
		return nil
	}
	return s.close()
}

func (s *Session) close() error {
	s.mu.Lock()
	db := s.db
	s.ended, s.db = true, nil
	s.mu.Unlock()
	if db == nil {
		return nil
	}
	if err := guarded(db.Close); err != nil {
		return fmt.Errorf("close session %s: %w", s.id, err)
	}
	return nil
}

func (s *Session) file() *bolt.DB {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.db
}
