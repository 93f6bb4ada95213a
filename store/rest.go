package store

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
)

// largestValue is more than any value of ours takes; what claims to be longer is damaged.
const largestValue = 32 << 20

// leastBlock is less than any block takes, in bytes.
const leastBlock = 16

// atRest is a session file that no process records into, read without bbolt.
type atRest struct {
	f      *os.File // is read through sectors
	r      *sectors
	path   string
	id     string // by the file's name
	number uint64 // of the session, as its blocks carry it
	size   int64
	bytes  int64 // on the medium
	tree   *tree // nil if the file has no first page any more

	meta Meta
	text []byte // of the description, as it was stored
	seal *Seal  // nil before the session is sealed

	faults  []error // what is wrong with the pages, as far as they were read
	walked  bool
	entries []entry // of the blocks, by sequence number; once walked
	found   *scanned
	memory  []recent // blocks that the recording process still has
}

type entry struct {
	sequence uint64
	at       place
}

// errNoDescription says that a file's blocks may be there, and nothing that says what they are.
var errNoDescription = errors.New("its description is lost")

// medium is what a file at rest is read through; tests let it fail.
var medium = func(f *os.File) io.ReaderAt { return f }

// openAtRest opens a session file and reads its description. ErrRecording says that a process records into it. With
// errNoDescription, which wraps what is wrong, the file comes back all the same.
func openAtRest(path string) (*atRest, error) { return openPatiently(path, mostUnread) }

// openPatiently is openAtRest for a file of which so many sectors may be unreadable.
func openPatiently(path string, most int) (a *atRest, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil && !errors.Is(err, errNoDescription) {
			_ = f.Close()
			a = nil
		}
	}()
	if err := lockShared(f); err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	a = &atRest{f: f, path: path, id: idOf(filepath.Base(path)), size: info.Size(), bytes: allocated(info)}
	a.number, _ = numberOf(a.id)
	a.r = &sectors{r: medium(f), most: most, found: a.faultFirst}
	if a.tree, err = readTree(a.r, a.size); err != nil {
		a.faults = append(a.faults, err)
	}
	return a, a.describe()
}

func (a *atRest) close() error { return a.f.Close() }

func (a *atRest) fault(err error) { a.faults = append(a.faults, err) }

// faultFirst puts what cannot be read before what is wrong because of it.
func (a *atRest) faultFirst(e *unreadError) { a.faults = slices.Insert(a.faults, 0, error(e)) }

// describe reads the description and the seal: from their place, from their copy, or from wherever one is found.
func (a *atRest) describe() error {
	if a.tree != nil {
		for _, bucket := range []string{string(metaBucket), string(copyBucket)} {
			err := a.describeFrom(bucket)
			if err == nil && a.tree.torn {
				a.describeNewer()
			}
			if err == nil || errors.Is(err, ErrVersion) {
				return err
			}
			a.fault(err)
		}
	}
	found, err := a.search()
	if err != nil {
		return err
	}
	m, text, ok := found.newest()
	if !ok {
		return fmt.Errorf("%w: %w", errNoDescription, a.faults[0])
	}
	a.take(m, text)
	if len(found.seals) > 0 {
		a.seal = &found.seals[0]
	}
	return nil
}

// describeNewer takes a later description than the one that an older meta leads to.
func (a *atRest) describeNewer() {
	found, err := a.search()
	if err != nil {
		return
	}
	if m, text, ok := found.newest(); ok && m.Number == a.number && m.Revision > a.meta.Revision {
		a.take(m, text)
	}
}

func (a *atRest) take(m Meta, text []byte) {
	a.meta, a.text, a.number = m, bytes.TrimRight(text, " "), m.Number
}

