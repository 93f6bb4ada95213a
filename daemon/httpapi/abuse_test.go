package httpapi

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/store"
)

// raw sends bytes as they are and reads what comes until the other end closes or enough of a time has gone by.
func (l *logger) raw(request string) (status int, text string) {
	l.t.Helper()
	c, err := net.Dial("tcp", strings.TrimPrefix(l.base, "http://"))
	require.NoError(l.t, err)
	defer func() { _ = c.Close() }()
	require.NoError(l.t, c.SetDeadline(time.Now().Add(20*time.Second)))
	_, err = io.WriteString(c, request)
	require.NoError(l.t, err)
	all, _ := io.ReadAll(c) // that the connection is cut is an answer too
	response, err := http.ReadResponse(bufio.NewReader(bytes.NewReader(all)), nil)
	if err != nil {
		return 0, string(all)
	}
	_ = response.Body.Close()
	return response.StatusCode, string(all)
}

// Nothing gets out, whatever is tried. Rows are requests as they go over the line; HOST stands for the logger's own, TOKEN for a
// token, COOKIE for a signed-in browser's cookie, CODE for the access code, ID for the session.
func TestAbuse(t *testing.T) {
	l := startLogger(t, 5*time.Second)
	cookie, _, err := l.keeper.SignIn(l.keeper.Code(), "192.0.2.7:1", "a browser")
	require.NoError(t, err)
	id, host := l.id(), strings.TrimPrefix(l.base, "http://")
	fill := strings.NewReplacer("HOST", host, "TOKEN", l.token, "COOKIE", cookieName+"="+cookie, "CODE", l.keeper.Code(), "ID", id, "\n", "\r\n")
	big := strings.Repeat("x", mostBody+1)
	const asProgram, asBrowser = "Authorization: Bearer TOKEN\n", "Cookie: COOKIE\n"
	const form = "Content-Type: application/x-www-form-urlencoded\n"
	const asJSON = "Content-Type: application/json\n"
	for _, row := range []struct {
		name, line, header, body string
		status                   int
	}{
		{"no token", "GET /api/v1/sessions", "Host: HOST\n", "", 401},
		{"no token, the description", "GET /api/v1/openapi.json", "Host: HOST\n", "", 401},
		{"no token, a file", "GET /api/v1/sessions/ID/file", "Host: HOST\n", "", 401},
		{"no token, an export", "GET /api/v1/sessions/ID/exports/csv", "Host: HOST\n", "", 401},
		{"no token, live values", "GET /api/v1/live", "Host: HOST\n", "", 401},
		{"no token, the head", "HEAD /api/v1/sessions/ID/file", "Host: HOST\n", "", 401},
		{"no token, deleting", "DELETE /api/v1/sessions/ID", "Host: HOST\n", "", 401},
		{"no token, nothing there", "GET /api/v1/nothing", "Host: HOST\n", "", 401},
		{"no token, a page", "GET /drives/ID", "Host: HOST\n", "", 303},
		{"no token, a page behind the assets", "GET /assets/../drives", "Host: HOST\n", "", 400},
		{"no token, the list of tokens", "GET /api/v1/tokens", "Host: HOST\n", "", 401},
		{"no token, a method of nobody's", "BREW /api/v1/tokens", "Host: HOST\n", "", 401},
		{"wrong token", "GET /api/v1/sessions", "Host: HOST\nAuthorization: Bearer TOKENx\n", "", 401},
		{"empty token", "GET /api/v1/sessions", "Host: HOST\nAuthorization: Bearer \n", "", 401},
		{"another scheme", "GET /api/v1/sessions", "Host: HOST\nAuthorization: Basic TOKEN\n", "", 401},
		{"a token in the address", "GET /api/v1/sessions?token=TOKEN", "Host: HOST\n", "", 401},
		{"a wrong token beside a cookie", "GET /api/v1/sessions", "Host: HOST\nAuthorization: Bearer x\n" + asBrowser, "", 401},
		{"a wrong cookie", "GET /api/v1/sessions", "Host: HOST\nCookie: " + cookieName + "=x\n", "", 401},
		{"the code as a token", "GET /api/v1/sessions", "Host: HOST\nAuthorization: Bearer CODE\n", "", 401},
		{"another host", "GET /api/v1/sessions", "Host: evil.example\n" + asProgram, "", 421},
		{"another host, the way in", "GET /sign-in", "Host: evil.example\n", "", 421},
		{"another host with our name in it", "GET /sign-in", "Host: logger.local.evil.example\n", "", 421},
		{"another host in the address", "GET http://evil.example/api/v1/sessions", "Host: HOST\n" + asProgram, "", 421},
		{"no host", "GET /api/v1/sessions", asProgram, "", 400},
		{"two hosts", "GET /api/v1/sessions", "Host: HOST\nHost: evil.example\n" + asProgram, "", 400},
		{"a form on another page", "POST /api/v1/marks", "Host: HOST\nOrigin: https://evil.example\nSec-Fetch-Site: cross-site\n" + asBrowser + form, "text=x", 403},
		{"a form on another page, by its origin", "POST /sign-out", "Host: HOST\nOrigin: https://evil.example\n" + asBrowser, "", 403},
		{"a form on a page of a neighbour", "POST /sign-in", "Host: HOST\nSec-Fetch-Site: same-site\n" + form, "code=CODE", 403},
		{"a form on a page without an origin", "POST /api/v1/calibration/apply", "Host: HOST\nOrigin: null\n" + asBrowser + asJSON, "{}", 403},
		{"a script on another page", "GET /api/v1/sessions", "Host: HOST\nOrigin: https://evil.example\n" + asBrowser, "", 403},
		{"a script on a page without an origin", "GET /api/v1/sessions", "Host: HOST\nOrigin: null\n" + asBrowser, "", 403},
		{"a script of another port", "GET /api/v1/sessions", "Host: HOST\nOrigin: http://127.0.0.1:1\n" + asBrowser, "", 403},
		{"a form that pretends to be JSON", "POST /api/v1/marks", "Host: HOST\n" + asProgram + "Content-Type: text/plain\n", `{"text":"x"}`, 415},
		{"a picture on another page", "GET /api/v1/sessions/ID/file", "Host: HOST\nSec-Fetch-Site: cross-site\nSec-Fetch-Mode: no-cors\n" + asBrowser, "", 403},
		{"a link on another page", "GET /api/v1/sessions/ID/file", "Host: HOST\nSec-Fetch-Site: cross-site\nSec-Fetch-Mode: navigate\n" + asBrowser, "", 403},
		{"up", "GET /api/v1/sessions/../../../etc/passwd", "Host: HOST\n" + asProgram, "", 400},
		{"up, encoded", "GET /api/v1/sessions/%2e%2e/file", "Host: HOST\n" + asProgram, "", 400},
		{"up, encoded with its slash", "GET /api/v1/sessions/..%2f..%2fetc%2fpasswd/file", "Host: HOST\n" + asProgram, "", 400},
		{"up, encoded twice", "GET /api/v1/sessions/%252e%252e%252f/file", "Host: HOST\n" + asProgram, "", 404},
		{"up, backwards", "GET /api/v1/sessions/..%5c..%5c/file", "Host: HOST\n" + asProgram, "", 400},
		{"a nought", "GET /api/v1/sessions/ID%00/file", "Host: HOST\n" + asProgram, "", 400},
		{"two slashes", "GET //api/v1/sessions", "Host: HOST\n" + asProgram, "", 400},
		{"a path of a disk", "GET /api/v1/sessions/c:%5cx/file", "Host: HOST\n" + asProgram, "", 400},
		{"a file that is no session", "GET /api/v1/sessions/access/file", "Host: HOST\n" + asProgram, "", 404},
		{"a file that is no session, by its extension", "GET /api/v1/sessions/calibrations.json/file", "Host: HOST\n" + asProgram, "", 404},
		{"deleting a beginning", "DELETE /api/v1/sessions/0", "Host: HOST\n" + asProgram, "", 404},
		{"a pattern", "GET /api/v1/sessions/*/file", "Host: HOST\n" + asProgram, "", 404},
		{"a path that never ends", "GET /" + strings.Repeat("a", 2000), "Host: HOST\n" + asProgram, "", 414},
		{"headers that never end", "GET /sign-in", "Host: HOST\nX: " + strings.Repeat("a", 40<<10) + "\n", "", 431},
		{"a body too long", "POST /api/v1/marks", "Host: HOST\n" + asProgram + asJSON, `{"text":"` + big + `"}`, 413},
		{"a body too long, nobody's", "POST /api/v1/tokens", "Host: HOST\n" + asJSON, `{"code":"` + big + `"}`, 413},
		{"a form too long, nobody's", "POST /sign-in", "Host: HOST\n" + form, "code=" + big, 413},
		{"a body where none is wanted", "GET /api/v1/sessions", "Host: HOST\n" + asProgram, "x", 400},
		{"a length that is none", "POST /api/v1/tokens", "Host: HOST\nContent-Length: -5\n" + asJSON, "", 400},
		{"two lengths", "POST /api/v1/tokens", "Host: HOST\nContent-Length: 5\nContent-Length: 6\n" + asJSON, "{}", 400},
		{"a length and pieces", "POST /api/v1/marks", "Host: HOST\nTransfer-Encoding: chunked, chunked\n" + asJSON, "", 501},
		{"JSON that is none", "POST /api/v1/tokens", "Host: HOST\n" + asJSON, "{", 400},
		{"JSON of another kind", "POST /api/v1/tokens", "Host: HOST\n" + asJSON, `[1]`, 400},
		{"JSON deep down", "POST /api/v1/tokens", "Host: HOST\n" + asJSON, strings.Repeat("[", 60000), 400},
		{"JSON with more behind", "POST /api/v1/tokens", "Host: HOST\n" + asJSON, `{"code":"a","name":"b"} {}`, 400},
		{"a name in the JSON that there is not", "POST /api/v1/tokens", "Host: HOST\n" + asJSON, `{"code":"a","admin":true}`, 400},
		{"a wrong code", "POST /api/v1/tokens", "Host: HOST\n" + asJSON, `{"code":"0000-0000-0000-0000","name":"x"}`, 401},
		{"a wrong code in the form", "POST /sign-in", "Host: HOST\n" + form, "code=0", 303},
		{"an answer that is led elsewhere", "POST /sign-in", "Host: HOST\n" + form, "code=0&next=https://evil.example/", 303},
		{"no HTTP", "\x16\x03\x01", "", "", 400},
		{"another version", "PRI * HTTP/2.0\n\nSM", "", "", 421},
	} {
		t.Run(row.name, func(t *testing.T) {
			head := row.line + " HTTP/1.1\n" + row.header
			if strings.HasPrefix(row.line, "PRI") || strings.HasPrefix(row.line, "\x16") {
				head = row.line + "\n"
			}
			body := fill.Replace(row.body)
			if body != "" && !strings.Contains(head, "Content-Length") {
				head += fmt.Sprintf("Content-Length: %d\n", len(body))
			}
			status, text := l.raw(fill.Replace(head+"Connection: close\n\n") + body)
			assert.Equal(t, row.status, status, "%.500s", text)
			for _, secret := range []string{"the blue one", l.keeper.Code(), "bbolt", "root:", "evil.example/\r\n"} {
				assert.NotContains(t, text, secret)
			}
			assert.NotContains(t, strings.ReplaceAll(strings.ReplaceAll(text, "next=%2Fdrives%2F"+id, ""), `"instance":"/api/v1/sessions/`+id, ""), id)
			assert.NotContains(t, strings.ToLower(text), "set-cookie")
		})
	}
	infos, err := l.store.List()
	require.NoError(t, err)
	require.Len(t, infos, 1, "nothing was deleted")
	assert.Empty(t, l.daemon.marked)
}

