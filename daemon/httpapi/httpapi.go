// Package httpapi answers whoever comes over the network: the API under /api/v1, which describes itself in
// /api/v1/openapi.json, and what signs browsers in and out. The page is mounted beside it. Everything goes through the
// guards first: nothing gets out without a pass but the way in.
//
//	GET    /sign-in                the page's form, with ?next=PATH, ?wrong=1 or ?wait=SECONDS
//	POST   /sign-in                form fields code and next; sets the cookie and leads to next
//	POST   /sign-out               the browser's pass ends
//	GET    /assets/...             what the page needs before that
//	       /api/v1/...             see routes
//	       everything else         the page
package httpapi

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"underdash/daemon/access"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/store"
	"underdash/store/plot"
	"underdash/store/summary"
)

// Daemon is what is asked of the running daemon.
type Daemon interface {
	// Mark puts a named instant, now, into the session being recorded. The error wraps ErrNoSession if none is.
	Mark(text string) error
	// Status is what the daemon says of itself, to be sent as JSON.
	Status() any
	// Newest is the newest reading of every channel, as a session of its own.
	Newest() (store.Meta, []store.Sample)
	// Rates are the readings a second, lately, by the place of Newest's channels; none of a channel that has only begun.
	Rates() map[uint16]float64
	// Clock is now, on the clock of Newest's instants.
	Clock() time.Duration
	// Offer takes in what a client's clock says. The error wraps ErrOffer if that makes no sense.
	Offer(utc time.Time, maxError time.Duration) (taken bool, err error)
	// Measure watches an analog input for a while.
	Measure(ctx context.Context, input string, length time.Duration) (calibration.Seen, error)
	// Inputs are the configured analog inputs.
	Inputs() []config.Analog
}

var (
	// ErrNoSession says that nothing is being recorded.
	ErrNoSession = errors.New("no session is being recorded")
	// ErrOffer says that a client's clock makes no sense.
	ErrOffer = errors.New("not a time")
)

// Options are what New needs.
type Options struct {
	Store  *store.Store
	Access *access.Keeper
	Daemon Daemon
	Names  []string         // the hosts by which the logger is reached; IP addresses always are
	Log    *slog.Logger     // default: discard
	Now    func() time.Time // default: time.Now
}

// Server answers requests. It is an http.Handler; see Serve.
type Server struct {
	o       Options
	names   map[string]bool
	routes  []route
	handler http.Handler
	page    http.Handler

	downloads, exports, watchers, counters, measuring slots

	turns   turns
	drawing turns // who makes a plot holds one: an answer takes memory
	checks  lately[calibration.Check]
	lengths lengths
	plots   *plot.Cache
	drives  lately[summary.Drive]
	rows    rowCache
	seals   seals
	newest  newestCache

	ending  chan struct{} // closed when Serve ends
	endOnce sync.Once
}

// New makes a server. It opens nothing.
func New(o Options) *Server {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &Server{o: o, names: hosts(o.Names), page: http.HandlerFunc(placeholder), plots: plot.New(plot.Options{}), ending: make(chan struct{})}
	s.downloads, s.exports, s.watchers, s.counters, s.measuring = newSlots(mostDownloads), newSlots(mostExports), newSlots(mostWatchers), newSlots(1), newSlots(1)
	s.turns, s.drawing = newTurns(), make(turns, mostDrawn)
	s.drives, s.checks = newLately[summary.Drive](), newLately[calibration.Check]()
	s.routes = s.table()
	s.handler = s.guards(s.mux())
	return s
}

// Mount puts the page in: it answers GET for every path that is not the API's, /sign-in and /assets/ without a pass, and
// everything else with one. Who has none is led to /sign-in?next=PATH. It must be called before Serve.
func (s *Server) Mount(page http.Handler) { s.page = page }

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// end lets everything that goes on by itself end.
func (s *Server) end() { s.endOnce.Do(func() { close(s.ending) }) }

func (s *Server) mux() http.Handler {
	mux := http.NewServeMux()
	for _, r := range s.routes {
		mux.HandleFunc(r.method+" "+prefix+r.path, s.answering(r.handle))
	}
	mux.HandleFunc("POST /sign-in", s.answering(s.signIn))
	mux.HandleFunc("POST /sign-out", s.answering(s.signOut))
	mux.HandleFunc("/", s.answering(s.elsewhere))
	return mux
}

// elsewhere is the page, or nothing.
func (s *Server) elsewhere(w http.ResponseWriter, r *http.Request) error {
	if strings.HasPrefix(r.URL.Path, "/api/") {
		return s.noRoute(w, r)
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		return refuse(http.StatusMethodNotAllowed, "", "%s is not answered here, but GET is", r.Method)
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(pageTime + answerTime))
	s.page.ServeHTTP(w, r)
	return nil
}

// answering lets a handler return what went wrong.
func (s *Server) answering(f func(http.ResponseWriter, *http.Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := f(w, r); err != nil {
			s.fail(w, r, err)
		}
	}
}

// noRoute is what is asked for and is not there, or not by that method.
func (s *Server) noRoute(w http.ResponseWriter, r *http.Request) error {
	if allowed := s.methods(r); len(allowed) > 0 {
		w.Header().Set("Allow", joined(allowed))
		return refuse(http.StatusMethodNotAllowed, "", "%s is not answered here, but %s is", r.Method, joined(allowed))
	}
	return refuse(http.StatusNotFound, "", "there is nothing at %s: %s/openapi.json describes what there is", r.URL.Path, prefix)
}

// placeholder stands where the page is to be.
func placeholder(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if r.URL.Path == "/sign-in" {
		_, _ = w.Write([]byte(`<!doctype html><html lang="en"><title>Sign in</title><form method="post" action="/sign-in">` +
			`<label>Access code <input name="code" autocomplete="off" required></label> <button>Sign in</button></form></html>`))
		return
	}
	_, _ = w.Write([]byte(`<!doctype html><html lang="en"><title>Logger</title><p>The API is at ` + prefix + `/openapi.json.</p></html>`))
}
