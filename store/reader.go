package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"math"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"underdash/store/block"
)

// Reader reads one session. Several may read the same one.
type Reader struct {
	db     *bolt.DB
	path   string
	id     string
	number uint64
	meta   Meta
	state  string

	borrowed bool // the file is the writer's: what follows is how far it had come
	blocks   uint64
	samples  uint64
	last     time.Duration
}

// OpenReader opens a session's file for reading. The error wraps ErrRecording if a process holds it for recording,
// ErrDamaged if it cannot be a session any more, ErrVersion if a newer program wrote it.
func OpenReader(path string) (*Reader, error) {
	id := idOf(filepath.Base(path))
	db, err := openForReading(path)
	if errors.Is(err, ErrRecording) {
		return nil, fmt.Errorf("session %s: %w: read it when the drive has ended", id, err)
	}
	if err != nil {
		return nil, fmt.Errorf("open session %s: %w", id, err)
	}
	m, err := readMeta(db)
	if err != nil {
		_ = db.Close()
		return nil, fmt.Errorf("open session %s: %w", id, err)
	}
	r := &Reader{db: db, path: path, id: m.ID, number: m.Number, meta: m, state: CutOff}
	if m.End != nil {
		r.state = Complete
	}
	return r, nil
}

// Meta is the session's description. What it points to must not be changed.
func (r *Reader) Meta() Meta { return r.meta }

// Info sums the session up.
func (r *Reader) Info() Info {
	info := Info{ID: r.id, Number: r.number, State: r.state, Meta: r.meta}
	if f, err := os.Stat(r.path); err == nil {
		info.Bytes = allocated(f)
	}
	if r.borrowed {
		info.Samples, info.Length = r.samples, r.last
		return info
	}
	if e := r.meta.End; e != nil {
		info.Samples, info.Length = e.Samples, max(e.At, e.Last)
		return info
	}
	if err := r.count(&info); err != nil {
		info.State, info.Err = Damaged, err.Error()
	}
	return info
}

// count adds up what the blocks' headers say.
func (r *Reader) count(info *Info) error {
	return view(r.db, func(tx *bolt.Tx) error {
		c := tx.Bucket(blocksBucket).Cursor()
		want := uint64(0)
		for k, v := c.First(); k != nil; k, v = c.Next() {
			h, err := block.ReadHeader(v)
			if err != nil {
				return fmt.Errorf("block %d: %w", want, err)
			}
			if h.Sequence != want {
				return fmt.Errorf("block %d is missing", want)
			}
			want++
			info.Samples += uint64(h.Count)
			info.Length = max(info.Length, h.Last)
		}
		return nil
	})
}

// Samples yields all readings in the order in which they were appended. An error with a *BlockError in it concerns
// some blocks only: the readings before were right, and those of the next good block follow if the loop goes on.
// After any other error the iteration is over. It holds one block in memory and nothing of the file while the loop's
// body runs, so a slow reader never holds up the recording.
func (r *Reader) Samples() iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		var raw []byte
		var samples []Sample
		for want := uint64(0); !r.borrowed || want < r.blocks; want++ {
			found, value, err := r.next(want, raw)
			if err != nil {
				yield(Sample{}, fmt.Errorf("read session %s, block %d: %w", r.id, want, err))
				return
			}
			if value == nil { // the end; a complete session knows where it should be
				if e := r.meta.End; e != nil && want < e.Blocks {
					yield(Sample{}, r.missing(want, e.Blocks-1))
				}
				return
			}
			raw = value
			if found != want {
				if !yield(Sample{}, r.missing(want, found-1)) {
					return
				}
				want = found
			}
			samples, err = r.decode(want, raw, samples[:0])
			if err != nil {
				if !yield(Sample{}, &BlockError{Session: r.id, First: want, Last: want, Err: err}) {
					return
				}
				continue
			}
			for _, s := range samples {
				if !yield(s, nil) {
					return
				}
			}
		}
	}
}

func (r *Reader) missing(first, last uint64) error {
	return &BlockError{Session: r.id, First: first, Last: last, Err: errors.New("missing")}
}

// next copies the first block at or after a sequence number into buffer, in a transaction that is over when it
// returns. No block is a nil value.
func (r *Reader) next(sequence uint64, buffer []byte) (found uint64, value []byte, err error) {
	err = view(r.db, func(tx *bolt.Tx) error {
		k, v := tx.Bucket(blocksBucket).Cursor().Seek(key(sequence))
		if k == nil {
			return nil
		}
		if len(k) != 8 {
			return fmt.Errorf("%w: a block's key has %d bytes instead of 8", ErrDamaged, len(k))
		}
		found = binary.BigEndian.Uint64(k)
		if found < sequence || found == math.MaxUint64 {
			return fmt.Errorf("%w: its blocks are out of order", ErrDamaged)
		}
		value = append(buffer[:0], v...)
		if value == nil {
			value = []byte{}
		}
		return nil
	})
	if errors.Is(err, bolterrors.ErrDatabaseNotOpen) {
		err = errClosed
	}
	return found, value, err
}

// decode also checks that the block is the one its key says, of this session.
func (r *Reader) decode(sequence uint64, raw []byte, into []Sample) ([]Sample, error) {
	h, samples, err := block.Decode(raw, into)
	if err != nil {
		return samples, err
	}
	if h.Session != r.number || h.Sequence != sequence {
		return into, fmt.Errorf("it says that it is block %d of session %d", h.Sequence, h.Session)
	}
	for _, s := range samples {
		if int(s.Channel) >= len(r.meta.Channels) {
			return into, fmt.Errorf("it has readings of channel %d, the session has %d channels", s.Channel, len(r.meta.Channels))
		}
	}
	return samples, nil
}

// Close closes the file.
func (r *Reader) Close() error {
	if r.borrowed {
		return nil
	}
	return r.db.Close()
}
