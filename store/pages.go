package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"math"
)

// bbolt trusts its own pages: from a damaged file it may panic, also on a goroutine of its own where nobody can
// recover, descend a cycle for ever, or read beyond its map. Files at rest are therefore read by the code here, which
// knows the format (version 2, the one in use since 2014) and believes no number before it has checked it. Only the
// process that records opens its file with bbolt.
//
// The file is pages of equal size, in the byte order of the machine. Pages 0 and 1 are metas, of which the one with
// the higher transaction number counts; a page may be followed by others that belong to it (overflow).
//
//	page     0  8  its number
//	         8  2  what it is: 1 branch, 2 leaf, 4 meta, 16 freelist
//	        10  2  elements
//	        12  4  how many pages belong to it besides itself
//	meta    16  4  magic     24  4  page size    32 16  root bucket    56  8  pages in use
//	        20  4  version   28  4  flags        48  8  freelist page  64  8  transaction   72  8  FNV-64a of 16 to 71
//	branch  16  …  elements: 4 distance to the key, 4 its length, 8 page number; keys follow
//	leaf    16  …  elements: 4 flags (1: a bucket), 4 distance to the key, 4 its length, 4 the value's; keys and values
//	bucket   0  8  page of its root; 0: the root is the leaf page that stands right behind these 16 bytes
//	         8  8  a counter
const (
	pageHeader  = 16
	elementSize = 16
	metaSize    = 64
	boltMagic   = 0xED0CDAED
	boltVersion = 2
	deepest     = 24 // levels of a tree; a page has at least two keys
	fewestPages = 4

	flagBranch   = 0x01
	flagLeaf     = 0x02
	flagMeta     = 0x04
	flagFreelist = 0x10
)

var order = binary.NativeEndian

// tree is a file of bbolt's as it stands, read page by page.
type tree struct {
	r        io.ReaderAt
	size     int64 // of the file
	pageSize int64
	root     uint64
	freelist uint64
	high     uint64 // pages in use, the metas included
	torn     bool   // one of the metas is not valid: the other may be an older one
}

// place is where a value stands in the file.
type place struct{ at, length int64 }

// readTree finds the meta that counts. It returns ErrDamaged, wrapped, if there is none, and also, together with the
// tree, if the file is shorter than its pages.
func readTree(r io.ReaderAt, size int64) (*tree, error) {
	if size == 0 {
		return nil, fmt.Errorf("%w: the file is empty", ErrDamaged)
	}
	var best *tree
	var newest uint64
	valid := 0
	take := func(at int64) {
		t, tx, ok := readMetaPage(r, size, at)
		if !ok {
			return
		}
		valid++
		if best == nil || tx > newest {
			best, newest = t, tx
		}
	}
	take(0)
	if best != nil {
		take(best.pageSize)
	}
	for ps := int64(1024); best == nil && ps <= 64<<10; ps *= 2 { // the first is gone, and with it the page size
		take(ps)
	}
	if best == nil {
		return nil, fmt.Errorf("%w: it has no valid first page: it is no session file, or its beginning is lost", ErrDamaged)
	}
	best.torn = valid < 2
	if whole := int64(best.high) * best.pageSize; whole > size {
		return best, fmt.Errorf("%w: the file was cut to %d of at least %d bytes", ErrDamaged, size, whole)
	}
	return best, nil
}

func readMetaPage(r io.ReaderAt, size, at int64) (t *tree, tx uint64, ok bool) {
	var b [pageHeader + metaSize]byte
	if at < 0 || at > size-int64(len(b)) {
		return nil, 0, false
	}
	if _, err := r.ReadAt(b[:], at); err != nil {
		return nil, 0, false
	}
	m := b[pageHeader:]
	sum := fnv.New64a()
	_, _ = sum.Write(m[:56])
	if order.Uint32(m) != boltMagic || order.Uint32(m[4:]) != boltVersion || order.Uint64(m[56:]) != sum.Sum64() {
		return nil, 0, false
	}
	t = &tree{r: r, size: size, pageSize: int64(order.Uint32(m[8:])), root: order.Uint64(m[16:]),
		freelist: order.Uint64(m[32:]), high: order.Uint64(m[40:])}
	ok = t.pageSize >= 512 && t.pageSize <= 16<<20 && t.pageSize&(t.pageSize-1) == 0 &&
		t.high >= fewestPages && t.high < math.MaxInt64/uint64(t.pageSize)
	return t, order.Uint64(m[48:]), ok
}

