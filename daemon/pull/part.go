package pull

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
)

const (
	partSuffix = ".part"
	// settleBytes is how much may be lost of a part when the power goes: what is behind the last known safe byte is not
	// believed by the next run, since a file may be longer than what of it reached the medium.
	settleBytes = 1 << 20
)

// part is the beginning of a file, and beside it what it is the beginning of.
type part struct {
	path string
	f    *os.File
	of   partOf
	size int64
}

type partOf struct {
	Tag  string `json:"etag"`       // strong; empty: it cannot be resumed
	Safe int64  `json:"safe_bytes"` // that are on the medium
}

// A localError is one of this machine's disk.
type localError struct{ err error }

func (e *localError) Error() string {
	if noRoom(e.err) {
		return e.err.Error() + ": make room and run it again, it goes on from where it was"
	}
	return e.err.Error()
}

func (e *localError) Unwrap() error { return e.err }

// local ends the run for an error of the disk.
func local(err error) error {
	if err == nil {
		return nil
	}
	return fatalError{&localError{err}}
}

// openPart opens what an earlier run left, or begins. path is the name of the whole file.
func openPart(path string) (*part, error) {
	p := &part{path: path + partSuffix}
	f, err := os.OpenFile(p.path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, local(err)
	}
	p.f = f
	info, err := f.Stat()
	if err != nil {
		_ = f.Close()
		return nil, local(err)
	}
	text, err := os.ReadFile(p.note())
	if err == nil {
		err = json.Unmarshal(text, &p.of)
	}
	if err != nil || p.of.Tag == "" || p.of.Safe < 0 || p.of.Safe > info.Size() {
		p.of = partOf{} // it is not known what this is the beginning of
	}
	p.size = info.Size()
	if err := p.cut(p.of.Safe); err != nil {
		_ = f.Close()
		return nil, err
	}
	return p, nil
}

func (p *part) note() string { return p.path + ".json" }

func (p *part) cut(size int64) error {
	if p.size != size {
		if err := p.f.Truncate(size); err != nil {
			return local(err)
		}
	}
	if _, err := p.f.Seek(size, 0); err != nil {
		return local(err)
	}
	p.size = size
	return nil
}

// begin throws away what is there, for the beginning of what has that tag.
func (p *part) begin(tag string) error {
	if strings.HasPrefix(tag, "W/") {
		tag = "" // it does not tell bytes apart (RFC 9110 section 8.8.1)
	}
	p.of = partOf{Tag: tag}
	if err := p.cut(0); err != nil {
		return err
	}
	return p.settle()
}

// Write implements io.Writer.
func (p *part) Write(b []byte) (int, error) {
	n, err := p.f.Write(b)
	p.size += int64(n)
	if err == nil && p.size-p.of.Safe >= settleBytes {
		err = p.settle()
	}
	return n, local(err)
}

// settle brings what is there to the medium, and notes that.
func (p *part) settle() error {
	if p.size > 0 {
		if err := p.f.Sync(); err != nil {
			return local(err)
		}
	}
	p.of.Safe = p.size
	text, err := json.Marshal(p.of)
	if err != nil {
		return err
	}
	return local(replace(p.note(), text, 0o644))
}

// close keeps what is there for the next time.
func (p *part) close() error {
	if p.f == nil {
		return nil
	}
	var err error
	if p.size > p.of.Safe {
		err = p.settle()
	}
	err = first(err, local(p.f.Close()))
	p.f = nil
	return err
}

// discard removes it.
func (p *part) discard() error {
	var err error
	if p.f != nil {
		err = p.f.Close()
		p.f = nil
	}
	for _, name := range []string{p.path, p.note()} {
		if e := os.Remove(name); !errors.Is(e, fs.ErrNotExist) {
			err = errors.Join(err, e)
		}
	}
	return local(err)
}

// first is the first error: those that follow from it say no more.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// replace writes a file as a whole, or leaves the one that was there.
func replace(path string, text []byte, mode os.FileMode) (err error) {
	name := path + ".new"
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err = first(err, f.Chmod(mode), f.Sync()); err != nil {
		_ = f.Close()
	} else {
		err = f.Close()
	}
	if err == nil {
		err = os.Rename(name, path)
	}
	if err != nil {
		_ = os.Remove(name)
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}
