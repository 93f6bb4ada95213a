package pull

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"

	"underdash/store/summary"
)

const (
	// descriptionSuffix is what stands behind the name of an export whose columns are described beside it.
	descriptionSuffix = "-metadata.json"
	ledgerName        = ".pulled.json"
)

// exports are brought as files of another format. The daemon is not told: an export is not the session, and what is told to
// be elsewhere is deleted first.
type exports struct {
	p      *Puller
	ledger map[string]exported // by the file's name
}

// exported is what a file is the export of.
type exported struct {
	SHA256 string `json:"sha256"`         // of the session's seal
	Read   string `json:"read_by_sha256"` // of how its inputs were corrected: the export is another one when that changes
	Bytes  int64  `json:"bytes"`
}

func openExports(p *Puller) (*exports, error) {
	e := &exports{p: p, ledger: make(map[string]exported)}
	text, err := os.ReadFile(e.path(ledgerName))
	if errors.Is(err, fs.ErrNotExist) {
		return e, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(text, &e.ledger); err != nil {
		return nil, fmt.Errorf("read %s, which says what the files here are: %w: if you remove it, everything is brought anew beside them", e.path(ledgerName), err)
	}
	return e, nil
}

func (e *exports) path(name string) string { return filepath.Join(e.p.o.To, name) }

func (e *exports) close() error { return nil }

// name is the file of a session's export: the session's name, or that and a digest where there is another file of that
// name.
func (e *exports) name(row summary.Row) string {
	name := row.ID + "." + e.p.o.Format
	of, ours := e.ledger[name]
	if ours && of.SHA256 == row.SHA256 {
		return name
	}
	if _, err := os.Lstat(e.path(name)); err != nil && !ours {
		return name
	}
	return row.ID + "-" + row.SHA256[:8] + "." + e.p.o.Format
}

func (e *exports) has(row summary.Row) bool {
	name := e.name(row)
	of, ok := e.ledger[name]
	if !ok || of.SHA256 != row.SHA256 || of.Read != readBy(row) {
		return false
	}
	info, err := os.Stat(e.path(name))
	return err == nil && info.Size() == of.Bytes
}

// readBy is another text when the session's inputs are corrected otherwise.
func readBy(row summary.Row) string {
	text, err := json.Marshal(row.Read)
	if err != nil {
		return "" // no number: it is brought every time
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

func (e *exports) bring(ctx context.Context, row summary.Row) error {
	name := e.name(row)
	path := "/sessions/" + row.ID + "/exports/" + e.p.o.Format
	to, err := openPart(e.path(name))
	if err != nil {
		return err
	}
	f, err := e.p.fetch(ctx, name, path, to, exportTime)
	if err = first(err, to.close()); err != nil {
		return explain(err)
	}
	if err := e.describe(ctx, path, name); err != nil {
		return err
	}
	if err := os.Rename(to.path, e.path(name)); err != nil {
		return local(err)
	}
	e.ledger[name] = exported{row.SHA256, readBy(row), f.progress.Done}
	text, err := json.MarshalIndent(e.ledger, "", " ")
	if err != nil {
		return err
	}
	if err := local(replace(e.path(ledgerName), text, 0o644)); err != nil {
		return err
	}
	f.finished()
	return to.discard()
}

// describe brings what the columns mean, where the format does not say that itself.
func (e *exports) describe(ctx context.Context, path, name string) error {
	var text json.RawMessage
	err := e.p.persist(ctx, func(ctx context.Context) error {
		return e.p.client.json(ctx, http.MethodGet, path+"/description?name="+url.QueryEscape(name), nil, &text)
	})
	if s := (*statusError)(nil); errors.As(err, &s) && s.Status == http.StatusNotFound && e.p.o.Format != "csv" {
		return nil
	}
	if err != nil {
		return fmt.Errorf("describe the columns: %w", err)
	}
	return local(replace(e.path(name+descriptionSuffix), text, 0o644))
}

func (e *exports) settle(context.Context, summary.Row) error { return nil }

func (e *exports) end(context.Context, sessionList) error { return nil } // the logger makes them by its own calibrations
