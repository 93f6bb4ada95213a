package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	bolt "go.etcd.io/bbolt"

	"underdash/store/block"
)

// Session is the one being recorded. It is safe for concurrent use; Append, Update and End wait for each other and
// for the medium.
type Session struct {
	path   string
	id     string
	number uint64
	db     *bolt.DB

	commit sync.Mutex // serialises what changes the file, and guards buffer
	buffer []byte

	mu      sync.Mutex // guards what follows
	meta    Meta       // replaced as a whole, never changed in place
	blocks  uint64     // also the next sequence number
	samples uint64
	last    time.Duration
	ended   bool
}

// create makes a session's file under a name that nobody takes for a session, and gives it its own once it is whole
// and on the medium. A power cut leaves a session or none.
func create(dir string, m Meta) (*Session, error) {
	text, sum, err := encodeMeta(m)
	if err != nil {
		return nil, err
	}
	if err := writeCounter(dir, m.Number); err != nil {
		return nil, fmt.Errorf("write the session counter: %w", err)
	}
	unborn, path := filepath.Join(dir, m.ID+newExtension), filepath.Join(dir, m.ID+extension)
	db, err := openFile(unborn, false)
	if err != nil {
		_ = os.Remove(unborn)
		return nil, err
	}
	err = update(db, func(tx *bolt.Tx) error {
		if _, err := tx.CreateBucket(blocksBucket); err != nil {
			return err
		}
		return putMeta(tx, text, sum)
	})
	if err == nil {
		err = db.Sync()
	}
	if err != nil {
		_ = db.Close()
		_ = os.Remove(unborn)
		return nil, err
	}
	named, err := publish(db, unborn, path)
	if err == nil {
		db = named
		err = syncDir(dir)
	}
	if err != nil {
		_ = db.Close()
		_, _ = os.Remove(unborn), os.Remove(path)
		return nil, err
	}
	return &Session{path: path, id: m.ID, number: m.Number, db: db, meta: m}, nil
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

// Append stores samples as one block in one commit: when it returns nil they are on the medium, all of them, in the
// order given. After an error none is counted as stored and the session goes on; the same samples, or those and more,
// may be appended again. ErrFull says that there was no room, ErrEnded that the session is over. Samples of a channel
// that the description does not have are refused.
func (s *Session) Append(samples []Sample) error {
	s.commit.Lock()
	defer s.commit.Unlock()
	if s.done() {
		return ErrEnded
	}
	if len(samples) == 0 {
		return nil
	}
	last := samples[0].At
	channels := len(s.Meta().Channels)
	for _, x := range samples {
		if int(x.Channel) >= channels {
			return fmt.Errorf("append to session %s: a reading of channel %d, but the session has %d channels: describe it with Update first",
				s.id, x.Channel, channels)
		}
		last = max(last, x.At)
	}
	s.mu.Lock()
	sequence := s.blocks
	s.mu.Unlock()
	b, err := block.Append(s.buffer[:0], block.Header{Session: s.number, Sequence: sequence}, samples)
	if err != nil {
		return fmt.Errorf("append to session %s: %w", s.id, err)
	}
	s.buffer = b
	err = update(s.db, func(tx *bolt.Tx) error {
		bucket := tx.Bucket(blocksBucket)
		bucket.FillPercent = 0.9 // keys only ever grow
		return bucket.Put(key(sequence), b)
	})
	if err != nil {
		// A commit that fails on its last sync may be on the medium all the same. The next try has the same
		// sequence number, so it replaces that block instead of storing its readings twice.
		return fmt.Errorf("append block %d to session %s: %w", sequence, s.id, err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last = max(last, s.last)
	if s.blocks == 0 {
		s.last = last
	}
	s.blocks++
	s.samples += uint64(len(samples))
	return nil
}

// Update changes the description in one commit: f gets a copy and may change anything but Format, ID, Number and End.
// After an error the description is as it was.
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
	m.Format, m.ID, m.Number, m.End = Format, s.id, s.number, nil
	if err := s.putMeta(m); err != nil {
		return fmt.Errorf("update session %s: %w", s.id, err)
	}
	return nil
}

func (s *Session) putMeta(m Meta) error {
	text, sum, err := encodeMeta(m)
	if err != nil {
		return err
	}
	if m, err = decodeMeta(text, sum); err != nil { // the caller may keep what it put into its copy
		return err
	}
	if err := update(s.db, func(tx *bolt.Tx) error { return putMeta(tx, text, sum) }); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.meta = m
	return nil
}

// End completes the session and closes its file; from then on any process may read it. After an error that kept the
// end from being stored it may be called again; ending an ended session does nothing.
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
	return s.close()
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
	s.ended = true
	s.mu.Unlock()
	if err := s.db.Close(); err != nil {
		return fmt.Errorf("close session %s: %w", s.id, err)
	}
	return nil
}

// Reader reads what is stored of the session at this moment, while the recording goes on. It needs no Close and must
// not be used after the session's End.
func (s *Session) Reader() *Reader {
	s.mu.Lock()
	defer s.mu.Unlock()
	return &Reader{db: s.db, path: s.path, id: s.id, number: s.number, meta: s.meta, state: Recording,
		borrowed: true, samples: s.samples, blocks: s.blocks, last: s.last}
}

var errClosed = errors.New("the session's file is closed")
