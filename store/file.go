package store

import (
	"bytes"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"os"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
)

const (
	extension = ".session"
	newSuffix = ".new" // of a file that is being made: nobody reads it

	// The map that bbolt starts with. A reader's transaction blocks a commit that must enlarge the map, so it is made
	// large enough for a day's drive at once; addresses are what it costs, not memory. On a 32-bit board addresses
	// are scarce, and growing past 1 GiB fails there, so the whole file is bounded too.
	initialMap64 = 64 << 20
	initialMap32 = 16 << 20
	maxFile32    = 256 << 20 // of a file on a 32-bit board
	largest32    = 240 << 20 // of one that takes more readings there: what is left is for its end

	// The file grows in such steps, bbolt's own 16 MiB are much for one drive.
	growth = 1 << 20

	// A file that was just recorded into may still be read by somebody who took it for one at rest.
	lockWait = 500 * time.Millisecond
)

// initialMap is what openFile asks for; tests make it small, to see the map grow.
var initialMap = map[bool]int{true: initialMap32, false: initialMap64}[bits.UintSize == 32]

var (
	metaBucket   = []byte("meta")
	copyBucket   = []byte("copy")
	earlyBucket  = []byte("early")
	blocksBucket = []byte("blocks")
	lostBucket   = []byte("damaged")
	metaKey      = []byte("meta")
	metaSumKey   = []byte("meta.crc32c")
	sealKey      = []byte("seal")
	sealSumKey   = []byte("seal.crc32c")
)

var idPattern = regexp.MustCompile(`^([0-9]{5,19})-[0-9a-hjkmnp-tv-z]{4}(-[0-9a-f]{8})?$`)

// A store's name is long enough that no two are the same: 60 random bits.
const originLength = 12

var originPattern = regexp.MustCompile(`^[0-9a-hjkmnp-tv-z]{12}$`)

// crockford is the alphabet of Crockford's base 32, lower case: no i, l, o, u.
const crockford = "0123456789abcdefghjkmnpqrstvwxyz"

// newID names a session: its number, so that names sort by time, and four random characters, so that sessions of
// different stores can be told apart when they are put together.
func newID(number uint64) string { return fmt.Sprintf("%05d-%s", number, random(4)) }

// random is so many random characters.
func random(n int) string {
	r := make([]byte, n)
	_, _ = rand.Read(r) // never fails; see crypto/rand
	for i := range r {
		r[i] = crockford[r[i]%32]
	}
	return string(r)
}

// numberOf is the session number in an ID; false for a name that is none.
func numberOf(id string) (uint64, bool) {
	m := idPattern.FindStringSubmatch(id)
	if m == nil {
		return 0, false
	}
	n, err := strconv.ParseUint(m[1], 10, 64)
	return n, err == nil
}

// IDOf is the ID of the session in the file at a path, which its name says.
func IDOf(path string) string { return idOf(filepath.Base(path)) }

func idOf(fileName string) string { return strings.TrimSuffix(fileName, extension) }

func key(sequence uint64) []byte { return binary.BigEndian.AppendUint64(nil, sequence) }

// openFile opens a session file with bbolt, to write to it. It gives up soon if another process holds the file, with
// bolterrors.ErrTimeout, and returns ErrDamaged for what bbolt panics about.
func openFile(path string) (*bolt.DB, error) {
	o := &bolt.Options{
		Timeout:         lockWait,
		FreelistType:    bolt.FreelistMapType,
		InitialMmapSize: initialMap,
	}
	if bits.UintSize == 32 {
		o.MaxSize = maxFile32
	}
	// After a panic in bbolt's Open nobody else could close the file, and its lock would stay.
	var file *os.File
	o.OpenFile = func(name string, flag int, mode os.FileMode) (f *os.File, err error) {
		file, err = openOrMake(name, flag, mode)
		return file, err
	}
	var db *bolt.DB
	err := guarded(func() (err error) {
		db, err = bolt.Open(path, 0o644, o)
		return err
	})
	switch {
	case err == nil:
		db.AllocSize = growth
		return db, nil
	case errors.Is(err, ErrDamaged):
		if file != nil {
			_ = file.Close()
		}
	case errors.Is(err, bolterrors.ErrInvalid), errors.Is(err, bolterrors.ErrChecksum), errors.Is(err, bolterrors.ErrVersionMismatch):
		err = fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return nil, err
}

// guarded runs f, which reads through bbolt's memory map. bbolt panics on pages that are not what they should be, and
// a page that the file or the medium no longer has is a fault; both become ErrDamaged.
func guarded(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%w: %v", ErrDamaged, r)
		}
	}()
	return f()
}

func view(db *bolt.DB, f func(tx *bolt.Tx) error) error {
	return guarded(func() error { return db.View(f) })
}

func update(db *bolt.DB, f func(tx *bolt.Tx) error) error {
	return room(guarded(func() error { return db.Update(f) }))
}

// putMeta writes a description, and the seal if there is one, in both of their places.
func putMeta(tx *bolt.Tx, text []byte, seal []byte) error {
	for _, name := range [][]byte{metaBucket, copyBucket} {
		b, err := tx.CreateBucketIfNotExists(name)
		if err != nil {
			return err
		}
		if &name[0] == &copyBucket[0] {
			text = filledUp(text)
		}
		values := [][2][]byte{{metaKey, text}, {metaSumKey, checksumText(text)}}
		if seal != nil {
			values = append(values, [2][]byte{sealKey, seal}, [2][]byte{sealSumKey, checksumText(seal)})
		}
		for _, v := range values {
			if err := b.Put(v[0], v[1]); err != nil {
				return err
			}
		}
	}
	return nil
}

// putEarly writes a description where the file begins, in a page that no later transaction writes again: a file that was
// cut short still says what its readings are. Nothing leads to it but its marks, which scan looks for.
func putEarly(tx *bolt.Tx, text []byte) error {
	b, err := tx.CreateBucketIfNotExists(earlyBucket)
	if err == nil {
		text = filledUp(text)
		err = errors.Join(b.Put(metaKey, text), b.Put(metaSumKey, checksumText(text)))
	}
	return err
}

// filledUp is a description that is long enough to have a page of its own: bbolt keeps a small bucket in its parent's,
// and would lose both together.
func filledUp(text []byte) []byte {
	return append(bytes.Clone(text), bytes.Repeat([]byte(" "), max(0, os.Getpagesize()/4-len(text)))...)
}
