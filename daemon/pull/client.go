package pull

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
)

const (
	apiPrefix   = "/api/v1"
	mostAnswer  = 64 << 20         // bytes of JSON: a listing of some ten thousand sessions
	answerTime  = 30 * time.Second // for an answer, or the next bytes of one, to come
	exportTime  = 5 * time.Minute  // for an export to begin: of a part the daemon counts what is before it
	connectTime = 10 * time.Second
)

// client asks one daemon.
type client struct {
	base      *url.URL
	http      *http.Client
	transport *http.Transport
	dialer    func(ctx context.Context, network, address string) (net.Conn, error)
	expected  known // what the certificate must be known by; the zero value: none is accepted
	token     string
	patience  time.Duration // for how long nothing may come; an export may take its time to begin once there is a connection

	mu   sync.Mutex // guards seen
	seen known      // the certificate that was last accepted
}

func newClient(base *url.URL) *client {
	c := &client{base: base, patience: answerTime, dialer: (&net.Dialer{Timeout: connectTime}).DialContext}
	c.transport = &http.Transport{
		Proxy: http.ProxyFromEnvironment,
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			return c.dialer(ctx, network, address)
		},
		// The certificate signs itself: what it is trusted by is its fingerprint.
		TLSClientConfig:     &tls.Config{MinVersion: tls.VersionTLS12, InsecureSkipVerify: true, VerifyConnection: c.verify},
		TLSHandshakeTimeout: connectTime,
		DisableCompression:  true, // lengths and ranges are those of what is kept
		IdleConnTimeout:     time.Minute,
	}
	c.http = &http.Client{Transport: c.transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return c
}

func (c *client) close() { c.transport.CloseIdleConnections() }

// A PinError says that the certificate is another one than was expected.
type PinError struct {
	Host        string
	Seen, Known string // SHA-256 as hex digits, Known is what was expected
}

func (e *PinError) Error() string {
	return fmt.Sprintf("%s shows a certificate with the fingerprint %s and not %s, so nothing is sent to it: either it is not your logger, "+
		"or its certificate was made anew, in which case compare with what 'underdash access' shows on the logger and give that with --fingerprint",
		e.Host, pairs(e.Seen), pairs(e.Known))
}

func (c *client) verify(s tls.ConnectionState) error {
	seen := certificateOf(s)
	if !c.expected.is(seen) {
		return &PinError{Host: c.base.Host, Seen: seen.Fingerprint, Known: c.expected.Fingerprint}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.seen = seen
	return nil
}

// accepted is the certificate by which the daemon was known last; one that was renewed has another fingerprint, and the same key.
func (c *client) accepted() known {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.seen
}

// certificateOf is what a certificate is known by.
func certificateOf(s tls.ConnectionState) (k known) {
	if len(s.PeerCertificates) == 0 {
		return k
	}
	c := s.PeerCertificates[0]
	whole, key := sha256.Sum256(c.Raw), sha256.Sum256(c.RawSubjectPublicKeyInfo)
	return known{Fingerprint: hex.EncodeToString(whole[:]), Key: hex.EncodeToString(key[:])}
}

// look connects and returns what the certificate is known by, without sending anything.
func (c *client) look(ctx context.Context) (seen known, err error) {
	ctx, cancel := context.WithTimeoutCause(ctx, min(2*connectTime, c.patience), errStalled)
	defer cancel()
	address := c.base.Host
	if c.base.Port() == "" {
		address = net.JoinHostPort(c.base.Hostname(), "443")
	}
	raw, err := c.dialer(ctx, "tcp", address)
	if err != nil {
		return seen, &againError{err: err}
	}
	defer func() { _ = raw.Close() }()
	conn := tls.Client(raw, &tls.Config{MinVersion: tls.VersionTLS12, InsecureSkipVerify: true, ServerName: c.base.Hostname()})
	if err := conn.HandshakeContext(ctx); err != nil {
		return seen, c.failure(ctx, err)
	}
	return certificateOf(conn.ConnectionState()), nil
}

// A statusError is an answer that is none of those wanted.
type statusError struct {
	Status int
	Kind   string // the last part of a problem's type (RFC 9457)
	Detail string // a sentence
}

func (e *statusError) Error() string {
	if e.Detail != "" {
		return e.Detail
	}
	return fmt.Sprintf("the logger answered %d %s", e.Status, http.StatusText(e.Status))
}

// An againError is worth another try.
type againError struct {
	err   error
	after time.Duration // not before that
}

func (e *againError) Error() string { return e.err.Error() }
func (e *againError) Unwrap() error { return e.err }

var errStalled = errors.New("nothing came for a while")

// failure sorts the error of a request that got no answer.
func (c *client) failure(ctx context.Context, err error) error {
	pin, record := (*PinError)(nil), tls.RecordHeaderError{}
	switch {
	case errors.As(err, &pin):
		return fatalError{pin}
	case errors.As(err, &record), strings.Contains(err.Error(), "server gave HTTP response to HTTPS client"): // net/http has no value for it
		return fatalError{fmt.Errorf("%s does not speak TLS: if it is configured so, write http:// before its address", c.base.Host)}
	case errors.Is(context.Cause(ctx), errStalled):
		return &againError{err: errStalled}
	case ctx.Err() != nil:
		return context.Cause(ctx)
	}
	if u := (*url.Error)(nil); errors.As(err, &u) {
		err = u.Err // who reads it knows the address
	}
	return &againError{err: err}
}

// answerOf is an answer whose body must be closed; reading it fails with errStalled when nothing comes any more.
type answerOf struct {
	*http.Response
	ctx    context.Context
	cancel context.CancelCauseFunc
	timer  *time.Timer
	c      *client
}

// Read implements io.Reader.
func (a *answerOf) Read(b []byte) (int, error) {
	n, err := a.Body.Read(b)
	a.timer.Reset(min(answerTime, a.c.patience))
	if err != nil && !errors.Is(err, io.EOF) {
		err = a.c.failure(a.ctx, err)
	}
	return n, err
}

// Close implements io.Closer.
func (a *answerOf) Close() error {
	a.timer.Stop()
	a.cancel(nil)
	return a.Body.Close()
}

// ask sends a request and returns any answer. The error is an againError, a fatalError or the context's.
func (c *client) ask(ctx context.Context, method, path string, header http.Header, body []byte, begin time.Duration) (*answerOf, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	timer := time.AfterFunc(min(begin, c.patience), func() { cancel(errStalled) })
	if begin > answerTime {
		ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{GotConn: func(httptrace.GotConnInfo) { timer.Reset(begin) }})
	}
	r, err := http.NewRequestWithContext(ctx, method, c.base.String()+apiPrefix+path, bytes.NewReader(body))
	if err != nil {
		timer.Stop()
		cancel(nil)
		return nil, fatalError{err}
	}
	for name, values := range header {
		r.Header[name] = values
	}
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if c.token != "" {
		r.Header.Set("Authorization", "Bearer "+c.token)
	}
	resp, err := c.http.Do(r)
	if err != nil {
		timer.Stop()
		err = c.failure(ctx, err)
		cancel(nil)
		return nil, err
	}
	timer.Reset(min(answerTime, c.patience))
	return &answerOf{resp, ctx, cancel, timer, c}, nil
}

