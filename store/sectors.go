package store

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

const (
	// sectorSize is the least that a medium reads at a time, or cannot read.
	sectorSize = 512
	// mostUnread is how many sectors of a file may be unreadable before it is given up: a medium that is gone altogether
	// must not make an empty session of a full one, and one that takes long over each must not keep the daemon from
	// recording. Check and Salvage go on.
	mostUnread = 512
)

// sectors reads a file and steps over what the medium cannot read: zeros stand for it, as for a page that was lost. What
// could not be read once is not tried again.
type sectors struct {
	r      io.ReaderAt
	most   int                // how many may be unreadable
	found  func(*unreadError) // is told of the first one; the error goes on counting
	unread *unreadError
	bad    map[int64]bool // by number
	gaveUp error          // why it reads no more, once there were too many
}

// ReadAt implements io.ReaderAt. An error other than the file's end says that too much of it is unreadable, or that it
// is closed.
func (s *sectors) ReadAt(b []byte, at int64) (n int, err error) {
	if s.gaveUp != nil {
		return 0, s.gaveUp
	}
	if len(s.bad) == 0 {
		n, err = s.r.ReadAt(b, at)
		if err == nil || errors.Is(err, io.EOF) || errors.Is(err, os.ErrClosed) {
			return n, err
		}
	}
	for n < len(b) {
		number := (at + int64(n)) / sectorSize
		part := b[n:min(int64(len(b)), (number+1)*sectorSize-at)]
		m, err := s.sector(part, at+int64(n), number)
		n += m
		if err != nil {
			return n, err
		}
	}
	return n, nil
}

// sector reads a part of one sector.
func (s *sectors) sector(b []byte, at, number int64) (n int, err error) {
	if !s.bad[number] {
		n, err = s.r.ReadAt(b, at)
		if err == nil || errors.Is(err, io.EOF) || errors.Is(err, os.ErrClosed) {
			return n, err
		}
		if s.unread == nil {
			s.bad = make(map[int64]bool)
			s.unread = &unreadError{Err: withoutPath(err)}
			s.found(s.unread)
		}
		s.bad[number] = true
		s.unread.Bytes += sectorSize
		if len(s.bad) > s.most {
			s.gaveUp = fmt.Errorf("more than %d bytes of it cannot be read: %w", s.most*sectorSize, s.unread.Err)
			return 0, s.gaveUp
		}
	}
	clear(b)
	return len(b), nil
}

// withoutPath leaves out what those who are told know already.
func withoutPath(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// unreadError says that the medium cannot read parts of a session's file. It is ErrDamaged.
type unreadError struct {
	Bytes int64 // in sectors of 512; more may be found while the session is read
	Err   error // what the first one failed with
}

func (e *unreadError) Error() string {
	return fmt.Sprintf("%v: %d bytes of it cannot be read from the medium: %v", ErrDamaged, e.Bytes, e.Err)
}

// Unwrap gives the kind and the cause.
func (e *unreadError) Unwrap() []error { return []error{ErrDamaged, e.Err} }
