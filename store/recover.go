package store

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"math"
	"os"
	"path/filepath"
	"time"

	"underdash/store/block"
)

// asideName is the subdirectory for damaged files that were replaced by what of them can be read.
const asideName = "damaged"

// settle brings the file of a session that nobody records any more to rest, and into the index: it seals it, if that
// was not done, and replaces a damaged one. What goes wrong is told and harms no other session; the store looks at the
// file again when another session ends, and when it is opened next. memory is what the process that recorded it still
// has of it.
func (s *Store) settle(name string, memory []recent) {
	path := filepath.Join(s.dir, name)
	var notice Notice
	err := guarded(func() (err error) {
		notice, err = settleFile(path, memory, func(bytes int64) error { return s.roomToSeal(name, bytes) })
		return err
	})
	switch {
	case errors.Is(err, ErrVersion): // not ours
		s.keepInMind(path, stored{newer: true})
		return
	case errors.Is(err, ErrRecording):
		s.mu.Lock()
		own := s.current != nil && s.current.path == path && s.current.done()
		s.mu.Unlock()
		if own { // the file could not be closed
			s.keepInMind(path, stored{unsettled: true})
		}
		return
	case errors.Is(err, errEmptied):
		err = nil
	case err != nil:
		notice = Notice{Kind: Unsettled, Text: fmt.Sprintf("it could not be sealed: %v", err)}
	}
	if notice.Kind != "" {
		notice.Session = idOf(name)
		s.o.Told(notice)
	}
	s.index(name, err == nil)
}

// keepInMind counts a file that cannot be looked into.
func (s *Store) keepInMind(path string, as stored) {
	f, err := os.Stat(path)
	if err != nil {
		return
	}
	as.bytes = allocated(f)
	as.number, _ = numberOf(IDOf(path))
	s.mu.Lock()
	defer s.mu.Unlock()
	s.files[filepath.Base(path)] = as
}

// settleAgain looks at files once more that could not be brought to rest before.
func (s *Store) settleAgain() {
	s.mu.Lock()
	var names []string
	for name, f := range s.files {
		if f.unsettled && !s.held[name] {
			s.held[name] = true
			names = append(names, name)
		}
	}
	s.mu.Unlock()
	for _, name := range names {
		s.settle(name, nil)
		s.letGo(name)
	}
}

// hold keeps a file from being deleted until letGo: sealing gives it its name once more.
func (s *Store) hold(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.held[name] = true
}

func (s *Store) letGo(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.held, name)
}

// errEmptied says that nothing of a file was worth keeping in its place.
var errEmptied = errors.New("nothing in the file can be read")

// settleFile asks room before it writes a copy of a file of so many bytes.
func settleFile(path string, memory []recent, room func(bytes int64) error) (n Notice, err error) {
	a, err := openAtRest(path)
	if a == nil {
		return n, err
	}
	a.memory = memory
	defer func() { _ = a.close() }()
	if err != nil {
		return salvageInPlace(a, path, room)
	}
	rested := a.seal != nil || a.meta.Format < Format && a.meta.End != nil
	if rested && len(a.faults) == 0 {
		return n, nil
	}
	if !a.sound() {
		return salvageInPlace(a, path, room)
	}
	if err := room(a.bytes); err != nil {
		return n, err
	}
	seal, err := sealAt(a, path)
	if errors.As(err, new(*unreadError)) {
		return salvageInPlace(a, path, room)
	}
	if err != nil || a.meta.End != nil && len(seal.Lost) == 0 {
		return n, err
	}
	n = Notice{Kind: Sealed, Text: fmt.Sprintf("it was cut off after %d readings and is closed now", seal.Samples)}
	if a.meta.End != nil {
		n.Text = "it had ended and is sealed now"
	}
	if len(seal.Lost) > 0 {
		n.Text += "; " + lostText(seal.Lost)
	}
	return n, nil
}

// salvageInPlace replaces a damaged file by what can be read of it, and keeps the damaged one aside. A file that the
// medium does not let read stays where it is if nothing or too little of it could be read: another day it may.
func salvageInPlace(a *atRest, path string, room func(bytes int64) error) (n Notice, err error) {
	text, pieces, err := a.salvage()
	if errors.Is(err, errEmptied) && a.r.unread != nil {
		return n, fmt.Errorf("%s: %w", err, a.r.unread)
	}
	if err != nil && !errors.Is(err, errEmptied) {
		return n, err
	}
	n = Notice{Kind: Salved}
	if err := setAside(path); err != nil {
		return Notice{}, err
	}
	if err != nil {
		n.Text = fmt.Sprintf("the file holds nothing that can be read, it was moved to %s", asideName)
		return n, errors.Join(errEmptied, os.Remove(path), syncDir(filepath.Dir(path)))
	}
	if err := room(a.bytes); err != nil {
		return Notice{}, err
	}
	unborn := path + newSuffix
	seal, err := writeSealed(unborn, text, pieces, a.wrong)
	if err == nil && a.r.gaveUp != nil {
		err = errors.Join(a.r.gaveUp, os.Remove(unborn))
	}
	if err != nil {
		return Notice{}, err
	}
	if err := os.Rename(unborn, path); err != nil {
		return Notice{}, errors.Join(err, os.Remove(unborn))
	}
	n.Text = fmt.Sprintf("the file was damaged (%v): %d blocks with %d readings were read and take its place, %s; it was moved to %s",
		a.wrong(), seal.Blocks-lostBlocks(seal.Lost), seal.Samples, a.costText(seal), asideName)
	return n, syncDir(filepath.Dir(path))
}

