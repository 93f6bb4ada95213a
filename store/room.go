package store

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// What a commit may take besides the blocks themselves: bbolt writes the pages around them anew elsewhere. Measured
// on sessions of an hour it is 40 kB at most.
const (
	beginning = 256 << 10
	overhead  = 128 << 10
)

// RoomError says what keeps the store from recording. It is ErrFull. Nothing may be deleted, or it would not help.
type RoomError struct {
	Used, Limit int64 // bytes that all sessions take, and may take; Limit is 0 if there is none
	Free, Floor int64 // bytes free on the file system, and that must stay free; Floor is 0 if there is none
	Pinned      int   // sessions that are kept although room is needed
	Marks       error // a *MarksError if it is not known which sessions are pinned, and so none is deleted
}

func (e *RoomError) Error() string {
	text := "no room to record: "
	if e.Limit > 0 && e.Used >= e.Limit-overhead {
		text += fmt.Sprintf("the sessions take %s and may take %s", megabytes(e.Used), megabytes(e.Limit))
	} else {
		text += fmt.Sprintf("%s are free on the medium and %s must stay free", megabytes(e.Free), megabytes(e.Floor))
	}
	switch {
	case e.Marks != nil:
		return text + "; " + e.Marks.Error()
	case e.Pinned > 0:
		return text + fmt.Sprintf("; %d sessions are pinned: unpin or delete some, or raise the limit", e.Pinned)
	}
	return text + "; there is nothing that could be deleted for it"
}

// Is makes it ErrFull.
func (e *RoomError) Is(target error) bool { return target == ErrFull }

func megabytes(n int64) string { return fmt.Sprintf("%.1f MB", float64(n)/1e6) }

// Room is how much the store takes, and how much there is.
type Room struct {
	Used  int64 `json:"used"`  // bytes that all sessions take on the medium
	Limit int64 `json:"limit"` // that they may take; 0: no limit
	Free  int64 `json:"free"`  // bytes that are free on the file system
	Floor int64 `json:"floor"` // that must stay free; 0: none
}

// Room looks how much there is.
func (s *Store) Room() (Room, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	free, err := freeBytes(s.dir)
	if err != nil {
		err = fmt.Errorf("look for free space: %w", err)
	}
	return Room{Used: s.usedLocked(), Limit: s.o.Limit, Free: free, Floor: s.o.Floor}, err
}

func (s *Store) usedLocked() (used int64) {
	for _, f := range s.files {
		used += f.bytes
	}
	if s.current != nil && !s.current.done() {
		if f, err := os.Stat(s.current.path); err == nil {
			used += allocated(f)
		}
	}
	for _, f := range aside(s.dir) {
		used += allocated(f)
	}
	return used
}

// aside lists the damaged files that were replaced. One that was not, for want of room, is still the session's own file
// under a second name, which takes nothing and frees nothing.
func aside(dir string) (files []fs.FileInfo) {
	entries, err := os.ReadDir(filepath.Join(dir, asideName))
	if err != nil {
		return nil
	}
	for _, e := range entries {
		f, err := e.Info()
		if err != nil || !f.Mode().IsRegular() {
			continue
		}
		id, _, _ := strings.Cut(e.Name(), extension)
		if own, err := os.Stat(filepath.Join(dir, id+extension)); err == nil && os.SameFile(own, f) {
			continue
		}
		files = append(files, f)
	}
	return files
}

// makeRoom sees to it that blocks can be written. The caller holds commit.
func (s *Session) makeRoom(blocks []recent) error {
	s.store.mu.Lock()
	defer s.store.mu.Unlock()
	return s.store.makeRoomLocked(taken(blocks))
}

// taken is what a commit of blocks takes at most.
func taken(blocks []recent) int64 {
	n := int64(overhead)
	for _, b := range blocks {
		n += 2 * int64(len(b.raw))
	}
	return n
}

// makeRoomLocked deletes what may go until there is room for so many bytes more: first sessions that are elsewhere too,
// then damaged files that were replaced, which may hold what the medium did not let read, then other sessions, in each
// case the oldest first. If all that may go is not enough, nothing goes.
func (s *Store) makeRoomLocked(need int64) error {
	if s.o.Limit == 0 && s.o.Floor == 0 {
		return nil
	}
	used := s.usedLocked()
	free, err := freeBytes(s.dir)
	if err != nil { // not told on this file system: the medium itself will say
		free = s.o.Floor + need
	}
	missing := s.o.Floor + need - free
	if s.o.Limit > 0 {
		missing = max(missing, used+need-s.o.Limit)
	}
	if missing <= 0 {
		return nil
	}
	return s.deleteLocked(missing, "", &RoomError{Marks: s.unsureLocked(), Used: used, Limit: s.o.Limit, Free: free, Floor: s.o.Floor,
		Pinned: s.pinnedLocked()})
}

// roomToSeal sees to it that a copy of a session's file leaves the floor free. The limit is not looked at: the copy
// takes the place of the file, and is no larger.
func (s *Store) roomToSeal(name string, bytes int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	free, err := freeBytes(s.dir)
	missing := s.o.Floor + bytes + overhead - free
	if s.o.Floor == 0 || err != nil || missing <= 0 {
		return nil // not told on this file system: the medium itself will say
	}
	return s.deleteLocked(missing, name, &RoomError{Marks: s.unsureLocked(), Used: s.usedLocked(), Free: free, Floor: s.o.Floor,
		Pinned: s.pinnedLocked()})
}

