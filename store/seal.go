package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"iter"
	"os"
	"path/filepath"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Seal closes a session for good: what its file holds, and a digest of that.
type Seal struct {
	// SHA256 is the digest, in hex, of the description's JSON text and then of every block in order, each preceded by
	// its length in 8 bytes, big-endian. It does not depend on where bbolt puts them.
	SHA256  string        `json:"sha256"`
	Blocks  uint64        `json:"blocks"`  // that were recorded, the lost ones too
	Samples uint64        `json:"samples"` // that are there
	Last    time.Duration `json:"last_ns"` // greatest instant of all readings
	Lost    []Loss        `json:"lost,omitempty"`
	// Salvaged says what was wrong with the file that the session was read from, if it was damaged. Where the
	// description has no end, readings may be lost behind the last one without a trace.
	Salvaged string `json:"salvaged,omitempty"`
}

// Loss is a range of blocks that could not be read any more when the session was sealed. What stood in their place is
// kept in the file's bucket "damaged".
type Loss struct {
	First  uint64        `json:"first"` // sequence numbers, both included
	Last   uint64        `json:"last"`
	After  time.Duration `json:"after_ns"`  // the readings around them
	Before time.Duration `json:"before_ns"` // 0 if nothing is known to follow
	Why    string        `json:"why"`
}

func lossOf(e *BlockError) Loss {
	return Loss{First: e.First, Last: e.Last, After: e.After, Before: e.Before, Why: e.Err.Error()}
}

// String is the loss in words.
func (l Loss) String() string {
	text := fmt.Sprintf("block %d", l.First)
	if l.First != l.Last {
		text = fmt.Sprintf("blocks %d to %d", l.First, l.Last)
	}
	if span := spanText(l.After, l.Before); span != "" {
		text += ", " + span
	}
	return text + ": " + l.Why
}

const (
	// extent is how many bytes of blocks a sealed file has under one key. bbolt gives a value whole pages, so a larger
	// one wastes less, and a reader holds one in memory.
	extent = 64 << 10
	// batch is how many bytes of blocks are in memory while a file is sealed.
	batch = 2 << 20
)

func decodeSeal(text, sum []byte) (s Seal, err error) {
	if !bytes.Equal(sum, checksumText(text)) {
		return s, errors.New("the session's seal does not match its checksum")
	}
	if err := json.Unmarshal(text, &s); err != nil {
		return s, fmt.Errorf("the session's seal is not readable: %w", err)
	}
	return s, nil
}

// digest sums up what a seal's SHA256 says.
type digest struct{ h hash.Hash }

func newDigest(description []byte) digest {
	d := digest{sha256.New()}
	d.add(description)
	return d
}

func (d digest) add(part []byte) {
	var n [8]byte
	binary.BigEndian.PutUint64(n[:], uint64(len(part)))
	_, _ = d.h.Write(n[:])
	_, _ = d.h.Write(part)
}

func (d digest) String() string { return hex.EncodeToString(d.h.Sum(nil)) }

// sealer writes a sealed session file.
type sealer struct {
	db     *bolt.DB
	digest digest
	seal   Seal

	values  []sealedValue // not yet written
	pending int           // their bytes
}

type sealedValue struct {
	bucket []byte
	key    uint64
	bytes  []byte
}

// writeSealed writes a description and a session's blocks to a new file: compact, with its seal, on the medium when it
// returns and read-only from then on. What salvaged returns once all blocks were read goes into the seal. After an error
// no file is left. The error wraps ErrFull for a lack of room.
func writeSealed(path string, text []byte, blocks iter.Seq2[piece, error], salvaged func() string) (Seal, error) {
	_ = os.Remove(path)
	s, err := sealInto(path, text, blocks, salvaged)
	if err == nil {
		err = settle(path, 0o444)
	}
	if err != nil {
		_ = os.Remove(path)
		return Seal{}, fmt.Errorf("seal the session: %w", room(err))
	}
	return s, nil
}

