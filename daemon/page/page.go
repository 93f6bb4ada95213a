// Package page is the page that a browser is shown: four rooms (the drives, one drive, now, the wiring) and a sign-in page,
// rendered here from what its Options give, with style, scripts and icon of its own. Plots, live values and changes go
// through the API, from the browser. It decides nothing about who may come in.
package page

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"path"
	"strings"
	"time"

	"underdash/daemon/calibration"
	"underdash/store/summary"
)

//go:embed assets
var assets embed.FS

//go:embed templates
var templates embed.FS

// Options say what the page shows. All functions must be given; they may be called at the same time. An error that wraps
// fs.ErrNotExist is answered with 404 Not Found, any other with 500 and its text.
type Options struct {
	// Drives lists the store's drives, the oldest first.
	Drives func(context.Context) (Listing, error)
	// Outline tells at once what a drive has: it must not go through the readings, since plots wait for it.
	Outline func(ctx context.Context, id string) (Outline, error)
	// Drive describes a drive whole. It may take its time.
	Drive func(ctx context.Context, id string) (summary.Drive, error)
	// Inputs are the wideband inputs as they are configured now.
	Inputs func(context.Context) ([]Input, error)
	// Check tells what the last drives show of an input by themselves. It may take its time.
	Check func(ctx context.Context, input string) (calibration.Check, error)

	Formats []string         // of exports, by name
	Log     *slog.Logger     // nil: nothing is logged
	Now     func() time.Time // nil: time.Now
}

// Listing is the store's drives.
type Listing struct {
	Rows      []summary.Row
	Recording string // ID of the drive that is being recorded, or empty
	Fault     string // why the applied calibrations are not known, or empty
}

// Outline is what a drive has, without what only its readings tell.
type Outline struct {
	Row       summary.Row
	Recording bool // it is being recorded
	Channels  []Channel
	Events    []summary.Event // beside the gaps
}

// Channel is a quantity that can be plotted.
type Channel struct {
	Name        string
	Description string
	Unit        string // "1" for ratios, empty for a status
	Source      string
}

// Input is a wideband input, and where its calibration stands.
type Input struct {
	Name       string
	Low, High  Point               // the controller's scale
	Warmup     *float64            // volts that it puts out while it heats; nil: no such level
	Top        float64             // the highest volts that it puts out
	Finding    calibration.Finding // of the levels that wait to be applied
	InForce    string              // by what the next drive will be read, in words; empty: what it shows by itself
	Applied    []string            // what was applied and withdrawn, in words, in that order
	Configured bool                // a correction stands in the configuration
}

// Point is a point of a scale.
type Point struct{ Volts, Lambda float64 }

// Pages are the rooms.
type Pages struct {
	o      Options
	mux    *http.ServeMux
	views  map[string]*template.Template
	assets map[string]asset
}

type asset struct {
	text []byte
	etag string
	kind string
}

// kinds are the media types of assets: those that the system knows may differ from board to board.
var kinds = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

// New makes the pages. Routes, all for GET: "/", "/drives/{id}" and its "/review", "/now", "/wiring" and its "/finding" and
// "/check" of an input, "/sign-in", "/assets/{name}". Only the last two are fit for somebody who has not come in. The forms to
// sign in and out post to /sign-in (fields code and next) and /sign-out.
func New(o Options) *Pages {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	p := &Pages{o: o, mux: http.NewServeMux(), views: views(), assets: make(map[string]asset)}
	for _, f := range must(fs.ReadDir(assets, "assets")) {
		text := must(fs.ReadFile(assets, path.Join("assets", f.Name())))
		sum := sha256.Sum256(text)
		p.assets[f.Name()] = asset{text, fmt.Sprintf(`"%x"`, sum[:12]), kinds[path.Ext(f.Name())]}
	}
	p.mux.HandleFunc("GET /{$}", p.handle(p.drives))
	p.mux.HandleFunc("GET /drives/{id}", p.handle(p.drive))
	p.mux.HandleFunc("GET /drives/{id}/review", p.handle(p.review))
	p.mux.HandleFunc("GET /now", p.handle(p.now))
	p.mux.HandleFunc("GET /wiring", p.handle(p.wiring))
	p.mux.HandleFunc("GET /wiring/finding", p.handle(p.finding))
	p.mux.HandleFunc("GET /wiring/check", p.handle(p.check))
	p.mux.HandleFunc("GET /sign-in", p.handle(p.signIn))
	p.mux.HandleFunc("GET /assets/{name}", p.asset)
	p.mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		p.problem(w, r, fmt.Errorf("there is nothing at %s: %w", r.URL.Path, fs.ErrNotExist))
	})
	return p
}

// must is for what is embedded, which is there.
func must[T any](x T, err error) T {
	if err != nil {
		panic(err)
	}
	return x
}

// views reads the templates. A room's page is the frame around it; a fragment, which a script puts into a page, has none.
func views() map[string]*template.Template {
	all := make(map[string]*template.Template)
	frame := template.Must(template.New("").Funcs(words).ParseFS(templates, "templates/frame.html", "templates/parts.html"))
	for _, f := range must(fs.ReadDir(templates, "templates")) {
		t := template.Must(template.Must(frame.Clone()).ParseFS(templates, path.Join("templates", f.Name())))
		all[f.Name()] = t
	}
	return all
}

func (p *Pages) ServeHTTP(w http.ResponseWriter, r *http.Request) { p.mux.ServeHTTP(w, r) }

// shown is what a template gets.
type shown struct {
	Title    string
	Room     string // that the way about marks
	SignedIn bool
	Now      time.Time
	Data     any
}

// room is what a handler found to show.
type room struct {
	view  string // template's file
	title string
	name  string
	bare  bool // a fragment
	data  any
}

// handle lets a handler return what to show, or an error.
func (p *Pages) handle(h func(*http.Request) (room, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		found, err := h(r)
		if err != nil {
			p.problem(w, r, err)
			return
		}
		p.render(w, r, http.StatusOK, found)
	}
}

// render renders to memory first, so that a page comes whole or not at all.
func (p *Pages) render(w http.ResponseWriter, r *http.Request, status int, m room) {
	name := "frame"
	if m.bare {
		name = "content"
	}
	var b bytes.Buffer
	err := p.views[m.view].ExecuteTemplate(&b, name, shown{m.title, m.name, m.view != "sign-in.html", p.o.Now(), m.data})
	if err != nil {
		p.o.Log.Error("could not render a page", "page", m.view, "err", err)
		http.Error(w, "The page could not be made; the logger's own log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store") // drives are personal data
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(b.Bytes()) // who went away needs no page
	}
}

// problem says what went wrong, on a page or, where a script asked for a fragment, in a sentence.
func (p *Pages) problem(w http.ResponseWriter, r *http.Request, err error) {
	status := http.StatusInternalServerError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		status = http.StatusNotFound
	case r.Context().Err() != nil:
		return // nobody is there to be told
	default:
		p.o.Log.Warn("could not show a page", "path", r.URL.Path, "err", err)
	}
	text := strings.TrimSuffix(err.Error(), ": "+fs.ErrNotExist.Error()) // which is for the program
	p.render(w, r, status, room{view: "problem.html", title: http.StatusText(status), bare: r.Header.Get("X-Fragment") != "", data: text})
}

func (p *Pages) asset(w http.ResponseWriter, r *http.Request) {
	a, ok := p.assets[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", a.kind)
	w.Header().Set("Cache-Control", "no-cache") // kept, and asked about: another version of the program brings others
	w.Header().Set("ETag", a.etag)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(a.text))
}
