package httpapi

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"runtime/debug"
	"strings"
	"time"

	"underdash/daemon/access"
)

const (
	cookieName   = "underdash-pass"
	mostBody     = 64 << 10         // bytes of a request's body
	bodyTime     = 10 * time.Second // for a body to come
	pageTime     = 5 * time.Minute  // for a page to be found out, such as the review of a long drive on a slow board
	answerTime   = time.Minute      // for an answer, or a piece of a long one, to be taken
	mostPath     = 1024             // bytes of a path, 2048 of a query: the longest are lists of channels to plot
	mostQuery    = 8192
	contentRules = "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)

// hosts are names as they are compared.
func hosts(names []string) map[string]bool {
	out := map[string]bool{"localhost": true}
	for _, n := range names {
		out[strings.ToLower(strings.TrimSuffix(n, "."))] = true
	}
	return out
}

// ours tells whether a request's Host is a name of this logger. Addresses are: a name that somebody else made point here
// (DNS rebinding) is none.
func (s *Server) ours(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	if _, err := netip.ParseAddr(host); err == nil {
		return true
	}
	return s.names[strings.ToLower(strings.TrimSuffix(host, "."))]
}

// guards stand before everything.
func (s *Server) guards(next http.Handler) http.Handler {
	origin := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer s.survive(w, r)
		secure(w.Header())
		answers := http.NewResponseController(w)
		_ = answers.SetWriteDeadline(time.Now().Add(answerTime)) // a recorder in a test has none
		if r.ContentLength != 0 {
			_ = answers.SetReadDeadline(time.Now().Add(bodyTime))
			r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		}
		if err := s.admit(r, origin); err != nil {
			if r.ContentLength != 0 {
				w.Header().Set("Connection", "close") // what is still coming is not listened to
			}
			s.fail(w, r, err)
			return
		}
		pass, ok := s.o.Access.Check(credential(r))
		if !ok && !open(r) {
			if r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/api/") {
				seeOther(w, "/sign-in?next="+url.QueryEscape(r.URL.RequestURI()))
				return
			}
			if r.ContentLength != 0 {
				w.Header().Set("Connection", "close")
			}
			s.fail(w, r, refuse(http.StatusUnauthorized, "", "a token or a signed-in browser is needed: POST the access code to %s/tokens, or sign in", prefix))
			return
		}
		if ok {
			admitted(r.Context())
			r = r.WithContext(context.WithValue(r.Context(), passKey{}, pass))
		}
		next.ServeHTTP(w, r)
	})
}

// passKey is the pass of a request in its context.
type passKey struct{}

// passOf is who asks; nobody on the way in.
func passOf(ctx context.Context) access.Pass {
	p, _ := ctx.Value(passKey{}).(access.Pass)
	return p
}

// secure are the headers of every answer. There is no Strict-Transport-Security: browsers do not take it from a
// certificate that signs itself (RFC 6797 section 8.1).
func secure(h http.Header) {
	h.Set("Content-Security-Policy", contentRules)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin") // with none at all a browser would not say on whose page a form stands
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cache-Control", "no-store")
}

// admit refuses what cannot be meant for this logger or comes from somewhere else's page, whoever asks.
func (s *Server) admit(r *http.Request, origin *http.CrossOriginProtection) error {
	if !s.ours(r.Host) {
		return refuse(http.StatusMisdirectedRequest, "", "this logger is not called %q: use its address, or add the name to 'names' in the configuration's section [network]", r.Host)
	}
	if err := origin.Check(r); err != nil {
		return refuse(http.StatusForbidden, "", "a page of somebody else may not ask this")
	}
	if from := r.Header.Get("Origin"); from != "" && !sameHost(from, r.Host) {
		return refuse(http.StatusForbidden, "", "a page of somebody else may not ask this")
	}
	if site := r.Header.Get("Sec-Fetch-Site"); (site == "cross-site" || site == "same-site") && r.Header.Get("Sec-Fetch-Mode") != "navigate" {
		return refuse(http.StatusForbidden, "", "a page of somebody else may not ask this")
	}
	if site := r.Header.Get("Sec-Fetch-Site"); site == "cross-site" && strings.HasPrefix(r.URL.Path, "/api/") {
		return refuse(http.StatusForbidden, "", "a page of somebody else may not lead here")
	}
	if len(r.URL.Path) > mostPath || len(r.URL.RawQuery) > mostQuery {
		return refuse(http.StatusRequestURITooLong, "", "the address is too long")
	}
	if tricky(r.URL.Path) || strings.Contains(strings.ToLower(r.URL.RawPath), "%2f") {
		return refuse(http.StatusBadRequest, "", "the path is not one of this logger's")
	}
	if r.ContentLength != 0 && (r.Method == http.MethodGet || r.Method == http.MethodHead || r.Method == http.MethodDelete) {
		return refuse(http.StatusBadRequest, "", "a %s request has no body", r.Method)
	}
	if r.ContentLength > mostBody {
		return refuse(http.StatusRequestEntityTooLarge, "", "%d bytes are too many: a request has %d at the most", r.ContentLength, mostBody)
	}
	return nil
}

// sameHost tells whether an origin (RFC 6454) is a page of the host that is asked.
func sameHost(origin, host string) bool {
	u, err := url.Parse(origin)
	return err == nil && u.Host != "" && strings.EqualFold(u.Host, host)
}

// tricky tells whether a path is one that no page has: nothing here has dots for directories, and no byte below a space.
func tricky(path string) bool {
	if !strings.HasPrefix(path, "/") || strings.Contains(path, "//") || strings.Contains(path, `\`) {
		return true
	}
	for part := range strings.SplitSeq(path, "/") {
		if part == "." || part == ".." {
			return true
		}
	}
	return strings.ContainsFunc(path, func(c rune) bool { return c < ' ' || c == 0x7f })
}

// open tells whether a request needs no pass: the way in.
func open(r *http.Request) bool {
	get := r.Method == http.MethodGet || r.Method == http.MethodHead
	switch path := r.URL.Path; {
	case path == "/sign-in":
		return get || r.Method == http.MethodPost
	case strings.HasPrefix(path, "/assets/"):
		return get
	case path == prefix+"/tokens":
		return r.Method == http.MethodPost
	}
	return false
}

// credential is the token or cookie that a request brings; empty if none. A request that brings a token does not fall
// back on a cookie.
func credential(r *http.Request) string {
	if a := r.Header.Get("Authorization"); a != "" {
		scheme, token, _ := strings.Cut(a, " ")
		if !strings.EqualFold(scheme, "Bearer") {
			return ""
		}
		return strings.TrimSpace(token)
	}
	if c, err := r.Cookie(cookieName); err == nil {
		return c.Value
	}
	return ""
}

// survive keeps a fault in one answer from being more than that.
func (s *Server) survive(w http.ResponseWriter, r *http.Request) {
	switch p := recover(); p {
	case nil:
	case http.ErrAbortHandler:
		panic(p) // cuts the connection, so that half an answer does not pass for a whole one
	default:
		s.o.Log.Error("a request met a fault of this program", "method", r.Method, "path", r.URL.Path, "fault", p, "stack", string(debug.Stack()))
		panic(http.ErrAbortHandler)
	}
}

func seeOther(w http.ResponseWriter, to string) {
	w.Header().Set("Location", to)
	w.WriteHeader(http.StatusSeeOther)
}
