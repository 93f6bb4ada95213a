// Package access decides who may come in over the network: it keeps the access code, the passes of browsers and programs that
// have come in by it, and the certificate. It knows nothing of HTTP.
//
// The daemon and the command that shows and changes all this are two processes on the same files. Each replaces a file as a whole
// under a lock, and looks at what is there before it decides anything, so that what one revokes the other refuses at once.
//
// Codes, cookies and tokens come from the system's source of randomness. Of cookies and tokens only the SHA-256 is kept: they
// are of 256 bits, so that no slower digest is needed. The code itself is kept, since it is to be shown again; whoever can read
// it could change it as well.
package access

import (
	"errors"
	"fmt"
	"log/slog"
	"time"
)

// What a Pass was given to.
const (
	Browser = "browser" // signed in by the code; ends by itself, and when the code is changed
	Program = "program" // holds a token; ends when it is revoked
)

// Pass is what somebody has who has come in.
type Pass struct {
	ID    string    `json:"id"`             // names it to people; no secret
	Kind  string    `json:"kind"`           // Browser or Program
	Name  string    `json:"name"`           // what the browser says of itself, or the program's given name
	From  string    `json:"from,omitempty"` // the address that it came from at first; empty if it was granted on the board
	Made  time.Time `json:"made"`           //
	Used  time.Time `json:"used"`           // the last time; by another process it is known to the hour
	Until time.Time `json:"until,omitzero"` // zero: until it is revoked
}

// Bounds of what is kept.
const (
	BrowserLife = 90 * 24 * time.Hour // a browser signs in again after this; common practice, no source

	maxBrowsers   = 32 // the one that was not used for longest makes room
	maxPrograms   = 32
	maxName       = 60  // characters
	maxCredential = 100 // bytes; more is none of ours
)

var (
	// ErrWrong says that a code is not the access code.
	ErrWrong = errors.New("this is not the access code: 'underdash access' on the logger shows it")
	// ErrDamaged says that a file of this package makes no sense, so that nobody is let in.
	ErrDamaged = errors.New("damaged")
	// ErrNotFound says that nobody holds a pass of that ID.
	ErrNotFound = errors.New("there is no such pass")
	// ErrName says that a program's name cannot be one.
	ErrName = fmt.Errorf("a program needs a name of 1 to %d printable characters, by which it can be told from others", maxName)
	// ErrFull says that no further program can be let in.
	ErrFull = fmt.Errorf("%d programs hold a token already, and more are not let in: revoke one that is not needed", maxPrograms)
)

// SlowError says that too many wrong codes came, and that no code is looked at for a while.
type SlowError struct {
	Wait time.Duration // until one is; more than 0
}

func (e SlowError) Error() string {
	return fmt.Sprintf("too many wrong codes: try again in %v", max(e.Wait.Round(time.Second), time.Second))
}

// Options are what Open may be told. The zero value works.
type Options struct {
	Now func() time.Time // default time.Now
	Log *slog.Logger     // default: nothing is logged
}

func (o Options) withDefaults() Options {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return o
}

// clockSet is a date before which no clock is right: a board without a battery-backed clock starts in the past.
var clockSet = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
