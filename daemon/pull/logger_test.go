package pull

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/store"
	"underdash/store/derive"
	"underdash/store/export"
	"underdash/store/storetest"
	"underdash/store/summary"
)

const rightCode = "K7QF-2M9X-T4HP-8WZD"

// drives are recorded once: every logger of a test has copies.
var drives = sync.OnceValues(func() (map[string][]byte, error) {
	dir, err := os.MkdirTemp("", "drives")
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		return nil, err
	}
	files := make(map[string][]byte)
	for i, length := range []time.Duration{time.Minute, 2 * time.Minute, 3 * time.Minute} {
		d := storetest.Reference{Seed: uint64(i + 1), Length: length}
		m := d.Meta()
		m.BootID, m.SinceBoot = "boot", time.Duration(i)*time.Hour
		session, err := s.Begin(m)
		if err != nil {
			return nil, err
		}
		if err := session.Append(d.Samples()); err != nil {
			return nil, err
		}
		if err := session.End(length, "the engine stopped"); err != nil {
			return nil, err
		}
		if files[session.ID()], err = os.ReadFile(session.Path()); err != nil {
			return nil, err
		}
	}
	return files, s.Close()
})

// logger is a daemon as its API's description says it, over the sessions of a directory.
type logger struct {
	t           *testing.T
	dir         string
	access      string // directory of its certificate
	certificate tls.Certificate
	delay       time.Duration // of every answer
	answer      func(w http.ResponseWriter, r *http.Request) (done bool)

	mu        sync.Mutex // guards what follows
	tokens    map[string]bool
	pulled    map[string]string // digests told, by ID
	offers    []map[string]any
	asked     []string // methods and paths
	recording string
	rows      func(*summary.Row)
	exports   map[string][2][]byte // by ID: CSV and description
	closing   bool                 // every answer ends its connection
}

func newLogger(t *testing.T) *logger {
	t.Helper()
	files, err := drives()
	require.NoError(t, err)
	l := &logger{t: t, dir: t.TempDir(), tokens: make(map[string]bool), pulled: make(map[string]string)}
	for id, text := range files {
		require.NoError(t, os.WriteFile(filepath.Join(l.dir, id+".session"), text, 0o644))
	}
	l.access = t.TempDir()
	l.certificate, err = access.Certificate(l.access, []string{"logger.local"}, time.Now())
	require.NoError(t, err)
	return l
}

func (l *logger) fingerprint() string { return access.Fingerprint(l.certificate) }

func (l *logger) infos() []store.Info {
	infos, err := store.List(l.dir)
	require.NoError(l.t, err)
	return infos
}

func (l *logger) count(prefix string) (n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, a := range l.asked {
		if strings.HasPrefix(a, prefix) {
			n++
		}
	}
	return n
}

func problem(w http.ResponseWriter, status int, kind, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]any{"type": "urn:underdash:problem:" + kind, "title": http.StatusText(status), "status": status, "detail": detail})
}

func (l *logger) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	time.Sleep(l.delay)
	body, _ := io.ReadAll(r.Body)
	path, _ := strings.CutPrefix(r.URL.Path, "/api/v1")
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked = append(l.asked, r.Method+" "+path)
	if l.closing {
		w.Header().Set("Connection", "close")
	}
	if l.answer != nil && l.answer(w, r) {
		return
	}
	if r.Method+path == "POST/tokens" {
		var q struct{ Code, Name string }
		if _ = json.Unmarshal(body, &q); q.Code != rightCode || q.Name == "" {
			problem(w, http.StatusUnauthorized, "wrong-code", "this is not the access code")
			return
		}
		token := fmt.Sprintf("token-%d", len(l.tokens))
		l.tokens[token] = true
		w.WriteHeader(http.StatusCreated)
		_ = json.NewEncoder(w).Encode(map[string]string{"token": token})
		return
	}
	if token, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); !l.tokens[token] {
		problem(w, http.StatusUnauthorized, "blank", "a token is needed")
		return
	}
	parts := strings.Split(strings.Trim(path, "/"), "/")
	switch {
	case path == "/health":
		_, _ = w.Write([]byte("{}"))
	case path == "/time":
		var offer map[string]any
		_ = json.Unmarshal(body, &offer)
		offer["now"] = time.Now()
		l.offers = append(l.offers, offer)
		_, _ = w.Write([]byte(`{"taken":true}`))
	case path == "/calibration/applied":
		_, _ = w.Write([]byte(`{"applied":[]}`))
	case path == "/sessions":
		l.list(w)
	case len(parts) == 3 && parts[2] == "file":
		l.file(w, r, parts[1])
	case len(parts) == 3 && parts[2] == "pulled":
		var q struct{ SHA256 string }
		_ = json.Unmarshal(body, &q)
		for _, i := range l.infos() {
			if i.ID == parts[1] && i.SHA256 != q.SHA256 {
				problem(w, http.StatusConflict, "digest", "it has another digest")
				return
			}
		}
		l.pulled[parts[1]] = q.SHA256
		w.WriteHeader(http.StatusNoContent)
	case len(parts) >= 4 && parts[2] == "exports":
		l.export(w, r, parts[1], len(parts) == 5)
	default:
		problem(w, http.StatusNotFound, "not-found", "there is no such thing")
	}
}

func (l *logger) list(w http.ResponseWriter) {
	infos := l.infos()
	dates := store.Date(infos, store.Anchors(l.dir))
	list := sessionList{Recording: l.recording}
	for n, i := range infos {
		row := summary.RowOf(i, dates[n])
		row.Pulled = l.pulled[i.ID] != ""
		if l.rows != nil {
			l.rows(&row)
		}
		list.Sessions = append(list.Sessions, row)
	}
	_ = json.NewEncoder(w).Encode(list)
}