// deleteLocked deletes so many bytes of what may go, but for one session, or nothing and returns tooFew.
func (s *Store) deleteLocked(missing int64, but string, tooFew *RoomError) error {
	may := slices.DeleteFunc(s.deletableLocked(), func(d deletable) bool { return d.name == but })
	sum := int64(0)
	for _, d := range may {
		sum += d.bytes
	}
	if sum < missing {
		return tooFew
	}
	for _, d := range may {
		if missing <= 0 {
			return nil
		}
		if err := os.Remove(filepath.Join(s.dir, d.name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("make room: %w", err)
		}
		delete(s.files, d.name)
		missing -= d.bytes
		s.o.Told(Notice{Kind: Removed, Session: IDOf(d.name), Text: "it was deleted to make room: " + d.why})
	}
	return nil
}

type deletable struct {
	name  string // below the store's directory
	bytes int64
	class int // what goes first has the smallest
	order uint64
	why   string
}

func (s *Store) deletableLocked() []deletable {
	var may []deletable
	for _, f := range aside(s.dir) {
		may = append(may, deletable{filepath.Join(asideName, f.Name()), allocated(f), 1, 0, "a damaged file, of which what could be read was kept"})
	}
	if s.unsure != nil {
		return may
	}
	for name, f := range s.files {
		d := deletable{name, f.bytes, 2, f.number, "the oldest of the store"}
		switch set := s.marks[idOf(name)]; {
		case set[Pinned], f.newer, s.held[name]:
			continue
		case set[Pulled] || set[Uploaded]:
			d.class, d.why = 0, "the oldest of those that are elsewhere too"
		}
		may = append(may, d)
	}
	slices.SortFunc(may, func(a, b deletable) int {
		return cmp.Or(cmp.Compare(a.class, b.class), cmp.Compare(a.order, b.order), cmp.Compare(a.name, b.name))
	})
	return may
}

func (s *Store) pinnedLocked() (n int) {
	for name := range s.files {
		if s.marks[idOf(name)][Pinned] {
			n++
		}
	}
	return n
}

// unsureLocked says why the marks may lack some. It looks again, since somebody may have put the file right.
func (s *Store) unsureLocked() error {
	if s.unsure != nil {
		s.marks, _, s.unsure = readMarks(s.dir)
	}
	return s.unsure
}

// Mark sets or takes away a mark. It is on the medium when it returns nil. The error is a *FindError for a session
// that is not there.
func (s *Store) Mark(id string, m Mark, on bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.thereLocked(id); err != nil {
		return err
	}
	if s.marks[id][m] == on {
		return nil
	}
	l := markLine{ID: id, Mark: m, On: on}
	if err := addLine(filepath.Join(s.dir, marksName), l, true); err != nil {
		return fmt.Errorf("mark session %s as %s: %w", id, m, room(err))
	}
	s.marks.set(l)
	return nil
}

func (s *Store) thereLocked(id string) error {
	if _, ok := s.files[id+extension]; ok || s.current != nil && s.current.id == id {
		return nil
	}
	if _, err := os.Stat(filepath.Join(s.dir, id+extension)); id == filepath.Base(id) && err == nil {
		return nil
	}
	return &FindError{Dir: s.dir, Name: id, Err: ErrNotFound}
}

// Remove deletes a session, which frees its room at once. ErrRecording says that it is being recorded or sealed, ErrPinned
// that it is pinned, or may be (*MarksError); the error is a *FindError for one that is not there.
func (s *Store) Remove(id string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.thereLocked(id); err != nil {
		return err
	}
	if s.current != nil && s.current.id == id && !s.current.done() {
		return fmt.Errorf("delete session %s: %w: it can be deleted when the drive has ended", id, ErrRecording)
	}
	if s.held[id+extension] {
		return fmt.Errorf("delete session %s: %w: the drive has ended, its file is being sealed: try again in a moment", id, ErrRecording)
	}
	unsure := s.unsureLocked()
	if s.marks[id][Pinned] {
		return fmt.Errorf("delete session %s: %w: unpin it first", id, ErrPinned)
	}
	if unsure != nil {
		return fmt.Errorf("delete session %s: %w", id, unsure)
	}
	name := id + extension
	if err := os.Remove(filepath.Join(s.dir, name)); err != nil {
		return fmt.Errorf("delete session %s: %w", id, err)
	}
	delete(s.files, name)
	return syncDir(s.dir)
}

// tidyMarks writes the marks anew, without those of sessions that are gone.
func (s *Store) tidyMarks() {
	var all []byte
	for id, set := range s.marks {
		if s.thereLocked(id) != nil {
			delete(s.marks, id)
			continue
		}
		for m, on := range set {
			if on {
				all, _ = appendLine(all, markLine{id, m, on})
			}
		}
	}
	_ = replaceFile(filepath.Join(s.dir, marksName), all)
}
