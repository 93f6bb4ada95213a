package httpapi

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"underdash/store"
	"underdash/store/derive"
	"underdash/store/export"
)

// exported is an export that was asked for.
type exported struct {
	reader  *store.Reader
	options derive.Options
	format  string
	tag     string // empty for what may be another one the next time
	name    string // of the file
}

// exportedOf opens what a request for an export names.
func (s *Server) exportedOf(r *http.Request, more ...string) (*exported, error) {
	q, err := query(r, append([]string{"rate", "aligned"}, more...)...)
	if err != nil {
		return nil, err
	}
	e := &exported{format: r.PathValue("format"), options: derive.Options{Aligned: true, Uncertainty: true}}
	if !slices.Contains(export.Formats(), e.format) {
		return nil, fmt.Errorf("%w %q: there is %s", export.ErrFormat, e.format, joined(export.Formats()))
	}
	if e.options.Rate, _, err = number(q, "rate", derive.LeastRate, derive.MostRate); err != nil {
		return nil, err
	}
	if text := q.Get("aligned"); text != "" {
		if e.options.Aligned, err = strconv.ParseBool(text); err != nil {
			return nil, refuse(http.StatusBadRequest, "", "aligned=%s is neither true nor false", text)
		}
	}
	if e.options.Calibrations, err = store.Calibrations(s.o.Store.Dir()); err != nil {
		return nil, err
	}
	if e.reader, err = s.open(r.PathValue("id")); err != nil {
		return nil, err
	}
	i := e.reader.Info()
	e.name = i.ID + "." + e.format
	if i.SHA256 != "" && i.State != store.Damaged && i.State != store.Recording {
		e.tag = exportTag(i, e.reader.Meta(), e.format, e.options)
	}
	return e, nil
}

// exportTag is a strong entity tag: it is another one whenever a byte of the export may be.
func exportTag(i store.Info, m store.Meta, format string, o derive.Options) string {
	text, err := json.Marshal(struct {
		Seal, Format string
		Rate         float64
		Aligned      bool
		Applied      []store.Applied
		Build        string
	}{i.SHA256, format, o.Rate, o.Aligned, bearing(m, o.Calibrations), build()})
	if err != nil {
		panic(err) // of a type above
	}
	return `"` + format + "-" + digest(text)[:40] + `"`
}

// build tells this program from others that may write something else.
var build = sync.OnceValue(func() string {
	var revision, modified string
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			switch s.Key {
			case "vcs.revision":
				revision = s.Value
			case "vcs.modified":
				modified = s.Value
			}
		}
	}
	if revision != "" && modified == "false" {
		return revision
	}
	path, err := os.Executable()
	if err != nil {
		return "unknown"
	}
	f, err := os.Stat(path)
	if err != nil {
		return "unknown"
	}
	return fmt.Sprintf("%d bytes of %v", f.Size(), f.ModTime().UnixNano())
})

// write encodes the export anew. That blocks are damaged and left out is no error: it is told in the session's description.
func (e *exported) write(to *counted) error {
	defer to.rest()
	if err := to.work(); err != nil {
		return err
	}
	session, err := derive.NewWith(e.reader, e.options)
	if err != nil {
		return fmt.Errorf("read session %s: %w", e.reader.Info().ID, err)
	}
	if err := export.Write(to, e.format, session); err != nil && !errors.As(err, new(*export.Incomplete)) {
		return err
	}
	return to.flush()
}

// contentType is a format's.
func contentType(format string) string {
	if format == "csv" {
		return "text/csv; charset=utf-8; header=present" // RFC 4180
	}
	if t := mime.TypeByExtension("." + format); t != "" {
		return t
	}
	return "application/octet-stream"
}

