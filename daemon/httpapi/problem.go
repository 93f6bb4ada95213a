package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"underdash/daemon/access"
	"underdash/daemon/calibration"
	"underdash/store"
	"underdash/store/export"
	"underdash/store/plot"
)

// Problem is an error on its way: a problem document (RFC 9457).
type Problem struct {
	Type     string `json:"type"` // "about:blank", or problemURN and a word to decide by
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail,omitempty"`   // one sentence
	Instance string `json:"instance,omitempty"` // the path that was asked for
}

// problemURN precedes the kind of a problem, as in "urn:underdash:problem:recording".
const problemURN = "urn:underdash:problem:"

// problem is a Problem as an error, and when it is worth asking again.
type problem struct {
	Problem
	after time.Duration // 0: not said
}

func (p *problem) Error() string { return p.Detail }

// refuse is an error with a status, a kind to decide by (empty: the status says all) and a sentence.
func refuse(status int, kind, format string, args ...any) error {
	p := Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: fmt.Sprintf(format, args...)}
	if kind != "" {
		p.Type, p.Title = problemURN+kind, kinds[kind]
	}
	return &problem{Problem: p}
}

// later is a refusal that ends by itself.
func later(status int, kind string, after time.Duration, format string, args ...any) error {
	p := refuse(status, kind, format, args...).(*problem)
	p.after = after
	return p
}

// kinds are the problems that a client decides by, with what is the same of every one.
var kinds = map[string]string{
	"busy":          "Too much at once",
	"damaged":       "The session is damaged",
	"digest":        "The digest is another one",
	"not-applied":   "Not applied",
	"no-level":      "Not a known level",
	"no-session":    "Nothing is being recorded",
	"not-found":     "No such session",
	"pinned":        "The session is pinned",
	"recording":     "The session is being recorded",
	"room":          "No room",
	"slow-down":     "Too many wrong codes",
	"unsealed":      "The session is not sealed",
	"wrong-code":    "Not the access code",
	"wrong-program": "No token for this program",
	"version":       "Written by a newer version",
}

// known are errors of other packages with the status and kind that stand for them.
var known = []struct {
	err    error
	status int
	kind   string
}{
	{store.ErrRecording, http.StatusConflict, "recording"},
	{store.ErrNotFound, http.StatusNotFound, "not-found"},
	{store.ErrAmbiguous, http.StatusNotFound, "not-found"},
	{store.ErrPinned, http.StatusConflict, "pinned"},
	{store.ErrDamaged, http.StatusUnprocessableEntity, "damaged"},
	{store.ErrVersion, http.StatusUnprocessableEntity, "version"},
	{store.ErrFull, http.StatusInsufficientStorage, "room"},
	{export.ErrFormat, http.StatusNotFound, ""},
	{access.ErrWrong, http.StatusUnauthorized, "wrong-code"},
	{access.ErrName, http.StatusBadRequest, "wrong-program"},
	{access.ErrFull, http.StatusConflict, "wrong-program"},
	{access.ErrNotFound, http.StatusNotFound, ""},
	{calibration.ErrLevel, http.StatusUnprocessableEntity, "no-level"},
	{calibration.ErrFew, http.StatusUnprocessableEntity, "no-level"},
	{calibration.ErrNotApplied, http.StatusConflict, "not-applied"},
	{ErrNoSession, http.StatusConflict, "no-session"},
	{ErrOffer, http.StatusBadRequest, ""},
}

// problemOf finds what an error is to who asked.
func problemOf(err error) *problem {
	var p *problem
	if errors.As(err, &p) {
		return p
	}
	if slow := (access.SlowError{}); errors.As(err, &slow) {
		return later(http.StatusTooManyRequests, "slow-down", slow.Wait, "%v", err).(*problem)
	}
	for _, k := range known {
		if errors.Is(err, k.err) {
			return refuse(k.status, k.kind, "%v", err).(*problem)
		}
	}
	if wrong := (*plot.RequestError)(nil); errors.As(err, &wrong) {
		return refuse(http.StatusBadRequest, "", "%v", err).(*problem)
	}
	if plug := (*calibration.PlugError)(nil); errors.As(err, &plug) {
		return refuse(http.StatusUnprocessableEntity, "no-level", "%v", err).(*problem)
	}
	return refuse(http.StatusInternalServerError, "", "%v", err).(*problem)
}

// fail answers with an error.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if errors.Is(err, context.Canceled) && r.Context().Err() != nil {
		return // nobody is there any more
	}
	p := problemOf(err)
	if p.Status == http.StatusInternalServerError {
		s.o.Log.Warn("a request failed", "method", r.Method, "path", r.URL.Path, "err", err)
	}
	h := w.Header()
	for _, name := range []string{"Content-Disposition", "Content-Length", "Content-Range", "ETag", "Accept-Ranges"} {
		h.Del(name)
	}
	if p.after > 0 {
		h.Set("Retry-After", strconv.Itoa(int(math.Ceil(p.after.Seconds()))))
	}
	if p.Status == http.StatusUnauthorized && h.Get("WWW-Authenticate") == "" {
		h.Set("WWW-Authenticate", `Bearer realm="logger"`)
	}
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(p.Status)
	out := p.Problem
	out.Instance = r.URL.EscapedPath()
	_ = json.NewEncoder(w).Encode(out) // who asked is gone, or gets it
}

func joined(words []string) string { return strings.Join(words, ", ") }
