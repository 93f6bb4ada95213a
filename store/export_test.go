package store

import (
	"bytes"

	bolt "go.etcd.io/bbolt"
)

// FreeBytes is what is free on a file system.
func FreeBytes(dir string) (int64, error) { return freeBytes(dir) }

// SetInitialMap makes the first map of files opened from now on so small that it grows while a test records.
func SetInitialMap(bytes int) { initialMap = bytes }

// SetMaxSize limits the file that is being recorded into, 0 no longer: bbolt answers that like a full disk.
func (s *Session) SetMaxSize(bytes int) { s.file().MaxSize = bytes }

// WriteUnsealed copies a session to a file of its own under another ID, as if it had been cut off.
func WriteUnsealed(path, id string, r *Reader) error {
	m := r.Meta()
	m.ID = id
	text, _, err := encodeMeta(m)
	if err != nil {
		return err
	}
	db, err := newFile(path, func(tx *bolt.Tx) error {
		if err := putMeta(tx, text, nil); err != nil {
			return err
		}
		for p, err := range r.pieces().all() {
			if err != nil {
				return err
			}
			if err := putBlocks(tx, []recent{{p.header.Sequence, bytes.Clone(p.raw)}}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return db.Close()
}