// Wrong codes are slowed down.
func TestWrongCodesAreSlowedDown(t *testing.T) {
	l := startLogger(t, time.Second)
	l.token = ""
	last := 0
	for range 50 {
		response, _ := l.do("POST", prefix+"/tokens", `{"code":"AAAA-AAAA-AAAA-AAAA","name":"x"}`)
		if last = response.StatusCode; last == http.StatusTooManyRequests {
			assert.NotEmpty(t, response.Header.Get("Retry-After"))
			break
		}
		assert.Equal(t, http.StatusUnauthorized, last)
	}
	assert.Equal(t, http.StatusTooManyRequests, last)
	response, _ := l.do("POST", "/sign-in", "code=x", "Content-Type: application/x-www-form-urlencoded")
	assert.Contains(t, response.Header.Get("Location"), "/sign-in?wait=")
}

// served is whether somebody with a token is answered, as often as given.
func (l *logger) served(times int) {
	l.t.Helper()
	for range times {
		l.client.CloseIdleConnections() // a new connection each
		l.ask("GET", "/sessions", "", 200, nil)
	}
}

// Clients that say nothing, half a request or half a body, or take no answer, in great numbers: others are answered, and the
// flood is let go.
func TestAFloodSlowsNothingDown(t *testing.T) {
	for _, row := range []struct {
		name  string
		count int
		first string
	}{
		{"a thousand connections that say nothing", 1000, ""},
		{"half a request", 300, "GET /api/v1/sess"},
		{"half a header", 300, "GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nX: y"},
		{"half a body", 300, "POST /api/v1/tokens HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 60\r\n\r\n{"},
		{"a body in pieces that never ends", 300, "POST /api/v1/tokens HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n5\r\n{\"cod\r\n"},
		{"answers that nobody takes", 300, strings.Repeat("GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", 20)},
	} {
		t.Run(row.name, func(t *testing.T) {
			l := startLogger(t, time.Second)
			l.served(3)
			var flood []net.Conn
			for range row.count {
				c, err := net.Dial("tcp", strings.TrimPrefix(l.base, "http://"))
				require.NoError(t, err)
				flood = append(flood, c)
				_, _ = io.WriteString(c, row.first)
			}
			l.served(10)
			open := 0
			for _, c := range flood {
				require.NoError(t, c.SetReadDeadline(time.Now().Add(30*time.Millisecond)))
				if _, err := io.Copy(io.Discard, c); err != nil && err.(net.Error) != nil && err.(net.Error).Timeout() {
					open++
				}
				_ = c.Close()
			}
			assert.LessOrEqual(t, open, mostLinesEach)
			l.served(3)
		})
	}
}

