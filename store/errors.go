package store

import (
	"errors"
	"fmt"
	"strings"
	"syscall"
	"time"

	bolterrors "go.etcd.io/bbolt/errors"

	"underdash/store/block"
)

var (
	// ErrLocked says that another process writes to this directory.
	ErrLocked = errors.New("another process writes to this store")
	// ErrRecording says that a session cannot be read because the process that records it holds its file.
	ErrRecording = errors.New("it is being recorded")
	// ErrBusy says that a store records one session at a time.
	ErrBusy = errors.New("a session is being recorded already")
	// ErrEnded says that a session takes nothing more.
	ErrEnded = errors.New("the session has ended")
	// ErrFull says that there is no room. What was stored is safe, and the same call may succeed once room is made.
	ErrFull = errors.New("no room to record")
	// ErrLargest says that a session's file is as large as it may be (Options.Largest). It comes with ErrFull, and no room
	// that is made helps: the session has to be ended, for which there is room, and recording goes on in another one.
	ErrLargest = errors.New("the session's file is as large as it may be")
	// ErrDamaged says that a file, or a part of it, does not hold what was written.
	ErrDamaged = errors.New("damaged session file")
	// ErrVersion says that a newer program wrote the session.
	ErrVersion = errors.New("written by a newer version of this program")
	// ErrPinned says that a session must not be deleted.
	ErrPinned = errors.New("it is pinned")
	// ErrNotFound says that no session has that name.
	ErrNotFound = errors.New("no such session")
	// ErrAmbiguous says that several sessions' names begin so.
	ErrAmbiguous = errors.New("several sessions match")
)

// BlockError says which blocks of a session could not be read. It is ErrDamaged, or ErrVersion if a newer program
// wrote the block. The other blocks are not concerned.
type BlockError struct {
	Session       string        // its ID
	First, Last   uint64        // sequence numbers, both included
	After, Before time.Duration // instants of the readings around them; Before is 0 if nothing is known to follow
	Err           error
}

func (e *BlockError) Error() string {
	text := fmt.Sprintf("session %s, block %d", e.Session, e.First)
	if e.First != e.Last {
		text = fmt.Sprintf("session %s, blocks %d to %d", e.Session, e.First, e.Last)
	}
	if span := spanText(e.After, e.Before); span != "" {
		text += ", " + span
	}
	return fmt.Sprintf("%s: %v", text, e.Err)
}

// spanText says between which instants readings are lost.
func spanText(after, before time.Duration) string {
	if before <= after {
		return ""
	}
	return fmt.Sprintf("between %.1f s and %.1f s", after.Seconds(), before.Seconds())
}

// Unwrap gives the kind and the cause.
func (e *BlockError) Unwrap() []error {
	if errors.Is(e.Err, block.ErrVersion) {
		return []error{ErrVersion, e.Err}
	}
	return []error{ErrDamaged, e.Err}
}

// FindError says why a name stands for no single session. It is ErrNotFound or ErrAmbiguous.
type FindError struct {
	Dir, Name string
	Matches   []string // IDs, if there were several
	Err       error
}

func (e *FindError) Error() string {
	switch {
	case len(e.Matches) > 5:
		return fmt.Sprintf("%d sessions begin with %q: write more of the one that is meant, such as %s", len(e.Matches), e.Name, e.Matches[0])
	case len(e.Matches) > 0:
		return fmt.Sprintf("%d sessions begin with %q: %s; write more of the one that is meant", len(e.Matches), e.Name, strings.Join(e.Matches, ", "))
	case e.Name == Last:
		return fmt.Sprintf("there is no session in %s yet", e.Dir)
	}
	return fmt.Sprintf("no session in %s is called %q: a session is named by its id, the beginning of it, or %q", e.Dir, e.Name, Last)
}

func (e *FindError) Unwrap() error { return e.Err }

// MarksError says that a store's file of marks cannot be read whole, so that any session may have been pinned there. It is
// ErrPinned: no session is deleted until the file is put right.
type MarksError struct {
	Path  string
	Lines []int // the damaged ones, from 1 on
	Err   error // why the file cannot be read at all
}

func (e *MarksError) Error() string {
	if e.Err != nil {
		return fmt.Sprintf("any session may be pinned, as the marks cannot be read (%v): "+
			"make that file readable, or move it away and pin again what is to be kept", e.Err)
	}
	lines, are, those := "line", "is", "that line"
	if len(e.Lines) > 1 {
		lines, are, those = "lines", "are", "those lines"
	}
	for i, n := range e.Lines {
		switch {
		case i == 5:
			lines += fmt.Sprintf(" and %d more", len(e.Lines)-i)
		case i == 0:
			lines += fmt.Sprintf(" %d", n)
		case i < 5:
			lines += fmt.Sprintf(", %d", n)
		}
	}
	return fmt.Sprintf("any session may have been pinned where %s of %s %s damaged: pin again what is to be kept, then take %s out of the file",
		lines, e.Path, are, those)
}

// Is makes it ErrPinned.
func (e *MarksError) Is(target error) bool { return target == ErrPinned }

// Unwrap gives the cause.
func (e *MarksError) Unwrap() error { return e.Err }

// room marks errors that come from a lack of space as ErrFull. Of some of them bbolt only passes on the text.
func room(err error) error {
	if err == nil || errors.Is(err, ErrFull) {
		return err
	}
	if errors.Is(err, bolterrors.ErrMaxSizeReached) {
		return fmt.Errorf("%w: %w", ErrFull, ErrLargest)
	}
	if errors.Is(err, syscall.ENOSPC) || noQuota(err) ||
		strings.Contains(err.Error(), syscall.ENOSPC.Error()) {
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return err
}
