package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
)

// Reader reads what is stored of the session at this moment, while the recording goes on. It needs no Close. A
// recording that ends meanwhile does not disturb it.
func (s *Session) Reader() *Reader {
	r := &Reader{info: s.Info(), close: func() error { return nil }}
	r.info.Meta = r.info.Meta.withAnchors(Anchors(s.store.dir)) // another process gets it with the summary
	r.meta = r.info.Meta
	r.pieces = func() *pieces {
		return &pieces{src: &live{s: s}, session: s.id, number: s.number, limit: r.info.Blocks, end: r.info.Length}
	}
	return r
}

// Info sums up what is stored of the session at this moment.
func (s *Session) Info() Info {
	s.mu.Lock()
	i := Info{ID: s.id, Number: s.number, State: Recording, Meta: s.meta, Blocks: s.blocks, Samples: s.samples, Length: s.last,
		File: filepath.Base(s.path)}
	s.mu.Unlock()
	if f, err := os.Stat(s.path); err == nil {
		i.Bytes = allocated(f)
	}
	return i
}

// live is the file that is being recorded into, read in transactions that are over before anything is done with what
// was read: an open one keeps the file growing, and would block a commit that has to enlarge the map.
type live struct {
	s     *Session
	ended *atRest // the file at rest, once the recording is over
}

// value implements source.
func (l *live) value(sequence uint64, buffer []byte) (key uint64, value []byte, err error) {
	if l.ended == nil {
		key, value, err = l.recording(sequence, buffer)
		if errors.Is(err, os.ErrClosed) && !l.s.done() { // after the medium failed, while it is opened anew
			l.s.commit.Lock()
			key, value, err = l.recording(sequence, buffer)
			l.s.commit.Unlock()
		}
		if !errors.Is(err, os.ErrClosed) || !l.s.done() {
			return key, value, err
		}
		l.s.commit.Lock() // until it is closed and sealed
		l.ended, err = openAtRest(l.s.path)
		l.s.commit.Unlock()
		if err != nil {
			return 0, nil, err
		}
		return l.ended.around(sequence, buffer)
	}
	return l.ended.value(sequence, buffer)
}

func (l *live) recording(sequence uint64, buffer []byte) (found uint64, value []byte, err error) {
	db := l.s.file()
	if db == nil {
		return 0, nil, fmt.Errorf("the session's file: %w", os.ErrClosed)
	}
	err = view(db, func(tx *bolt.Tx) error {
		k, v := tx.Bucket(blocksBucket).Cursor().Seek(key(sequence))
		if k == nil {
			return nil
		}
		if len(k) != 8 {
			return fmt.Errorf("%w: a block's key has %d bytes instead of 8", ErrDamaged, len(k))
		}
		found = binary.BigEndian.Uint64(k)
		value = append(buffer[:0], v...)
		if value == nil {
			value = []byte{}
		}
		return nil
	})
	if errors.Is(err, bolterrors.ErrDatabaseNotOpen) {
		err = fmt.Errorf("the session's file: %w", os.ErrClosed)
	}
	if err != nil {
		value = nil
	}
	return found, value, err
}

func (l *live) rescue(uint64) (uint64, []byte, bool) { return 0, nil, false }
func (l *live) tail() uint64                         { return 0 }

// Close closes the file at rest.
func (l *live) Close() error {
	if l.ended == nil {
		return nil
	}
	return l.ended.close()
}