// Downloads beyond the limit are put off, and there is room again when one ends.
func TestLimitsOfWhatIsDoneAtOnce(t *testing.T) {
	l := startLogger(t, 5*time.Second)
	for _, row := range []struct {
		name  string
		slots slots
		path  string
	}{
		{"exports", l.server.exports, "/sessions/last/exports/csv"},
		{"files", l.server.downloads, "/sessions/last/file"},
		{"live values", l.server.watchers, "/live"},
	} {
		var gives []func()
		for range cap(row.slots) {
			give, ok := row.slots.take()
			require.True(t, ok)
			gives = append(gives, give)
		}
		response, text := l.do("GET", prefix+row.path, "")
		assert.Equal(t, 503, response.StatusCode, row.name)
		assert.Equal(t, "2", response.Header.Get("Retry-After"))
		assert.Contains(t, string(text), problemURN+"busy")
		for _, give := range gives {
			give()
			give() // once is enough
		}
		assert.Empty(t, row.slots)
	}
}

// A download whose client is gone gives its place back, and its length is known in the end.
func TestADownloadThatNobodyTakesAnyMore(t *testing.T) {
	l := startLogger(t, 2*time.Minute)
	r := l.request("GET", prefix+"/sessions/last/exports/csv", "")
	ctx, cancel := context.WithCancel(r.Context())
	response, err := l.client.Do(r.WithContext(ctx))
	require.NoError(t, err)
	_, err = io.ReadFull(response.Body, make([]byte, 1000))
	require.NoError(t, err)
	cancel()
	_ = response.Body.Close()
	assert.Eventually(t, func() bool {
		_, known := l.server.lengths.get(response.Header.Get("ETag"))
		return known && len(l.server.exports) == 0 && len(l.server.counters) == 0
	}, time.Minute, 10*time.Millisecond)
}

