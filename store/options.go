package store

import "math/bits"

// Options say how a store is written. The zero value sets no limits and tells nobody.
type Options struct {
	Limit int64 // most bytes on the medium that all sessions together may take, but for the copy while one is sealed; 0: no limit
	Floor int64 // fewest bytes that must stay free on the file system for others; 0: none
	// Largest is how many bytes one session's file may take while it is recorded into, but for its first readings and its
	// end. 0: no limit, and on a 32-bit board, where addresses are scarce, 240 MiB, which is the most there.
	Largest int64
	Told    func(Notice) // is told what the store did by itself; it must not call the store back. Default: nobody is told
}

func (o Options) withDefaults() Options {
	if o.Told == nil {
		o.Told = func(Notice) {}
	}
	if bits.UintSize == 32 && (o.Largest <= 0 || o.Largest > largest32) {
		o.Largest = largest32
	}
	return o
}

// Notice is something the store did without being asked.
type Notice struct {
	Kind    NoticeKind
	Session string // its ID, or the name of a file that is none
	Text    string // one sentence
}

// NoticeKind says what sort of thing happened.
type NoticeKind string

// The kinds of notices.
const (
	Sealed    NoticeKind = "sealed"    // a session that had been cut off was closed
	Salved    NoticeKind = "salved"    // a damaged session was replaced by what of it can be read, and moved aside
	Removed   NoticeKind = "removed"   // a session, or a damaged file, was deleted to make room
	Mended    NoticeKind = "mended"    // the medium failed, the file was opened anew and brought up to date
	Unsettled NoticeKind = "unsettled" // a session's file could not be sealed, salvaged or, half-made, removed now; or the marks not read
)
