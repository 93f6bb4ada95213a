package store

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"path/filepath"
	"time"

	"underdash/store/block"
)

// Reader reads one session. Several may read the same one.
type Reader struct {
	src    source
	info   Info
	meta   Meta
	pieces func() *pieces
	close  func() error
}

// OpenReader opens a session's file for reading. The error wraps ErrRecording if a process holds it for recording,
// ErrDamaged if it cannot be a session any more, ErrVersion if a newer program wrote it. Of a damaged file whatever
// can be found is read: Info says what is wrong, and Samples where readings are lost.
func OpenReader(path string) (*Reader, error) {
	a, err := openAtRest(path)
	if err != nil {
		if a != nil {
			_ = a.close()
		}
		if errors.Is(err, ErrRecording) {
			return nil, fmt.Errorf("session %s: %w: read it when the drive has ended", IDOf(path), err)
		}
		return nil, fmt.Errorf("open session %s: %w", IDOf(path), err)
	}
	r := &Reader{src: a, info: a.info(), meta: a.meta.withAnchors(Anchors(filepath.Dir(path))), pieces: a.pieces, close: a.close}
	r.info.Meta = r.meta
	return r, nil
}

// Meta is the session's description. What it points to must not be changed.
func (r *Reader) Meta() Meta { return r.meta }

// Info sums the session up.
func (r *Reader) Info() Info { return r.info }

// Close closes the file.
func (r *Reader) Close() error { return r.close() }

// Samples yields all readings, those of one Append in the order of their instants. An error with a *BlockError in it concerns
// some blocks only: the readings before were right, and those of the next good block follow if the loop goes on.
// After any other error the iteration is over. It holds a few blocks in memory and nothing of the file while the
// loop's body runs, so a slow reader never holds up the recording.
func (r *Reader) Samples() iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		var samples []Sample
		for p, err := range r.pieces().all() {
			if err == nil && p.lost != nil {
				err = p.lost
			}
			if err == nil {
				samples, err = r.decode(p, samples[:0])
			}
			if err != nil {
				if !yield(Sample{}, err) {
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

func (r *Reader) decode(p piece, into []Sample) ([]Sample, error) {
	_, samples, err := block.Decode(p.raw, into)
	if err == nil {
		err = r.known(samples)
	}
	if err != nil {
		h := p.header
		return into, &BlockError{Session: r.info.ID, First: h.Sequence, Last: h.Sequence, After: h.First, Before: h.Last, Err: err}
	}
	return samples, nil
}

func (r *Reader) known(samples []Sample) error {
	for _, s := range samples {
		if int(s.Channel) >= len(r.meta.Channels) {
			return fmt.Errorf("it has readings of channel %d, the session has %d channels", s.Channel, len(r.meta.Channels))
		}
	}
	return nil
}

// WriteBlocks writes the session's blocks, one behind the other, as NewReader reads them: the way to give another
// process what is being recorded. Damaged blocks are left out.
func (r *Reader) WriteBlocks(w io.Writer) error {
	for p, err := range r.pieces().all() {
		if err != nil {
			return fmt.Errorf("session %s: %w", r.info.ID, err)
		}
		if p.lost != nil {
			continue
		}
		if _, err := w.Write(p.raw); err != nil {
			return err
		}
	}
	return nil
}

// NewReader reads a session that another process described by info and whose blocks it writes with WriteBlocks. open
// is called for every iteration.
func NewReader(info Info, open func() (io.ReadCloser, error)) *Reader {
	r := &Reader{info: info, meta: info.Meta, close: func() error { return nil }}
	r.pieces = func() *pieces {
		return &pieces{src: &streamed{open: open}, session: info.ID, number: info.Meta.Number, limit: info.Blocks, end: info.Length}
	}
	return r
}

// streamed is blocks that come one behind the other.
type streamed struct {
	open func() (io.ReadCloser, error)
	in   io.ReadCloser
}

// value implements source.
func (s *streamed) value(_ uint64, buffer []byte) (uint64, []byte, error) {
	if s.in == nil {
		in, err := s.open()
		if err != nil {
			return 0, nil, err
		}
		s.in = in
	}
	raw, err := block.Read(s.in, buffer)
	if errors.Is(err, io.EOF) {
		return 0, nil, nil
	}
	if err != nil {
		return 0, nil, err
	}
	h, err := block.ReadHeader(raw)
	return h.Sequence, raw, err
}

// Close ends the stream.
func (s *streamed) Close() error {
	if s.in == nil {
		return nil
	}
	return s.in.Close()
}

func (s *streamed) rescue(uint64) (uint64, []byte, bool) { return 0, nil, false }
func (s *streamed) tail() uint64                         { return 0 }

// sum adds up what the blocks of an unsealed session hold. A block that is lost is told in words.
func sum(p *pieces) (blocks, samples uint64, last time.Duration, lost []Loss, err error) {
	last = math.MinInt64
	for x, err := range p.all() {
		if err != nil {
			return blocks, samples, max(last, 0), lost, err
		}
		if l := x.lost; l != nil {
			lost = append(lost, lossOf(l))
			blocks = l.Last + 1
			continue
		}
		blocks, samples, last = x.header.Sequence+1, samples+uint64(x.header.Count), max(last, x.header.Last)
	}
	if samples == 0 {
		last = 0
	}
	return blocks, samples, last, lost, nil
}
