package pull

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"time"

	"underdash/store"
	"underdash/store/summary"
)

// sessions are brought as their sealed files, into a store.
type sessions struct {
	p     *Puller
	store *store.Store
	there map[string]string // IDs by digest
	sound map[string]bool   // digests of what was verified in this run
}

func newSessions(p *Puller, s *store.Store) (*sessions, error) {
	infos, err := s.List()
	if err != nil {
		return nil, err
	}
	d := &sessions{p: p, store: s, there: make(map[string]string), sound: make(map[string]bool)}
	for _, i := range infos {
		if i.SHA256 != "" {
			d.there[i.SHA256] = i.ID
		}
	}
	return d, nil
}

func (d *sessions) has(row summary.Row) bool { return d.there[row.SHA256] != "" }

func (d *sessions) close() error { return d.store.Close() }

// bring fetches a session's file and takes it into the store. One that is not right is thrown away and fetched anew, once.
func (d *sessions) bring(ctx context.Context, row summary.Row) error {
	path := filepath.Join(d.p.o.To, row.ID+".session")
	for try := 1; ; try++ {
		to, err := openPart(path)
		if err != nil {
			return err
		}
		f, err := d.p.fetch(ctx, row.ID, "/sessions/"+row.ID+"/file", to, answerTime)
		if err = first(err, to.close()); err != nil {
			return explain(err)
		}
		err = verify(to.path, row.SHA256)
		if err == nil {
			f.finished()
			d.sound[row.SHA256] = true
			return d.adopt(row, to)
		}
		if !errors.Is(err, store.ErrDamaged) {
			return err // the part stays, for a program that can read it
		}
		if err := to.discard(); err != nil {
			return err
		}
		if try == 2 {
			return fmt.Errorf("what arrives is not what the logger says it is, twice (%w): 'underdash store check' on the logger tells whether its file is sound", err)
		}
		d.p.o.Told(row.ID + ": what arrived is not what the logger says it is; it is fetched once more")
	}
}

// explain says what a refusal means here.
func explain(err error) error {
	if s := (*statusError)(nil); errors.As(err, &s) && s.Kind == "not-found" {
		return fmt.Errorf("the logger has deleted it meanwhile (%w)", err)
	}
	return err
}

// verify compares a file with itself and with the digest that it should have.
func verify(path, digest string) error {
	report, err := store.Check(path)
	switch {
	case errors.Is(err, store.ErrVersion):
		return fmt.Errorf("%w: update underdash on this machine, and run it again", err)
	case err != nil:
		return err
	case len(report.Faults) > 0:
		return fmt.Errorf("%w: %s", store.ErrDamaged, report.Faults[0])
	case !report.Sealed:
		return fmt.Errorf("%w: it is not sealed", store.ErrDamaged)
	}
	r, err := store.OpenReader(path)
	if err != nil {
		return err
	}
	got := r.Info().SHA256
	if err := r.Close(); err != nil {
		return err
	}
	if got != digest {
		return fmt.Errorf("%w: it has the digest %s instead of %s", store.ErrDamaged, got, digest)
	}
	return nil
}

func (d *sessions) adopt(row summary.Row, from *part) error {
	id, _, err := d.store.Add(from.path)
	if errors.Is(err, store.ErrFull) {
		return local(err)
	}
	if err != nil {
		return fatalError{err}
	}
	d.there[row.SHA256] = id
	return from.discard()
}

// settle takes over what the daemon knows of the session's date, and tells the daemon that the session is here.
func (d *sessions) settle(ctx context.Context, row summary.Row) error {
	if err := d.date(row); err != nil {
		return fatalError{err}
	}
	if row.Pulled {
		return nil
	}
	if err := d.verify(row); err != nil {
		return err
	}
	err := d.p.persist(ctx, func(ctx context.Context) error {
		return d.p.client.json(ctx, http.MethodPut, "/sessions/"+row.ID+"/pulled", struct {
			SHA256 string `json:"sha256"`
		}{row.SHA256}, nil)
	})
	if s := (*statusError)(nil); errors.As(err, &s) && s.Kind == "not-found" {
		return nil // it was deleted there, and is here
	}
	if err != nil {
		return fmt.Errorf("tell the logger that it has arrived: %w", err)
	}
	return nil
}

// verify looks once into a file that has been here for long, before the daemon is told that it may let go of its own.
func (d *sessions) verify(row summary.Row) error {
	if d.sound[row.SHA256] {
		return nil
	}
	id := d.there[row.SHA256]
	path, err := store.Find(d.p.o.To, id)
	if err != nil {
		return err
	}
	if err := verify(path, row.SHA256); err != nil {
		return fmt.Errorf("the copy here is not sound any more (%w), so the logger is not told of it: 'underdash store delete %s' removes it, and the next run brings it again", err, id)
	}
	d.sound[row.SHA256] = true
	return nil
}

// date keeps when the session began, if the daemon knows that better than the session's own description: it may have become
// known after the session was sealed, and stands beside the sessions there.
func (d *sessions) date(row summary.Row) error {
	if row.Began == nil || row.Clock != store.ByReference && row.Clock != store.ByClient {
		return nil
	}
	path, err := store.Find(d.p.o.To, d.there[row.SHA256])
	if err != nil {
		return err
	}
	anchors := store.Anchors(d.p.o.To)
	r, err := store.OpenReader(path)
	if err != nil {
		return err
	}
	m := r.Meta()
	if err := r.Close(); err != nil {
		return err
	}
	a := store.BootAnchor{BootID: m.BootID, SinceBoot: m.SinceBoot, UTC: row.Began.UTC(), Source: row.Clock}
	if row.ClockOff != nil {
		a.MaxError = time.Duration(*row.ClockOff * float64(time.Second))
	}
	known := func(source string) bool { return source == store.ByReference || source == a.Source }
	if m.BootID == "" || known(m.Began().Source) || slices.ContainsFunc(anchors, func(b store.BootAnchor) bool { return b.BootID == m.BootID && known(b.Source) }) {
		return nil
	}
	return d.store.AddAnchor(a)
}