func sealInto(path string, text []byte, blocks iter.Seq2[piece, error], salvaged func() string) (seal Seal, err error) {
	db, err := bolt.Open(path, 0o644, &bolt.Options{Timeout: lockWait, FreelistType: bolt.FreelistMapType, NoStatistics: true,
		OpenFile: openOrMake})
	if err != nil {
		return Seal{}, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.NoSync, db.NoGrowSync = true, false // settle syncs; growing sets the file's size
	s := &sealer{db: db, digest: newDigest(text)}
	if err := s.write(func(tx *bolt.Tx) error { return putEarly(tx, text) }); err != nil {
		return Seal{}, err
	}
	for p, err := range blocks {
		if err == nil {
			err = s.piece(p)
		}
		if err != nil {
			return Seal{}, err
		}
	}
	s.seal.SHA256, s.seal.Salvaged = s.digest.String(), salvaged()
	sealText, err := json.Marshal(s.seal)
	if err != nil {
		return Seal{}, err
	}
	return s.seal, s.write(func(tx *bolt.Tx) error { return putMeta(tx, text, sealText) })
}

func (s *sealer) piece(p piece) error {
	if l := p.lost; l != nil {
		s.seal.Blocks = l.Last + 1
		s.seal.Lost = append(s.seal.Lost, lossOf(l))
		if len(p.rubbish) == 0 {
			return nil
		}
		return s.put(sealedValue{lostBucket, l.First, bytes.Clone(p.rubbish)})
	}
	s.digest.add(p.raw)
	s.seal.Blocks = p.header.Sequence + 1
	if s.seal.Samples == 0 {
		s.seal.Last = p.header.Last
	}
	s.seal.Last = max(s.seal.Last, p.header.Last)
	s.seal.Samples += uint64(p.header.Count)
	if n := len(s.values); n > 0 {
		v := &s.values[n-1]
		if &v.bucket[0] == &blocksBucket[0] && len(v.bytes)+len(p.raw) <= extent {
			v.bytes = append(v.bytes, p.raw...)
			s.pending += len(p.raw)
			return nil
		}
	}
	return s.put(sealedValue{blocksBucket, p.header.Sequence, append(make([]byte, 0, extent), p.raw...)})
}

func (s *sealer) put(v sealedValue) error {
	if s.pending >= batch {
		if err := s.write(nil); err != nil {
			return err
		}
	}
	s.values = append(s.values, v)
	s.pending += len(v.bytes)
	return nil
}

// write writes what is pending, and more, in one transaction.
func (s *sealer) write(more func(tx *bolt.Tx) error) error {
	err := guarded(func() error {
		return s.db.Update(func(tx *bolt.Tx) error {
			if _, err := tx.CreateBucketIfNotExists(blocksBucket); err != nil {
				return err
			}
			for _, v := range s.values {
				b, err := tx.CreateBucketIfNotExists(v.bucket)
				if err != nil {
					return err
				}
				b.FillPercent = 1
				if err := b.Put(key(v.key), v.bytes); err != nil {
					return err
				}
			}
			if more == nil {
				return nil
			}
			return more(tx)
		})
	})
	s.values, s.pending = nil, 0
	return err
}

// settle brings a file that bbolt has written and closed onto the medium: no longer than its pages, whole, with the
// given permissions.
func settle(path string, mode os.FileMode) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err == nil {
		var t *tree
		if t, err = readTree(f, info.Size()); err == nil {
			err = f.Truncate(int64(t.high) * t.pageSize)
		}
	}
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// notSalvaged is the text of a seal whose session was whole.
func notSalvaged() string { return "" }

// sealAt replaces a session's file by its sealed form, which is made from a. Every reading that is in the file stays
// in one of the two at any time. A file that the medium cannot read whole is left, with an error that is an unreadError.
func sealAt(a *atRest, path string) (Seal, error) {
	text := a.text
	if a.meta.Format != Format {
		m := a.meta
		m.Format = Format
		m.Revision++
		var err error
		if text, _, err = encodeMeta(m); err != nil {
			return Seal{}, err
		}
	}
	unborn := path + newSuffix
	seal, err := writeSealed(unborn, text, a.pieces().all(), notSalvaged)
	if err != nil {
		return Seal{}, err
	}
	if e := a.r.unread; e != nil {
		return Seal{}, errors.Join(e, os.Remove(unborn))
	}
	if err := os.Rename(unborn, path); err != nil {
		_ = os.Remove(unborn)
		return Seal{}, err
	}
	return seal, syncDir(filepath.Dir(path))
}
