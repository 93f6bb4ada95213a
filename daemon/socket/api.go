package socket

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"underdash/store"
)

// API is what the daemon can be asked.
type API struct {
	Store  *store.Store
	Mark   func(text string) error                                             // ErrNoSession if nothing is being recorded; nil: marks are not taken
	Offer  func(utc time.Time, maxError time.Duration) (taken bool, err error) // ErrTime if that cannot be the time; nil: clocks are not taken
	Status func() any                                                          // what the daemon says of itself, to be sent as JSON; nil: nothing
}

// Handler answers requests.
func (a API) Handler() http.Handler {
	mux := http.NewServeMux()
	for pattern, f := range map[string]func(http.ResponseWriter, *http.Request) error{
		"GET /v1/sessions":                a.list,
		"GET /v1/sessions/{id}":           a.session,
		"GET /v1/sessions/{id}/blocks":    a.blocks,
		"DELETE /v1/sessions/{id}":        a.remove,
		"PUT /v1/sessions/{id}/pinned":    a.pin(true),
		"DELETE /v1/sessions/{id}/pinned": a.pin(false),
		"GET /v1/status":                  a.status,
		"POST /v1/marks":                  a.mark,
		"PUT /v1/time":                    a.time,
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if err := f(w, r); err != nil {
				fail(w, err)
			}
		})
	}
	return mux
}

// fault is an error on its way.
type fault struct {
	Error string `json:"error"`
	Kind  string `json:"kind,omitempty"`
}

func fail(w http.ResponseWriter, err error) {
	status, kind := http.StatusInternalServerError, ""
	for _, k := range kinds {
		if errors.Is(err, k.err) {
			status, kind = k.status, k.kind
			break
		}
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(fault{err.Error(), kind}) // who asked is gone, or gets it
}

func answer(w http.ResponseWriter, v any) error {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
	return nil
}

func (a API) list(w http.ResponseWriter, _ *http.Request) error {
	infos, err := a.Store.List()
	if err != nil {
		return err
	}
	return answer(w, infos)
}

// open returns a reader of the session that a request names.
func (a API) open(r *http.Request) (*store.Reader, error) {
	id := r.PathValue("id")
	if s := a.Store.Recording(); s != nil && s.ID() == id {
		return s.Reader(), nil
	}
	path, err := store.Find(a.Store.Dir(), id)
	if err != nil {
		return nil, err
	}
	return store.OpenReader(path)
}

func (a API) session(w http.ResponseWriter, r *http.Request) error {
	reader, err := a.open(r)
	if err != nil {
		return err
	}
	defer func() { _ = reader.Close() }()
	return answer(w, reader.Info())
}

func (a API) blocks(w http.ResponseWriter, r *http.Request) error {
	reader, err := a.open(r)
	if err != nil {
		return err
	}
	defer func() { _ = reader.Close() }()
	w.Header().Set("Content-Type", "application/octet-stream")
	if err := reader.WriteBlocks(w); err != nil {
		panic(http.ErrAbortHandler) // an answer that has begun can only be cut off, which the other end notices
	}
	return nil
}

func (a API) remove(w http.ResponseWriter, r *http.Request) error {
	if err := a.Store.Remove(r.PathValue("id")); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (a API) pin(on bool) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if err := a.Store.Mark(r.PathValue("id"), store.Pinned, on); err != nil {
			return err
		}
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
}

func (a API) status(w http.ResponseWriter, _ *http.Request) error {
	if a.Status == nil {
		return fmt.Errorf("this daemon says nothing of itself: %w", errors.ErrUnsupported)
	}
	return answer(w, a.Status())
}

// clock is what a client says of the time.
type clock struct {
	UTC      *time.Time `json:"utc"`
	MaxError *float64   `json:"max_error_s"`
}

// taken tells whether a client's clock is gone by from now on.
type taken struct {
	Taken bool `json:"taken"`
}

// mostError is more seconds than any offer is of use with, and few enough for a time.Duration.
const mostError = 1e9

func (a API) time(w http.ResponseWriter, r *http.Request) error {
	var c clock
	err := json.NewDecoder(io.LimitReader(r.Body, 1000)).Decode(&c)
	switch {
	case err != nil:
		return fmt.Errorf("%w: %w: the time is sent as %s", errWrong, err, clockForm)
	case c.UTC == nil || c.MaxError == nil:
		return fmt.Errorf("%w: the time is sent as %s, both of them", errWrong, clockForm)
	case *c.MaxError < 0 || *c.MaxError > mostError:
		return fmt.Errorf("%w: a clock that may be off by %v s: write 0 to 60", errWrong, *c.MaxError)
	case a.Offer == nil:
		return fmt.Errorf("this daemon takes no clocks: %w", errors.ErrUnsupported)
	}
	ok, err := a.Offer(*c.UTC, time.Duration(*c.MaxError*float64(time.Second)))
	if err != nil {
		return err
	}
	return answer(w, taken{ok})
}

const clockForm = `{"utc": "2026-05-01T12:00:00Z", "max_error_s": 0.5}`

// longestMark is more than anybody types.
const longestMark = 1000

func (a API) mark(w http.ResponseWriter, r *http.Request) error {
	var m struct{ Text string }
	err := json.NewDecoder(io.LimitReader(r.Body, 10*longestMark)).Decode(&m)
	m.Text = strings.TrimSpace(m.Text)
	switch {
	case err != nil:
		return fmt.Errorf("%w: %w: a mark is sent as {\"text\": \"...\"}", errWrong, err)
	case m.Text == "" || len(m.Text) > longestMark:
		return fmt.Errorf("%w: a mark of %d bytes: write 1 to %d", errWrong, len(m.Text), longestMark)
	case a.Mark == nil:
		return fmt.Errorf("this daemon takes no marks: %w", errors.ErrUnsupported)
	}
	if err := a.Mark(m.Text); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
