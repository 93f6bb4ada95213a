package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"

	"underdash/store"
	"underdash/store/summary"
)

// Sessions is a listing.
type Sessions struct {
	Sessions  []summary.Row `json:"sessions"`
	Recording string        `json:"recording"`       // ID; empty if nothing is being recorded
	Fault     string        `json:"fault,omitempty"` // of the applied calibrations, which then are not counted
}

func (s *Server) list(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	l, err := s.Sessions()
	if err != nil {
		return err
	}
	return answer(w, l)
}

// Sessions lists what there is, for the page.
func (s *Server) Sessions() (Sessions, error) {
	l := Sessions{Sessions: []summary.Row{}}
	infos, err := s.o.Store.List()
	if err != nil {
		return l, err
	}
	applied, err := store.Calibrations(s.o.Store.Dir())
	if err != nil { // no reason to withhold the sessions
		l.Fault = err.Error()
	}
	if now := s.o.Store.Recording(); now != nil {
		l.Recording = now.ID()
	}
	dates := store.Date(infos, store.Anchors(s.o.Store.Dir()))
	for n, i := range infos {
		row := summary.RowOf(i, dates[n])
		s.rows.complete(&row, i, applied, func() (*store.Reader, error) { return s.open(i.ID) })
		l.Sessions = append(l.Sessions, row)
	}
	s.rows.forget(infos)
	return l, nil
}

// open returns a reader of a session by its ID, a beginning of it, or "last".
func (s *Server) open(name string) (*store.Reader, error) {
	if now := s.o.Store.Recording(); now != nil && now.ID() == name {
		return now.Reader(), nil
	}
	path, err := store.Find(s.o.Store.Dir(), name)
	if err != nil {
		return nil, err
	}
	if now := s.o.Store.Recording(); now != nil && now.ID() == store.IDOf(path) {
		return now.Reader(), nil
	}
	return store.OpenReader(path)
}

func (s *Server) session(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	d, err := s.Drive(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	return answer(w, d)
}

// Drive is one session whole, for the page. The name is an ID, a beginning of one, or "last"; the error wraps
// store.ErrNotFound if there is none.
func (s *Server) Drive(ctx context.Context, name string) (summary.Drive, error) {
	reader, err := s.open(name)
	if err != nil {
		return summary.Drive{}, err
	}
	defer func() { _ = reader.Close() }()
	applied, err := store.Calibrations(s.o.Store.Dir())
	if err != nil {
		return summary.Drive{}, err
	}
	info := reader.Info()
	d, err := s.drives.get(ctx, contentKey(info, reader.Meta(), applied), func() (summary.Drive, error) {
		if err := s.turns.take(ctx, s.ending); err != nil {
			return summary.Drive{}, err
		}
		defer s.turns.give()
		return summary.Of(reader, store.Dating{}, applied, "session "+info.ID)
	})
	if err != nil {
		return d, err
	}
	// What may change without the session changing.
	listed, date, ok, err := s.listed(info.ID)
	if err != nil {
		return summary.Drive{}, err
	}
	row := summary.RowOf(info, date)
	row.Vehicle, row.Read = d.Vehicle, d.Read
	if ok {
		row.Pinned, row.Pulled = listed.Pinned, listed.Pulled
	}
	d.Row = row
	return d, nil
}

// listed is a session as a listing has it, and when it began, which its neighbours bear on; not ok if there is none of that
// ID.
func (s *Server) listed(id string) (i store.Info, date store.Dating, ok bool, err error) {
	infos, err := s.o.Store.List()
	if err != nil {
		return store.Info{}, store.Dating{}, false, err
	}
	n := slices.IndexFunc(infos, func(i store.Info) bool { return i.ID == id })
	if n < 0 {
		return store.Info{}, store.Dating{}, false, nil
	}
	return infos[n], store.Date(infos, store.Anchors(s.o.Store.Dir()))[n], true, nil
}

func (s *Server) remove(w http.ResponseWriter, r *http.Request) error {
	if err := s.o.Store.Remove(r.PathValue("id")); err != nil {
		return err
	}
	return nothing(w)
}

func (s *Server) pin(on bool) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		path, err := store.Find(s.o.Store.Dir(), r.PathValue("id"))
		if err != nil {
			return err
		}
		if err := s.o.Store.Mark(store.IDOf(path), store.Pinned, on); err != nil {
			return err
		}
		return nothing(w)
	}
}

