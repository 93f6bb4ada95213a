package store

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"time"

	"underdash/store/block"
)

// source is where a session's blocks come from: a file at rest, the file being recorded, or another process.
type source interface {
	// value copies the first value whose key is at or after a sequence number into buffer. A nil value is the end, or
	// with an error the end of all reading; a value with an error is one that could not be read.
	value(sequence uint64, buffer []byte) (key uint64, value []byte, err error)
	// rescue returns another copy of the first block at or after a sequence number of which there is one, for those
	// that value does not lead to.
	rescue(sequence uint64) (at uint64, raw []byte, ok bool)
	// tail is the sequence number behind the last block that rescue knows, 0 if value leads to all there are.
	tail() uint64
}

// piece is one whole block, or a range of blocks that are lost.
type piece struct {
	header  block.Header
	raw     []byte      // the whole block; good until the next piece
	lost    *BlockError // nil for a whole block
	rubbish []byte      // what stands in the file where lost blocks should
}

// pieces goes through a session's blocks in order, once. Every sequence number is accounted for.
type pieces struct {
	src     source
	session string
	number  uint64
	limit   uint64        // of sequence numbers, the first that is not there any more; unknown: MaxUint64
	end     time.Duration // of the session, 0 if unknown

	want    uint64
	after   time.Duration // the last instant so far
	cause   error         // why the blocks from want on are bad, if one was seen
	rubbish []byte
	yield   func(piece, error) bool
	stopped bool
}

func (p *pieces) all() iter.Seq2[piece, error] {
	return func(yield func(piece, error) bool) {
		if c, ok := p.src.(io.Closer); ok {
			defer func() { _ = c.Close() }()
		}
		p.yield = yield
		p.run()
	}
}

func (p *pieces) run() {
	var buffer []byte
	bad := uint64(0) // behind the last key whose value was not whole
	for seek := uint64(0); p.want < p.limit && seek != math.MaxUint64; {
		key, value, err := p.src.value(seek, buffer)
		if value == nil {
			if err != nil {
				p.yield(piece{}, err)
				return
			}
			break
		}
		if key >= p.limit {
			break
		}
		buffer, seek = value, max(seek, key+1)
		if err == nil && p.values(key, value) {
			if p.stopped {
				return
			}
			continue
		}
		if p.stopped {
			return
		}
		if err != nil {
			p.cause = err
		}
		bad = key + 1
	}
	end := p.limit
	if end == math.MaxUint64 {
		end = max(bad, p.src.tail())
	}
	p.lose(end, p.end)
}

// values takes in what stands under one key: blocks, one behind the other. It reports whether all of it was whole.
func (p *pieces) values(key uint64, value []byte) (whole bool) {
	whole = len(value) > 0
	if !whole {
		_, p.cause = block.Check(value)
	}
	first := true
	for rest := value; len(rest) > 0; {
		start, n, ok := block.Next(rest)
		if !ok {
			start = len(rest)
		}
		if start > 0 {
			whole = false
			p.rubbish = append(p.rubbish, rest[:start]...)
			_, p.cause = block.Check(rest[:start])
		}
		if !ok {
			return false
		}
		raw := rest[start : start+n]
		rest = rest[start+n:]
		h, err := block.ReadHeader(raw)
		switch {
		case err != nil: // of an unknown version
			sequence := max(p.want, key)
			if p.lose(sequence, 0); p.stopped {
				return false
			}
			p.cause = err
			if p.lose(sequence+1, 0); p.stopped {
				return false
			}
		case h.Session != p.number, first && start == 0 && h.Sequence != key:
			p.cause = errOther(h)
			p.rubbish = append(p.rubbish, raw...)
			whole = false
		case h.Sequence >= p.want && h.Sequence < p.limit:
			if p.lose(h.Sequence, h.First); p.stopped {
				return false
			}
			if p.take(h, raw); p.stopped {
				return false
			}
		}
		first = false
	}
	return whole
}

func (p *pieces) take(h block.Header, raw []byte) {
	p.want = h.Sequence + 1
	p.after = max(p.after, h.Last)
	if !p.yield(piece{header: h, raw: raw}, nil) {
		p.stopped = true
	}
}

// lose accounts for the blocks before one: those of which there is another copy, and those which are lost.
func (p *pieces) lose(until uint64, before time.Duration) {
	for p.want < until {
		at, raw, ok := p.src.rescue(p.want)
		h, err := block.ReadHeader(raw)
		if !ok || err != nil || at >= until {
			p.report(until-1, before)
			break
		}
		if at > p.want {
			p.report(at-1, h.First)
		}
		if !p.stopped {
			p.take(h, raw)
		}
		if p.stopped {
			return
		}
	}
	p.cause, p.rubbish = nil, nil
}

// report tells that the blocks from the wanted one to last are lost.
func (p *pieces) report(last uint64, before time.Duration) {
	cause := p.cause
	if cause == nil {
		cause = errMissing
	}
	lost := &BlockError{Session: p.session, First: p.want, Last: last, After: p.after, Before: before, Err: cause}
	if !p.yield(piece{lost: lost, rubbish: p.rubbish}, nil) {
		p.stopped = true
	}
	p.rubbish, p.want = nil, last+1
}

var errMissing = errors.New("missing")

func errOther(h block.Header) error {
	return fmt.Errorf("it says that it is block %d of session %d", h.Sequence, h.Session)
}