func (l *logger) file(w http.ResponseWriter, r *http.Request, id string) {
	if id == l.recording {
		problem(w, http.StatusConflict, "recording", "it is being recorded")
		return
	}
	path := filepath.Join(l.dir, id+".session")
	text, err := os.ReadFile(path)
	if err != nil {
		problem(w, http.StatusNotFound, "not-found", "there is no session "+id)
		return
	}
	w.Header().Set("ETag", fmt.Sprintf(`"file-%s-%d"`, id, len(text)))
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(text))
}

// csv is a session's export, made by the exporter itself.
func (l *logger) csv(id string) (csv, description []byte) {
	if e, ok := l.exports[id]; ok {
		return e[0], e[1]
	}
	r, err := store.OpenReader(filepath.Join(l.dir, id+".session"))
	require.NoError(l.t, err)
	defer func() { _ = r.Close() }()
	session, err := derive.New(r)
	require.NoError(l.t, err)
	var out, about bytes.Buffer
	require.NoError(l.t, export.Write(&out, "csv", session))
	require.NoError(l.t, export.Describe(&about, id+".csv", session, session.Meta().Began()))
	if l.exports == nil {
		l.exports = make(map[string][2][]byte)
	}
	l.exports[id] = [2][]byte{out.Bytes(), about.Bytes()}
	return out.Bytes(), about.Bytes()
}

func (l *logger) export(w http.ResponseWriter, r *http.Request, id string, description bool) {
	csv, about := l.csv(id)
	if description {
		csv = about
	}
	w.Header().Set("ETag", `"csv-`+id+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(csv))
}

// air is a network without a machine's own, so that it works by a bubble's clock: a connection is a pipe.
type air struct {
	accept chan net.Conn
	done   chan struct{}
	mu     sync.Mutex // guards what follows
	dialed []time.Time
	refuse func(n int) error                 // of the nth connection, from 1 on; nil: none
	limit  func(n int) (bytes int, cut bool) // after how many bytes towards the client it is cut
}

func (a *air) dial(context.Context, string, string) (net.Conn, error) {
	a.mu.Lock()
	a.dialed = append(a.dialed, time.Now())
	n := len(a.dialed)
	a.mu.Unlock()
	if a.refuse != nil {
		if err := a.refuse(n); err != nil {
			return nil, err
		}
	}
	ours, theirs := net.Pipe()
	select {
	case a.accept <- buffered(theirs):
	case <-a.done:
		return nil, net.ErrClosed
	}
	if a.limit != nil {
		if bytes, cut := a.limit(n); cut {
			return &cutConn{Conn: ours, left: bytes}, nil
		}
	}
	return ours, nil
}

// bufferedConn does not wait for the other end to read, as a network does not: both ends of a handshake may be writing.
type bufferedConn struct {
	net.Conn
	mu     sync.Mutex // guards closed, and closing the queue
	closed bool
	queue  chan []byte
}

func buffered(c net.Conn) net.Conn {
	b := &bufferedConn{Conn: c, queue: make(chan []byte, 64)}
	go func() { // ends when the connection is closed, which the bubble waits for
		for text := range b.queue {
			_, _ = c.Write(text)
		}
		_ = c.Close()
	}()
	return b
}

func (b *bufferedConn) Write(text []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return 0, net.ErrClosed
	}
	b.queue <- bytes.Clone(text)
	return len(text), nil
}

// What is on its way arrives although the server sends no more.
func (b *bufferedConn) SetWriteDeadline(time.Time) error { return nil }
func (b *bufferedConn) SetDeadline(t time.Time) error    { return b.SetReadDeadline(t) }

func (b *bufferedConn) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.closed {
		b.closed = true
		close(b.queue)
	}
	return nil
}

// Accept, Close and Addr implement net.Listener.
func (a *air) Accept() (net.Conn, error) {
	select {
	case c := <-a.accept:
		return c, nil
	case <-a.done:
		return nil, net.ErrClosed
	}
}
func (a *air) Close() error   { close(a.done); return nil }
func (a *air) Addr() net.Addr { return &net.TCPAddr{} }

// cutConn is a connection that breaks.
type cutConn struct {
	net.Conn
	left int
}

func (c *cutConn) Read(b []byte) (int, error) {
	if c.left <= 0 {
		_ = c.Conn.Close()
		return 0, fmt.Errorf("read: connection reset by peer")
	}
	n, err := c.Conn.Read(b[:min(len(b), c.left)])
	c.left -= n
	return n, err
}

// serve answers over the air until the test's end. It is called within a bubble, or not.
func (l *logger) serve(t *testing.T) *air {
	a := &air{accept: make(chan net.Conn), done: make(chan struct{})}
	srv := &http.Server{Handler: l, TLSConfig: &tls.Config{Certificates: []tls.Certificate{l.certificate}}, ErrorLog: log.New(io.Discard, "", 0)}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = srv.ServeTLS(a, "", "")
	}()
	t.Cleanup(func() {
		_ = srv.Close()
		<-ended
	})
	return a
}

// puller is one run of the command.
func (l *logger) puller(t *testing.T, a *air, o Options) *Puller {
	t.Helper()
	if o.Fingerprint == "" && o.Confirm == nil {
		o.Fingerprint = l.fingerprint()
	}
	if o.Code == "" && o.AskCode == nil {
		o.Code = rightCode
	}
	o.Name = "a test"
	p, err := New("logger.local", o)
	require.NoError(t, err)
	p.client.dialer = a.dial
	return p
}
