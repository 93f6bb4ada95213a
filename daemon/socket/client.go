package socket

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"time"

	"underdash/store"
)

// Client asks the daemon behind a socket.
type Client struct{ http http.Client }

// New returns a client for the socket at a path. It touches nothing.
func New(path string) *Client {
	var d net.Dialer
	return &Client{http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return d.DialContext(ctx, "unix", path) },
	}}}
}

// Error is what the daemon answered instead of what it was asked for. It is the error that its kind stands for, such
// as store.ErrNotFound.
type Error struct {
	Text string // the daemon's own sentence
	Kind error  // nil if there is none
}

func (e *Error) Error() string { return e.Text }

// Unwrap gives the kind.
func (e *Error) Unwrap() error { return e.Kind }

// do sends a request and returns the answer if it is a good one. The caller closes its body.
func (c *Client) do(ctx context.Context, method, path string, body any) (*http.Response, error) {
	var b io.Reader
	if body != nil {
		text, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		b = bytes.NewReader(text)
	}
	req, err := http.NewRequestWithContext(ctx, method, "http://daemon/v1/"+path, b)
	if err != nil {
		return nil, err
	}
	res, err := c.http.Do(req)
	if err != nil {
		// The address that the error names is made up.
		if wrapped := new(url.Error); errors.As(err, &wrapped) {
			err = wrapped.Err
		}
		return nil, fmt.Errorf("ask the daemon: %w", err)
	}
	if res.StatusCode < 300 {
		return res, nil
	}
	defer func() { _ = res.Body.Close() }()
	var f fault
	if err := json.NewDecoder(io.LimitReader(res.Body, 1<<16)).Decode(&f); err != nil || f.Error == "" {
		return nil, fmt.Errorf("ask the daemon: it answered %s", res.Status)
	}
	e := &Error{Text: f.Error}
	for _, k := range kinds {
		if k.kind == f.Kind {
			e.Kind = k.err
		}
	}
	return nil, e
}

func (c *Client) get(ctx context.Context, path string, into any) error {
	res, err := c.do(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	defer func() { _ = res.Body.Close() }()
	if err := json.NewDecoder(res.Body).Decode(into); err != nil {
		return fmt.Errorf("ask the daemon: %w", err)
	}
	return nil
}

func (c *Client) tell(ctx context.Context, method, path string, body any) error {
	res, err := c.do(ctx, method, path, body)
	if err != nil {
		return err
	}
	return res.Body.Close()
}

func sessionPath(id string) string { return "sessions/" + url.PathEscape(id) }

// Sessions lists every session, like store.List, the one being recorded as it is at this moment.
func (c *Client) Sessions(ctx context.Context) (infos []store.Info, err error) {
	return infos, c.get(ctx, "sessions", &infos)
}

// Open returns a reader of what is stored of a session at this moment. ctx must live as long as the reader.
func (c *Client) Open(ctx context.Context, id string) (*store.Reader, error) {
	var info store.Info
	if err := c.get(ctx, sessionPath(id), &info); err != nil {
		return nil, err
	}
	return store.NewReader(info, func() (io.ReadCloser, error) {
		res, err := c.do(ctx, http.MethodGet, sessionPath(id)+"/blocks", nil)
		if err != nil {
			return nil, err
		}
		return res.Body, nil
	}), nil
}

// Remove deletes a session.
func (c *Client) Remove(ctx context.Context, id string) error {
	return c.tell(ctx, http.MethodDelete, sessionPath(id), nil)
}

// Pin keeps a session when room is needed, or no longer.
func (c *Client) Pin(ctx context.Context, id string, on bool) error {
	method := http.MethodPut
	if !on {
		method = http.MethodDelete
	}
	return c.tell(ctx, method, sessionPath(id)+"/pinned", nil)
}

// Mark puts a named instant into the session that is being recorded; ErrNoSession if none is.
func (c *Client) Mark(ctx context.Context, text string) error {
	return c.tell(ctx, http.MethodPost, "marks", struct {
		Text string `json:"text"`
	}{text})
}

// Offer tells the daemon what this machine's clock says, in UTC, and how far off that may be: at least half of the time
// that the question takes to get there. It is taken while the daemon knows nothing better, and then dates all sessions
// of its boot. The error is ErrTime if that cannot be the time.
func (c *Client) Offer(ctx context.Context, utc time.Time, maxError time.Duration) (bool, error) {
	utc, seconds := utc.UTC(), maxError.Seconds()
	res, err := c.do(ctx, http.MethodPut, "time", clock{&utc, &seconds})
	if err != nil {
		return false, err
	}
	defer func() { _ = res.Body.Close() }()
	var t taken
	if err := json.NewDecoder(res.Body).Decode(&t); err != nil {
		return false, fmt.Errorf("ask the daemon: %w", err)
	}
	return t.Taken, nil
}

// Status decodes what the daemon says of itself into a pointer.
func (c *Client) Status(ctx context.Context, into any) error { return c.get(ctx, "status", into) }

// Close gives up idle connections.
func (c *Client) Close() { c.http.CloseIdleConnections() }
