package store

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"os"
	"regexp"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
)

const (
	extension    = ".session"
	newExtension = ".session.new" // a file that is being made: not a session yet

	// The map that bbolt starts with. A reader's transaction blocks a commit that must enlarge the map, so it is made
	// large enough for a day's drive at once; addresses are what it costs, not memory. On a 32-bit board addresses
	// are scarce, and growing past 1 GiB fails there, so the whole file is bounded too.
	initialMap64 = 64 << 20
	initialMap32 = 16 << 20
	maxFile32    = 256 << 20

	// The file grows in such steps, bbolt's own 16 MiB are much for one drive.
	growth = 1 << 20
)

var (
	metaBucket   = []byte("meta")
	blocksBucket = []byte("blocks")
	metaKey      = []byte("meta")
	metaSumKey   = []byte("meta.crc32c")
)

var idPattern = regexp.MustCompile(`^([0-9]{5,19})-[0-9a-hjkmnp-tv-z]{4}$`)

// crockford is the alphabet of Crockford's base 32, lower case: no i, l, o, u.
const crockford = "0123456789abcdefghjkmnpqrstvwxyz"

// newID names a session: its number, so that names sort by time, and four random characters, so that sessions of
// different stores can be told apart when they are put together.
func newID(number uint64) string {
	var r [4]byte
	_, _ = rand.Read(r[:]) // never fails; see crypto/rand
	for i := range r {
		r[i] = crockford[r[i]%32]
	}
	return fmt.Sprintf("%05d-%s", number, r[:])
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

func idOf(fileName string) string { return strings.TrimSuffix(fileName, extension) }

func key(sequence uint64) []byte { return binary.BigEndian.AppendUint64(nil, sequence) }

// openFile opens a session file with bbolt. It gives up at once if another process holds the file, with
// bolterrors.ErrTimeout, and returns ErrDamaged for what bbolt panics about.
func openFile(path string, readOnly bool) (*bolt.DB, error) {
	o := &bolt.Options{
		ReadOnly:     readOnly,
		Timeout:      time.Nanosecond, // one try; 0 would wait for ever
		FreelistType: bolt.FreelistMapType,
	}
	if !readOnly {
		o.InitialMmapSize = initialMap64
		if bits.UintSize == 32 {
			o.InitialMmapSize, o.MaxSize = initialMap32, maxFile32
		}
	}
	// After a panic in bbolt's Open nobody else could close the file, and its lock would stay.
	var file *os.File
	o.OpenFile = func(name string, flag int, mode os.FileMode) (f *os.File, err error) {
		file, err = os.OpenFile(name, flag, mode)
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

// openForReading opens a session file that nobody writes to, and finds out at once if it was cut short.
func openForReading(path string) (*bolt.DB, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() == 0 {
		return nil, fmt.Errorf("%w: the file is empty", ErrDamaged)
	}
	db, err := openFile(path, true)
	if errors.Is(err, bolterrors.ErrTimeout) {
		return nil, ErrRecording
	}
	if err != nil {
		return nil, err
	}
	err = view(db, func(tx *bolt.Tx) error {
		if tx.Size() > info.Size() {
			return fmt.Errorf("%w: the file was cut to %d of at least %d bytes", ErrDamaged, info.Size(), tx.Size())
		}
		return nil
	})
	if err != nil {
		_ = db.Close()
		return nil, err
	}
	return db, nil
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

// readMeta reads the session's description.
func readMeta(db *bolt.DB) (m Meta, err error) {
	var text, sum []byte
	err = view(db, func(tx *bolt.Tx) error {
		b := tx.Bucket(metaBucket)
		if b == nil || tx.Bucket(blocksBucket) == nil {
			return fmt.Errorf("%w: it has not the parts of a session", ErrDamaged)
		}
		text = append(text, b.Get(metaKey)...)
		sum = append(sum, b.Get(metaSumKey)...)
		return nil
	})
	if err != nil {
		return Meta{}, err
	}
	m, err = decodeMeta(text, sum)
	if err != nil && !errors.Is(err, ErrVersion) {
		err = fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return m, err
}

func putMeta(tx *bolt.Tx, text, sum []byte) error {
	b, err := tx.CreateBucketIfNotExists(metaBucket)
	if err != nil {
		return err
	}
	if err := b.Put(metaKey, text); err != nil {
		return err
	}
	return b.Put(metaSumKey, sum)
}