// wrong is the first thing that is wrong with the file.
func (a *atRest) wrong() string {
	if len(a.faults) == 0 {
		return ""
	}
	return a.faults[0].Error()
}

func lostBlocks(lost []Loss) (n uint64) {
	for _, l := range lost {
		n += l.Last - l.First + 1
	}
	return n
}

// costText says what the damage cost.
func (a *atRest) costText(s Seal) string {
	switch {
	case len(s.Lost) > 0:
		return lostText(s.Lost)
	case a.meta.End == nil:
		return afterText(s.Last)
	}
	return "nothing was lost"
}

// afterText is said of a damaged session that does not know its end.
func afterText(last time.Duration) string {
	return fmt.Sprintf("readings after %.1f s may be lost", last.Seconds())
}

// salvage returns a description for what can be read of a file, and that. The error is errEmptied if it is nothing.
func (a *atRest) salvage() (text []byte, pieces iter.Seq2[piece, error], err error) {
	m := a.meta
	if a.text == nil {
		if m, err = a.madeUp(); err != nil {
			return nil, nil, err
		}
	}
	if m.Format != Format || a.text == nil {
		m.Format = Format
		m.Revision++
		if text, _, err = encodeMeta(m); err != nil {
			return nil, nil, err
		}
	} else {
		text = a.text
	}
	p := a.pieces()
	return text, p.all(), nil
}

// madeUp describes a session whose description is lost by what its blocks say. What its channels were is not known:
// the readings are kept, and mean nothing to those who read them.
func (a *atRest) madeUp() (Meta, error) {
	found, err := a.search()
	if err != nil {
		return Meta{}, err
	}
	if _, named := found.blocks[a.number]; !named {
		number, ok := found.most()
		if !ok {
			return Meta{}, errEmptied
		}
		a.number = number
	}
	channels := 0
	for _, b := range found.blocks[a.number] {
		raw := make([]byte, b.at.length)
		if _, err := a.r.ReadAt(raw, b.at.at); err != nil {
			return Meta{}, err
		}
		n, err := channelsOf(raw)
		if err != nil {
			return Meta{}, err
		}
		channels = max(channels, n)
	}
	m := Meta{ID: a.id, Number: a.number, Channels: make([]Channel, channels),
		Events: []Event{{Kind: "note", Source: ownEvents, Text: "the description of this session was lost"}}}
	for i := range m.Channels {
		m.Channels[i].Name = fmt.Sprintf("unknown %d", i)
	}
	return m, nil
}

// setAside keeps a damaged file under another name as well.
func setAside(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	dir := filepath.Join(filepath.Dir(path), asideName)
	if err := makeDir(dir); err != nil {
		return err
	}
	for i := 1; ; i++ {
		aside := filepath.Join(dir, filepath.Base(path))
		if i > 1 {
			aside = fmt.Sprintf("%s.%d", aside, i)
		}
		there, err := os.Stat(aside)
		switch {
		case err == nil && os.SameFile(there, info):
			return nil
		case err == nil && i < 9:
			continue
		case err == nil:
			_ = os.Remove(aside)
		}
		if os.Link(path, aside) == nil {
			return syncDir(dir)
		}
		return copyAside(path, aside)
	}
}

// copyAside copies what of a damaged file can be read, for a file system where no file has two names.
func copyAside(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	readable := &sectors{r: medium(in), most: mostUnread, found: func(*unreadError) {}}
	return copyTo(io.NewSectionReader(readable, 0, math.MaxInt64), to)
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	return copyTo(in, to)
}

func copyTo(in io.Reader, to string) error {
	out, err := makeFile(to)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	if err == nil {
		err = out.Sync()
	}
	if err = errors.Join(err, out.Close()); err != nil {
		_ = os.Remove(to)
	}
	return err
}

// index puts a session at rest into memory and, if it is settled, into the index.
func (s *Store) index(name string, settled bool) {
	path := filepath.Join(s.dir, name)
	info, err := describe(path)
	if errors.Is(err, fs.ErrNotExist) || info.State == Recording {
		return
	}
	f, err := os.Stat(path)
	if err != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.files[name] = stored{number: info.Number, bytes: allocated(f), sha256: info.SHA256, unsettled: !settled}
	if settled {
		s.addToIndexLocked(inIndex(f, info))
	}
}

// channelsOf is one more than the greatest channel that a block has readings of.
func channelsOf(raw []byte) (n int, err error) {
	_, samples, err := block.Decode(raw, nil)
	for _, x := range samples {
		n = max(n, int(x.Channel)+1)
	}
	return n, err
}