// json asks with JSON and reads JSON; in and out may be nil.
func (c *client) json(ctx context.Context, method, path string, in, out any) error {
	var body []byte
	if in != nil {
		var err error
		if body, err = json.Marshal(in); err != nil {
			return fatalError{err}
		}
	}
	a, err := c.ask(ctx, method, path, nil, body, answerTime)
	if err != nil {
		return err
	}
	defer func() { _ = a.Close() }()
	if a.StatusCode < 200 || a.StatusCode > 299 {
		return c.refusal(a)
	}
	text, err := io.ReadAll(io.LimitReader(a, mostAnswer+1))
	if err != nil {
		return err
	}
	if out == nil {
		return nil
	}
	if len(text) > mostAnswer {
		return fatalError{fmt.Errorf("%s sends more than %d MB where a listing is wanted", c.base.Host, mostAnswer>>20)}
	}
	if err := json.Unmarshal(text, out); err != nil {
		return fatalError{fmt.Errorf("%s answers what this program does not understand: either it is no logger, or its program is newer, and this one is to be updated (%w)", c.base.Host, err)}
	}
	return nil
}

// refusal makes an error of an answer that is none.
func (c *client) refusal(a *answerOf) error {
	e := &statusError{Status: a.StatusCode}
	if kind, _, _ := mime.ParseMediaType(a.Header.Get("Content-Type")); kind == "application/problem+json" {
		text, err := io.ReadAll(io.LimitReader(a, 64<<10))
		if err != nil {
			return err
		}
		var p struct{ Type, Title, Detail string }
		if json.Unmarshal(text, &p) == nil {
			e.Kind = p.Type[strings.LastIndexByte(p.Type, ':')+1:]
			e.Detail = printable(p.Detail)
			if e.Detail == "" {
				e.Detail = printable(p.Title)
			}
		}
	} else if a.StatusCode == http.StatusNotFound || a.StatusCode/100 == 3 {
		return fatalError{fmt.Errorf("%s has no %s: either it is no logger, or its program is newer, and this one is to be updated", c.base.Host, apiPrefix)}
	}
	switch a.StatusCode {
	case http.StatusRequestTimeout, http.StatusTooEarly, http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		return &againError{e, retryAfter(a.Header)}
	case http.StatusUnauthorized:
		return fatalError{e}
	}
	return e
}

// retryAfter is what an answer says of when to come again (RFC 9110 section 10.2.3), in seconds; a date depends on a
// clock that the board may not have.
func retryAfter(h http.Header) time.Duration {
	n, err := strconv.Atoi(h.Get("Retry-After"))
	if err != nil || n < 0 {
		return 0
	}
	return min(time.Duration(min(n, 3600))*time.Second, time.Minute)
}

// printable leaves out of a text from the network what a terminal would obey.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, text)
}
