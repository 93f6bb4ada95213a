// Package socket is how commands reach the running daemon: HTTP over a Unix socket, answered from the store. Only the
// daemon writes a store, and only it can read the session that is being recorded; sealed sessions need nobody's help.
//
//	GET    /v1/sessions              every session, as a list of store.Info
//	GET    /v1/sessions/ID           one store.Info with the whole description
//	GET    /v1/sessions/ID/blocks    its blocks, one behind the other
//	DELETE /v1/sessions/ID           deletes it
//	PUT    /v1/sessions/ID/pinned    keeps it when room is needed
//	DELETE /v1/sessions/ID/pinned    no longer
//	GET    /v1/status                what the daemon says of itself, its counters too
//	POST   /v1/marks                 {"text": "..."} puts a named instant into the session being recorded
//	PUT    /v1/time                  {"utc": "2026-05-01T12:00:00Z", "max_error_s": 0.5} offers the client's clock, which
//	                                 dates this boot's sessions while nothing better is known; answers {"taken": true}
//
// An error is {"error": "one sentence", "kind": "..."}, its kind one of those in the table below or empty.
package socket

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"underdash/store"
)

// longestPath is what a Unix socket's address holds on every system; Linux takes 107 bytes.
const longestPath = 103

// Listen makes the socket in a directory and returns its listener, whose Addr is its path. The directory must belong
// to this process alone, as a store does while it is open: a socket that an earlier process left is removed. Where
// the path is too long for a socket, it is made in a directory of its own for temporary files.
func Listen(dir string) (net.Listener, error) {
	path, err := filepath.Abs(filepath.Join(dir, "daemon.sock"))
	if err != nil {
		return nil, fmt.Errorf("make the daemon's socket: %w", err)
	}
	if len(path) > longestPath {
		if dir, err = os.MkdirTemp("", "underdash-"); err != nil {
			return nil, fmt.Errorf("make the daemon's socket: %w", err)
		}
		path = filepath.Join(dir, "daemon.sock")
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("make the daemon's socket: %w", err)
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("make the daemon's socket: %w", err)
	}
	// Whoever may use it may delete sessions.
	if err := os.Chmod(path, 0o660); err != nil {
		return nil, errors.Join(fmt.Errorf("make the daemon's socket: %w", err), l.Close())
	}
	return l, nil
}

// Serve answers until ctx ends, then gives requests that are being answered a second to end. The error is why it ended
// before that.
func Serve(ctx context.Context, l net.Listener, h http.Handler) error {
	server := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second, IdleTimeout: time.Minute}
	done := make(chan error, 1)
	go func() { done <- server.Serve(l) }()
	var err error
	select {
	case err = <-done:
	case <-ctx.Done():
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		if server.Shutdown(last) != nil {
			_ = server.Close()
		}
		cancel()
		<-done
	}
	if dir := filepath.Dir(l.Addr().String()); filepath.Dir(dir) == filepath.Clean(os.TempDir()) {
		_ = os.Remove(dir) // one of its own, if that is empty now
	}
	if err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve commands: %w", err)
	}
	return nil
}

// kinds are the errors that a client decides by, with the status that stands for them.
var kinds = []struct {
	kind   string
	err    error
	status int
}{
	{"not found", store.ErrNotFound, http.StatusNotFound},
	{"recording", store.ErrRecording, http.StatusConflict},
	{"pinned", store.ErrPinned, http.StatusConflict},
	{"damaged", store.ErrDamaged, http.StatusUnprocessableEntity},
	{"version", store.ErrVersion, http.StatusUnprocessableEntity},
	{"full", store.ErrFull, http.StatusInsufficientStorage},
	{"no session", ErrNoSession, http.StatusConflict},
	{"time", ErrTime, http.StatusBadRequest},
	{"wrong", errWrong, http.StatusBadRequest},
}

// ErrNoSession says that nothing is being recorded, so nothing can be marked.
var ErrNoSession = errors.New("no session is being recorded")

// ErrTime says that what a client told cannot be the time, or may be too far off to be of use.
var ErrTime = errors.New("the time is not taken")

var errWrong = errors.New("wrong request")