// What a revoked pass gets ends at once: live values too.
func TestRevokedIsOut(t *testing.T) {
	l := startLogger(t, time.Second)
	response, err := l.client.Do(l.request("GET", prefix+"/live", ""))
	require.NoError(t, err)
	defer func() { _ = response.Body.Close() }()
	_, err = bufio.NewReader(response.Body).ReadString('\n')
	require.NoError(t, err)
	for _, p := range l.keeper.List() {
		l.ask("DELETE", "/tokens/"+p.ID, "", 204, nil)
	}
	_, err = io.Copy(io.Discard, response.Body)
	assert.NoError(t, err, "the stream ends")
	l.ask("GET", "/sessions", "", 401, nil)
}

// A long answer ends when its pass was taken back.
func TestADownloadEndsWithItsPass(t *testing.T) {
	l := startLogger(t, time.Second)
	r := l.request("GET", prefix+"/sessions/last/file", "")
	p := l.server.patient(httptest.NewRecorder(), r)
	_, err := p.Write([]byte("x"))
	require.NoError(t, err)
	p.checked = p.checked.Add(-checkTime)
	_, err = p.Write([]byte("x"))
	require.NoError(t, err)
	for _, k := range l.keeper.List() {
		require.NoError(t, l.keeper.Revoke(k.ID))
	}
	p.checked = p.checked.Add(-checkTime)
	_, err = p.Write([]byte("x"))
	require.ErrorIs(t, err, errOut)
	p.checked = p.checked.Add(-checkTime)
	_, err = (&patient{ResponseWriter: readsFrom{httptest.NewRecorder()}, to: p.to, good: p.good}).ReadFrom(strings.NewReader("x"))
	require.ErrorIs(t, err, errOut)
}