func (a *atRest) describeFrom(bucket string) error {
	values := make(map[string][]byte)
	var wrong error
	w := a.tree.walk(a.fault)
	w.bucketsIf(func(name string) bool { return name == bucket }, func(_ string, e element) {
		if e.value.length > largestValue {
			return
		}
		v, err := a.tree.value(e.value, nil)
		if err != nil {
			wrong = err
		}
		values[string(e.key)] = v
	})
	if wrong != nil {
		return wrong
	}
	text := values[string(metaKey)]
	m, err := decodeMeta(text, values[string(metaSumKey)])
	if err != nil {
		if errors.Is(err, ErrVersion) {
			return err
		}
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if t, ok := values[string(sealKey)]; ok {
		seal, err := decodeSeal(t, values[string(sealSumKey)])
		if err != nil {
			return fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		a.seal = &seal
	}
	a.take(m, text)
	return nil
}

// search looks for blocks and descriptions by their marks, once.
func (a *atRest) search() (*scanned, error) {
	if a.found == nil {
		found, err := scan(a.r, a.size)
		if err != nil {
			return nil, err
		}
		a.found = found
	}
	return a.found, nil
}

// walkBlocks finds where the blocks stand, once.
func (a *atRest) walkBlocks() {
	if a.walked {
		return
	}
	a.walked = true
	if a.tree == nil {
		return
	}
	there := false
	w := a.tree.walk(a.fault)
	w.bucketsIf(func(name string) bool {
		there = there || name == string(blocksBucket)
		return name == string(blocksBucket)
	}, func(_ string, e element) {
		if len(e.key) != 8 {
			a.fault(fmt.Errorf("%w: a block's key has %d bytes instead of 8", ErrDamaged, len(e.key)))
			return
		}
		sequence := binary.BigEndian.Uint64(e.key)
		if sequence > uint64(a.size)/leastBlock {
			a.fault(fmt.Errorf("%w: a block's key says %d, so many do not fit into the file", ErrDamaged, sequence))
			return
		}
		a.entries = append(a.entries, entry{sequence, e.value})
	})
	if !there {
		a.fault(fmt.Errorf("%w: it has not the parts of a session", ErrDamaged))
	}
	slices.SortStableFunc(a.entries, func(x, y entry) int { return cmp.Compare(x.sequence, y.sequence) })
}

// value implements source.
func (a *atRest) value(sequence uint64, buffer []byte) (key uint64, value []byte, err error) {
	a.walkBlocks()
	return a.entry(a.first(sequence), buffer)
}

// around is value, but for the value that a block would be in if it is not the first under its key.
func (a *atRest) around(sequence uint64, buffer []byte) (key uint64, value []byte, err error) {
	a.walkBlocks()
	i := a.first(sequence)
	if i > 0 && (i == len(a.entries) || a.entries[i].sequence > sequence) {
		i--
	}
	return a.entry(i, buffer)
}

// first is the place of the first entry at or after a sequence number.
func (a *atRest) first(sequence uint64) int {
	i, _ := slices.BinarySearchFunc(a.entries, sequence, func(e entry, s uint64) int { return cmp.Compare(e.sequence, s) })
	return i
}

func (a *atRest) entry(i int, buffer []byte) (key uint64, value []byte, err error) {
	if i == len(a.entries) {
		return 0, nil, nil
	}
	e := a.entries[i]
	if e.at.length > largestValue {
		return e.sequence, []byte{}, fmt.Errorf("it says that it takes %d bytes", e.at.length)
	}
	value, err = a.tree.value(e.at, buffer)
	if value == nil {
		value = []byte{}
	}
	return e.sequence, value, err
}

// rescue implements source: another copy of a block, in memory or wherever one is in the file.
func (a *atRest) rescue(sequence uint64) (at uint64, raw []byte, ok bool) {
	at, raw, ok = a.rescueFromFile(sequence)
	for _, b := range a.memory {
		if b.sequence >= sequence && (!ok || b.sequence <= at) {
			return b.sequence, b.raw, true
		}
	}
	return at, raw, ok
}

func (a *atRest) rescueFromFile(sequence uint64) (at uint64, raw []byte, ok bool) {
	found, err := a.search()
	if err != nil {
		return 0, nil, false
	}
	blocks := found.blocks[a.number]
	i, _ := slices.BinarySearchFunc(blocks, sequence, func(b scannedBlock, s uint64) int { return cmp.Compare(b.sequence, s) })
	if i == len(blocks) {
		return 0, nil, false
	}
	raw = make([]byte, blocks[i].at.length)
	if _, err := a.r.ReadAt(raw, blocks[i].at.at); err != nil {
		return 0, nil, false
	}
	return blocks[i].sequence, raw, true
}

// tail implements source. As long as nothing is wrong with the pages, they lead to every block. A block that only the
// lost meta led to is found as well: it was on the medium before that meta was written.
func (a *atRest) tail() uint64 {
	if len(a.faults) == 0 && !a.tree.torn {
		return 0
	}
	found, err := a.search()
	if err != nil || len(found.blocks[a.number]) == 0 {
		return 0
	}
	blocks := found.blocks[a.number]
	return blocks[len(blocks)-1].sequence + 1
}

// pieces goes through the session's blocks.
func (a *atRest) pieces() *pieces {
	p := &pieces{src: a, session: a.id, number: a.number, limit: math.MaxUint64}
	if e := a.meta.End; e != nil {
		p.limit, p.end = e.Blocks, max(e.At, e.Last)
	}
	if a.seal != nil {
		p.limit, p.end = a.seal.Blocks, max(p.end, a.seal.Last)
	}
	return p
}
