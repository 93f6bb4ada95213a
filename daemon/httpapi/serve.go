package httpapi

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"
)

const (
	headerTime = 5 * time.Second
	idleTime   = time.Minute
	mostHeader = 16 << 10 // bytes; Go's server adds 4096
	lastTime   = time.Second

	mostLines     = 96 // connections in all
	mostLinesEach = 24 // from one address
)

// Serve answers on a listener until ctx ends, with TLS if a configuration is given, then gives requests that are being
// answered a second to end, cuts them off and waits for them. The error is why it ended before that.
//
// It speaks HTTP/1.1 only: one request at a time on a connection is what the limits count.
func Serve(ctx context.Context, l net.Listener, t *tls.Config, s *Server) error {
	lines := &lines{Listener: l, open: make(map[*line]bool)}
	server := &http.Server{Handler: lines.working(s), ReadHeaderTimeout: headerTime, IdleTimeout: idleTime, MaxHeaderBytes: mostHeader,
		ErrorLog: slog.NewLogLogger(s.o.Log.Handler(), slog.LevelDebug), ConnContext: lines.context, Protocols: new(http.Protocols)}
	server.Protocols.SetHTTP1(true)
	var listener net.Listener = lines
	if t != nil {
		t = t.Clone()
		t.NextProtos, t.MinVersion = []string{"http/1.1"}, max(t.MinVersion, tls.VersionTLS12)
		listener = tls.NewListener(lines, t)
	}
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	var err error
	select {
	case err = <-done:
	case <-ctx.Done():
		s.end()
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastTime)
		if server.Shutdown(last) != nil {
			_ = server.Close()
		}
		cancel()
		err = <-done
	}
	s.end()
	_ = server.Close()
	lines.wait()
	if err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the network: %w", err)
	}
	return nil
}

// lines are the connections. When there are too many, the one that has waited longest without anybody of ours asking on
// it makes room for the new one: a flood costs those who flood, and a browser with a pass goes on.
type lines struct {
	net.Listener
	requests sync.WaitGroup

	mu   sync.Mutex // guards what follows
	open map[*line]bool
	over bool // no request is begun any more
}

// wait waits for the last answer.
func (ls *lines) wait() {
	ls.mu.Lock()
	ls.over = true
	ls.mu.Unlock()
	ls.requests.Wait()
}

// begin counts a request, unless it is over.
func (ls *lines) begin() bool {
	ls.mu.Lock()
	defer ls.mu.Unlock()
	if !ls.over {
		ls.requests.Add(1)
	}
	return !ls.over
}

// line is one connection.
type line struct {
	net.Conn
	all      *lines
	host     string
	since    time.Time
	admitted atomic.Bool // somebody with a pass is being answered on it
}

type lineKey struct{}

// admitted notes that a request is one of ours.
func admitted(ctx context.Context) {
	if l, ok := ctx.Value(lineKey{}).(*line); ok {
		l.admitted.Store(true)
	}
}

// working keeps count of the requests that are being answered.
func (ls *lines) working(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !ls.begin() {
			panic(http.ErrAbortHandler)
		}
		defer ls.requests.Done()
		if l, ok := r.Context().Value(lineKey{}).(*line); ok {
			defer l.admitted.Store(false)
		}
		next.ServeHTTP(w, r)
	})
}

func (ls *lines) context(ctx context.Context, c net.Conn) context.Context {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	return context.WithValue(ctx, lineKey{}, c)
}

// Accept implements net.Listener.
func (ls *lines) Accept() (net.Conn, error) {
	for {
		c, err := ls.Listener.Accept()
		if err != nil {
			return nil, err
		}
		host, _, err := net.SplitHostPort(c.RemoteAddr().String())
		if err != nil {
			host = c.RemoteAddr().String()
		}
		l := &line{Conn: c, all: ls, host: host, since: time.Now()}
		if ls.room(l) {
			return l, nil
		}
		_ = c.Close()
	}
}

// room makes room for a connection, and takes it in if there is.
func (ls *lines) room(l *line) bool {
	ls.mu.Lock()
	each := 0
	var oldest, oldestHere *line
	for o := range ls.open {
		here := o.host == l.host
		if here {
			each++
		}
		if o.admitted.Load() {
			continue
		}
		if oldest == nil || o.since.Before(oldest.since) {
			oldest = o
		}
		if here && (oldestHere == nil || o.since.Before(oldestHere.since)) {
			oldestHere = o
		}
	}
	var out *line
	full := true
	switch {
	case each >= mostLinesEach:
		out = oldestHere
	case len(ls.open) >= mostLines:
		out = oldest
	default:
		full = false
	}
	ok := !full || out != nil
	if ok {
		delete(ls.open, out)
		ls.open[l] = true
	}
	ls.mu.Unlock()
	if out != nil {
		_ = out.Conn.Close()
	}
	return ok
}

// ReadFrom implements io.ReaderFrom, so that a file goes out without a copy where the system can do that.
func (l *line) ReadFrom(r io.Reader) (int64, error) {
	if to, ok := l.Conn.(io.ReaderFrom); ok {
		return to.ReadFrom(r)
	}
	return io.Copy(struct{ io.Writer }{l.Conn}, r)
}

// Close implements net.Conn.
func (l *line) Close() error {
	l.all.mu.Lock()
	delete(l.all.open, l)
	l.all.mu.Unlock()
	return l.Conn.Close()
}