// readsFrom is an answer that a file may be sent to at once.
type readsFrom struct{ http.ResponseWriter }

func (r readsFrom) ReadFrom(in io.Reader) (int64, error) { return io.Copy(r.ResponseWriter, in) }

// A browser signs in, asks, and signs out.
func TestABrowserComesInAndGoes(t *testing.T) {
	l := startLogger(t, time.Second)
	l.token = ""
	response, _ := l.do("GET", "/drives/x?a=b", "")
	assert.Equal(t, "/sign-in?next=%2Fdrives%2Fx%3Fa%3Db", response.Header.Get("Location"))
	for _, row := range []struct{ next, to string }{{"/drives/x?a=b", "/drives/x?a=b"}, {"", "/"}, {"//evil.example", "/"}, {"https://evil.example", "/"}, {`/\evil.example`, "/"},
		{"javascript:alert(1)", "/"}, {"/%0d%0aX: y", "/"}, {"drives", "/"}} {
		response, _ = l.do("POST", "/sign-in", "code="+l.keeper.Code()+"&next="+strings.NewReplacer("?", "%3F", "=", "%3D", "%", "%25").Replace(row.next),
			"Content-Type: application/x-www-form-urlencoded", "Origin: "+l.base, "Sec-Fetch-Site: same-origin")
		require.Equal(t, 303, response.StatusCode)
		assert.Equal(t, row.to, response.Header.Get("Location"), row.next)
	}
	require.Len(t, response.Cookies(), 1)
	c := response.Cookies()[0]
	assert.True(t, c.HttpOnly)
	assert.False(t, c.Secure, "without TLS it would not come back")
	assert.Equal(t, http.SameSiteStrictMode, c.SameSite)
	assert.InDelta(t, access.BrowserLife.Seconds(), c.MaxAge, 60)
	encrypted := l.request("POST", "/sign-in", "code="+l.keeper.Code(), "Content-Type: application/x-www-form-urlencoded")
	encrypted.TLS = &tls.ConnectionState{}
	w := httptest.NewRecorder()
	l.server.ServeHTTP(w, encrypted)
	require.Len(t, w.Result().Cookies(), 1)
	assert.True(t, w.Result().Cookies()[0].Secure, "with TLS it goes nowhere else")
	with := "Cookie: " + c.Name + "=" + c.Value
	response, _ = l.do("GET", prefix+"/sessions", "", with)
	assert.Equal(t, 200, response.StatusCode)
	assert.Contains(t, response.Header.Get("Content-Security-Policy"), "default-src 'self'")
	response, _ = l.do("POST", "/sign-out", "", with)
	assert.Equal(t, 303, response.StatusCode)
	response, _ = l.do("GET", prefix+"/sessions", "", with)
	assert.Equal(t, 401, response.StatusCode)
}

// Serving ends with its context, whatever is under way, and lets go of everything.
func TestServingEndsWhileMuchIsUnderWay(t *testing.T) {
	l := startLogger(t, 10*time.Minute)
	var under sync.WaitGroup
	for _, path := range []string{"/live", "/live", "/sessions/last/exports/csv", "/sessions/last/exports/csv?rate=10"} {
		response, err := l.client.Do(l.request("GET", prefix+path, ""))
		require.NoError(t, err)
		under.Go(func() {
			_, _ = io.Copy(io.Discard, response.Body)
			_ = response.Body.Close()
		})
	}
	l.stop()
	under.Wait()
	assert.Empty(t, l.server.exports)
	assert.Empty(t, l.server.watchers)
	require.NoError(t, l.store.Mark(l.id(), store.Pinned, true))
}