// Digest is the digest of a session's seal.
type Digest struct {
	SHA256 string `json:"sha256"`
}

func (s *Server) pulled(w http.ResponseWriter, r *http.Request) error {
	var q Digest
	if err := take(w, r, &q); err != nil {
		return err
	}
	id := r.PathValue("id")
	i, _, ok, err := s.listed(id)
	switch {
	case err != nil:
		return err
	case !ok:
		return refuse(http.StatusNotFound, "not-found", "there is no session %s", id)
	case i.SHA256 == "":
		return refuse(http.StatusConflict, "unsealed", "session %s is not sealed yet, so nobody can have it whole", id)
	case !strings.EqualFold(i.SHA256, q.SHA256):
		return refuse(http.StatusConflict, "digest", "session %s has the digest %s, not %q: what arrived is another one", id, i.SHA256, q.SHA256)
	}
	if err := s.o.Store.Mark(id, store.Pulled, true); err != nil {
		return err
	}
	return nothing(w)
}

// Review is what bears on how far a session can be trusted.
type Review struct {
	ID         string              `json:"id"`
	Findings   []summary.Finding   `json:"findings"`
	Wiring     []summary.Input     `json:"wiring"`     // how the analog inputs are corrected
	References []store.Reference   `json:"references"` // known levels that the drive showed by itself
	Diagnoses  []summary.Diagnosis `json:"diagnoses"`
	Channels   []summary.Channel   `json:"channels"`
	Gaps       []summary.Gap       `json:"gaps"`
	Damage     string              `json:"damage,omitempty"`
}

func (s *Server) review(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	reader, err := s.open(r.PathValue("id"))
	if err != nil {
		return err
	}
	m := reader.Meta()
	_ = reader.Close()
	d, err := s.Drive(r.Context(), m.ID)
	if err != nil {
		return err
	}
	return answer(w, Review{d.ID, some(d.Findings), some(d.Inputs), some(m.References), some(d.Diagnoses), some(d.Channels), some(d.Gaps), d.Damage})
}

// some is a list that is never null in JSON.
func some[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// Marks are named instants.
type Marks struct {
	Marks []summary.Event `json:"marks"`
}

func (s *Server) marks(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	reader, err := s.open(r.PathValue("id"))
	if err != nil {
		return err
	}
	defer func() { _ = reader.Close() }()
	out := Marks{[]summary.Event{}}
	for _, e := range summary.Events(reader.Meta()) {
		if e.Kind == "mark" {
			out.Marks = append(out.Marks, e)
		}
	}
	return answer(w, out)
}

// MarkRequest names an instant.
type MarkRequest struct {
	Text string `json:"text"`
}

// longestMark is more than anybody types, in bytes.
const longestMark = 1000

func (s *Server) mark(w http.ResponseWriter, r *http.Request) error {
	var q MarkRequest
	if err := take(w, r, &q); err != nil {
		return err
	}
	q.Text = strings.TrimSpace(q.Text)
	if q.Text == "" || len(q.Text) > longestMark {
		return refuse(http.StatusBadRequest, "", "a mark of %d bytes: write 1 to %d", len(q.Text), longestMark)
	}
	if err := s.o.Daemon.Mark(q.Text); err != nil {
		return err
	}
	return nothing(w)
}

// contentKey is another one whenever what a session's readings come to is: by its seal, or how much there is of it, and by
// the applied calibrations that bear on it.
func contentKey(i store.Info, m store.Meta, applied []store.Applied) string {
	key := struct {
		ID, Seal         string
		Blocks, Revision uint64
		Lost             []store.Loss
		Applied          []store.Applied
	}{i.ID, i.SHA256, i.Blocks, m.Revision, i.Lost, bearing(m, applied)}
	text, err := json.Marshal(key)
	if err != nil {
		panic(errors.Join(errors.New("a key that is no JSON"), err)) // of a type above
	}
	return digest(text)
}

// bearing are the applied calibrations by which a session's inputs are read.
func bearing(m store.Meta, applied []store.Applied) (out []store.Applied) {
	for _, c := range m.Channels {
		if c.Analog == nil {
			continue
		}
		if a, ok := store.InForce(applied, c.Name, m.Origin, m.Number, c.Analog.Divider); ok {
			out = append(out, a)
		}
	}
	return out
}