// page is a page and those that belong to it, or one inside a bucket's value.
type page struct {
	at, length int64 // in the file, header included
	flags      uint16
	count      int
	number     uint64
	pages      uint64 // how many
	head       []byte // its beginning, as much as was read
}

func (t *tree) damaged(number uint64, format string, args ...any) error {
	return fmt.Errorf("%w: page %d: %s", ErrDamaged, number, fmt.Sprintf(format, args...))
}

// read returns n bytes from a place in the page, which are known to lie inside it.
func (t *tree) read(p *page, from, n int64) ([]byte, error) {
	if from+n <= int64(len(p.head)) {
		return p.head[from : from+n], nil
	}
	b := make([]byte, n)
	if _, err := t.r.ReadAt(b, p.at+from); err != nil {
		return nil, fmt.Errorf("page %d: %w", p.number, err)
	}
	return b, nil
}

// page reads a page's head and checks what it says of itself.
func (t *tree) page(number uint64) (*page, error) {
	if number < 2 || number >= t.high {
		return nil, t.damaged(number, "there is no such page, %d are in use", t.high)
	}
	p := &page{at: int64(number) * t.pageSize, number: number, head: make([]byte, t.pageSize)}
	if p.at > t.size-t.pageSize {
		return nil, t.damaged(number, "it lies beyond the end of the file")
	}
	if _, err := t.r.ReadAt(p.head, p.at); err != nil {
		return nil, fmt.Errorf("page %d: %w", number, err)
	}
	if id := order.Uint64(p.head); id != number {
		return nil, t.damaged(number, "it says that it is page %d", id)
	}
	p.pages = 1 + uint64(order.Uint32(p.head[12:]))
	p.length = int64(p.pages) * t.pageSize
	if number+p.pages > t.high || p.at+p.length > t.size {
		return nil, t.damaged(number, "it is longer than the file")
	}
	return p, t.elements(p)
}

// inline makes a page of one that stands inside a bucket's value.
func (t *tree) inline(number uint64, v place) (*page, error) {
	p := &page{at: v.at, length: v.length, number: number, head: make([]byte, min(v.length, t.pageSize))}
	if v.length < pageHeader {
		return nil, t.damaged(number, "a bucket in it is too short")
	}
	if _, err := t.r.ReadAt(p.head, p.at); err != nil {
		return nil, fmt.Errorf("page %d: %w", number, err)
	}
	return p, t.elements(p)
}

func (t *tree) elements(p *page) error {
	p.flags, p.count = order.Uint16(p.head[8:]), int(order.Uint16(p.head[10:]))
	if p.flags&(flagBranch|flagLeaf) != 0 && int64(pageHeader+p.count*elementSize) > p.length {
		return t.damaged(p.number, "%d elements do not fit into it", p.count)
	}
	return nil
}

// element is one key of a branch or leaf page.
type element struct {
	key    []byte
	child  uint64 // of a branch
	value  place  // of a leaf
	bucket bool
}

// element reads the i-th key of a page. What it returns lies inside the page.
func (t *tree) element(p *page, i int) (e element, err error) {
	at := int64(pageHeader + i*elementSize)
	b, err := t.read(p, at, elementSize)
	if err != nil {
		return e, err
	}
	var distance, key, value int64
	if p.flags == flagBranch {
		distance, key, e.child = int64(order.Uint32(b)), int64(order.Uint32(b[4:])), order.Uint64(b[8:])
	} else {
		e.bucket = order.Uint32(b)&1 != 0
		distance, key, value = int64(order.Uint32(b[4:])), int64(order.Uint32(b[8:])), int64(order.Uint32(b[12:]))
	}
	start := at + distance
	if start < int64(pageHeader+p.count*elementSize) || start+key+value > p.length {
		return e, t.damaged(p.number, "element %d lies outside it", i)
	}
	if key > 1<<15 { // bbolt's own limit
		return e, t.damaged(p.number, "element %d has a key of %d bytes", i, key)
	}
	if e.key, err = t.read(p, start, key); err != nil {
		return e, err
	}
	e.value = place{p.at + start + key, value}
	return e, nil
}

// value reads a value.
func (t *tree) value(p place, into []byte) ([]byte, error) {
	if int64(cap(into)) < p.length {
		into = make([]byte, p.length)
	}
	into = into[:p.length]
	if _, err := t.r.ReadAt(into, p.at); err != nil && !(errors.Is(err, io.EOF) && p.length == 0) {
		return nil, err
	}
	return into, nil
}