// export sends a session in a format, or a part of it.
func (s *Server) export(w http.ResponseWriter, r *http.Request) error {
	e, err := s.exportedOf(r)
	if err != nil {
		return err
	}
	defer func() { _ = e.reader.Close() }()
	h := w.Header()
	h.Set("Content-Type", contentType(e.format))
	h.Set("Content-Disposition", attachment(e.name))
	h.Set("Cache-Control", "private, no-cache")
	if e.tag != "" {
		h.Set("ETag", e.tag)
		h.Set("Accept-Ranges", "bytes")
	}
	if wanted := strings.Join(r.Header.Values("If-Match"), ","); wanted != "" && (e.tag == "" || !matches(wanted, e.tag)) {
		return refuse(http.StatusPreconditionFailed, "", "the export is another one by now")
	}
	if had := strings.Join(r.Header.Values("If-None-Match"), ","); had != "" && e.tag != "" && matches(had, e.tag) {
		h.Del("Content-Type")
		h.Del("Content-Disposition")
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	length, known := s.lengths.get(e.tag)
	if r.Method == http.MethodHead {
		if known {
			h.Set("Content-Length", strconv.FormatInt(length, 10))
		}
		w.WriteHeader(http.StatusOK)
		return nil
	}
	give, err := s.exports.takeFor("exports")
	if err != nil {
		return err
	}
	defer give()
	if part, ok := rangeOf(r, e.tag); ok && e.tag != "" {
		return s.exportPart(w, r, e, part, give)
	}
	if known {
		h.Set("Content-Length", strconv.FormatInt(length, 10))
	}
	to := s.counting(w, r)
	to.cut = func() bool { // who waits next need not wait for what nobody reads
		if e.tag == "" || known {
			give()
			return false
		}
		return s.goOnCounting(to, give)
	}
	err = e.write(to)
	if to.done != nil {
		to.done()
	}
	if err == nil {
		s.lengths.put(e.tag, to.n)
	}
	return to.outcome(err)
}

// goOnCounting is for an export whose client is gone: it may be counted to its end, so that who comes back for the rest need not
// begin anew, if no other one is.
func (s *Server) goOnCounting(to *counted, give func()) bool {
	give()
	more, ok := s.counters.take()
	to.done = more
	return ok
}

// exportPart sends a part of an export.
func (s *Server) exportPart(w http.ResponseWriter, r *http.Request, e *exported, part span, give func()) error {
	length, err := s.lengths.find(e.tag, func() (int64, error) {
		to := s.counting(nil, r)
		to.cut = func() bool { return s.goOnCounting(to, give) }
		err := e.write(to)
		if to.done != nil {
			to.done()
		}
		return to.n, err
	})
	if err != nil {
		return err
	}
	h := w.Header()
	within, ok := part.within(length)
	if !ok {
		err := refuse(http.StatusRequestedRangeNotSatisfiable, "", "the export has %d bytes", length)
		s.fail(&unsatisfied{w, length}, r, err)
		return nil
	}
	h.Set("Content-Range", fmt.Sprintf("bytes %d-%d/%d", within.first, within.last, length))
	h.Set("Content-Length", strconv.FormatInt(within.last-within.first+1, 10))
	to := s.counting(w, r)
	to.status, to.skip, to.end = http.StatusPartialContent, within.first, within.last+1
	if err := e.write(to); err != nil && !errors.Is(err, errEnough) {
		return to.outcome(err)
	}
	return nil
}

// unsatisfied says with a 416 how long the export is, in a header that a failure else takes away.
type unsatisfied struct {
	http.ResponseWriter
	length int64
}

// WriteHeader implements http.ResponseWriter.
func (u *unsatisfied) WriteHeader(status int) {
	u.Header().Set("Content-Range", fmt.Sprintf("bytes */%d", u.length))
	u.ResponseWriter.WriteHeader(status)
}

// exportDescription sends what the columns of an export mean.
func (s *Server) exportDescription(w http.ResponseWriter, r *http.Request) error {
	e, err := s.exportedOf(r, "name")
	if err != nil {
		return err
	}
	defer func() { _ = e.reader.Close() }()
	if e.format != "csv" {
		return refuse(http.StatusNotFound, "", "%s describes itself: only csv has a description beside it", e.format)
	}
	give, err := s.exports.takeFor("exports")
	if err != nil {
		return err
	}
	defer give()
	name := e.name
	if q := r.URL.Query().Get("name"); q != "" {
		name = q
	}
	if strings.ContainsAny(name, `/\"`) || tricky("/"+name) || len(name) > 255 {
		return refuse(http.StatusBadRequest, "", "name=%s is no file's name", name)
	}
	session, err := derive.NewWith(e.reader, e.options)
	if err != nil {
		return fmt.Errorf("read session %s: %w", e.reader.Info().ID, err)
	}
	_, date, ok, err := s.listed(e.reader.Info().ID)
	if err != nil {
		return err
	}
	if !ok {
		date = e.reader.Meta().Began()
	}
	var text bytes.Buffer
	if err := export.Describe(&text, name, session, date); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Disposition", attachment(name+export.DescriptionSuffix))
	w.Header().Set("ETag", `"`+digest(text.Bytes())[:40]+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(text.Bytes()))
	return nil
}
