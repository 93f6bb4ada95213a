// Package export writes a session to files that other programs read. A format is an encoder in the table below;
// every encoder streams, and writes only what was read.
package export

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"underdash/store"
	"underdash/store/derive"
)

// Encoder writes a whole session. Blocks of the session that cannot be read are left out and told in an *Incomplete.
type Encoder func(w io.Writer, s *derive.Session) error

// formats is every format by the name a user gives it, which is also the usual extension.
func formats() map[string]Encoder {
	return map[string]Encoder{
		"csv": CSV,
	}
}

// Formats returns the names of all formats, sorted.
func Formats() []string { return slices.Sorted(maps.Keys(formats())) }

// ErrFormat says that there is no format of that name.
var ErrFormat = errors.New("unknown format")

// Write writes a session in the named format. The error wraps ErrFormat for a name that is none, is an *Incomplete
// if everything was written that could be read, and otherwise what kept the rest from being written.
func Write(w io.Writer, format string, s *derive.Session) error {
	encode, ok := formats()[format]
	if !ok {
		return fmt.Errorf("%w %q: there is %s", ErrFormat, format, strings.Join(Formats(), ", "))
	}
	return encode(w, s)
}

// Incomplete says that a file was written and holds all of the session but some damaged blocks.
type Incomplete struct {
	Blocks uint64            // how many are missing
	First  *store.BlockError // the first of them
}

func (e *Incomplete) Error() string {
	return fmt.Sprintf("written without %d damaged blocks, the first: %v", e.Blocks, e.First)
}

// Unwrap gives the first block's error.
func (e *Incomplete) Unwrap() error { return e.First }

// skip counts err if it concerns some blocks only, and returns it if it ends the export.
func (e *Incomplete) skip(err error) error {
	var damage *store.BlockError
	if !errors.As(err, &damage) {
		return err
	}
	if e.First == nil {
		e.First = damage
	}
	e.Blocks += damage.Last - damage.First + 1
	return nil
}

// result is e if it has anything to tell.
func (e *Incomplete) result() error {
	if e.First == nil {
		return nil
	}
	return e
}
