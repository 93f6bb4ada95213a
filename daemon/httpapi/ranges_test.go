package httpapi

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
)

// pull downloads a path, letting the connection go after each of the given numbers of bytes in all, and resumes as RFC 9110
// section 14 and 13.1.5 have it.
func (l *logger) pull(path string, cuts ...int) []byte {
	l.t.Helper()
	var got []byte
	tag := ""
	for i := 0; i <= len(cuts); i++ {
		var header []string
		if len(got) > 0 {
			header = []string{fmt.Sprintf("Range: bytes=%d-", len(got)), "If-Range: " + tag}
		}
		response, err := l.client.Do(l.request("GET", path, "", header...))
		require.NoError(l.t, err)
		if len(got) > 0 {
			require.Equal(l.t, http.StatusPartialContent, response.StatusCode)
			require.True(l.t, strings.HasPrefix(response.Header.Get("Content-Range"), fmt.Sprintf("bytes %d-", len(got))), response.Header.Get("Content-Range"))
		} else {
			require.Equal(l.t, http.StatusOK, response.StatusCode)
			tag = response.Header.Get("ETag")
			require.NotEmpty(l.t, tag)
		}
		require.Equal(l.t, tag, response.Header.Get("ETag"))
		var in io.Reader = response.Body
		if i < len(cuts) {
			in = io.LimitReader(in, int64(max(0, cuts[i]-len(got))))
		}
		more, err := io.ReadAll(in)
		require.NoError(l.t, err)
		require.NoError(l.t, response.Body.Close())
		got = append(got, more...)
	}
	return got
}

// 50 downloads each of a sealed file and of a CSV are cut off at a random place, every fifth three times, and resumed.
func TestDownloadsThatBreakOffResumeToTheSameBytes(t *testing.T) {
	l := startLogger(t, 40*time.Second)
	for _, path := range []string{"/file", "/exports/csv?rate=20", "/exports/csv"} {
		t.Run(path, func(t *testing.T) {
			path := prefix + "/sessions/" + l.id() + path
			random := rand.New(rand.NewPCG(1, 2))
			want := l.pull(path)
			most := 50
			if testing.Short() {
				most = 10
			}
			for i := range most {
				cuts := []int{1 + random.IntN(len(want)-1)}
				for i%5 == 4 && len(cuts) < 3 && cuts[len(cuts)-1] < len(want)-2 {
					last := cuts[len(cuts)-1]
					cuts = append(cuts, last+1+random.IntN(len(want)-1-last))
				}
				got := l.pull(path, cuts...)
				require.Equal(t, len(want), len(got), "cut at %v", cuts)
				require.True(t, string(want) == string(got), "cut at %v", cuts)
			}
		})
	}
}

// A download that broke off before anybody knew how long it is is resumed all the same.
func TestAPartOfAnExportThatNobodyWroteYet(t *testing.T) {
	l := startLogger(t, 20*time.Second)
	want := l.encoded("last")
	path := prefix + "/sessions/last/exports/csv"
	head, _ := l.do("HEAD", path, "")
	assert.Empty(t, head.Header.Get("Content-Length"))
	response, part := l.do("GET", path, "", "Range: bytes=1000-", "If-Range: "+head.Header.Get("ETag"))
	assert.Equal(t, http.StatusPartialContent, response.StatusCode)
	assert.Equal(t, fmt.Sprintf("bytes 1000-%d/%d", len(want)-1, len(want)), response.Header.Get("Content-Range"))
	assert.Equal(t, want[1000:], part)
	head, _ = l.do("HEAD", path, "")
	assert.EqualValues(t, len(want), head.ContentLength, "known by now")
	response, _ = l.do("GET", path, "")
	assert.EqualValues(t, len(want), response.ContentLength)
}

// A client that goes while the export is counted for its range finds it counted when it comes back.
func TestCountingGoesOnForWhoComesBack(t *testing.T) {
	l := startLogger(t, 20*time.Second)
	path := prefix + "/sessions/" + l.id() + "/exports/csv"
	ctx, leave := context.WithCancel(t.Context())
	r := l.request("GET", path, "", "Range: bytes=100-").WithContext(ctx)
	leave()
	recorder := httptest.NewRecorder()
	func() {
		defer func() { _ = recover() }() // the answer is cut off
		l.server.ServeHTTP(recorder, r)
	}()
	e, err := l.server.exportedOf(withID(l.request("GET", path, ""), l.id()))
	require.NoError(t, err)
	defer func() { _ = e.reader.Close() }()
	n, known := l.server.lengths.get(e.tag)
	assert.True(t, known)
	assert.Equal(t, int64(len(l.pull(path))), n)
}

func withID(r *http.Request, id string) *http.Request {
	r.SetPathValue("id", id)
	r.SetPathValue("format", "csv")
	return r
}

func TestRanges(t *testing.T) {
	l := startLogger(t, 10*time.Second)
	want := l.encoded("last")
	n := len(want)
	tag := ""
	path := prefix + "/sessions/last/exports/csv"
	{
		response, _ := l.do("GET", path, "")
		tag = response.Header.Get("ETag")
	}
	// RFC 9110, sections 13.1.2, 13.1.5, 14.1.2, 14.2 and 15.5.17.
	for _, row := range []struct {
		name   string
		header []string
		status int
		body   []byte
		says   string // Content-Range
	}{
		{"from a byte on", []string{"Range: bytes=100-"}, 206, want[100:], fmt.Sprintf("bytes 100-%d/%d", n-1, n)},
		{"a part", []string{"Range: bytes=0-0"}, 206, want[:1], fmt.Sprintf("bytes 0-0/%d", n)},
		{"a part across buffers", []string{"Range: bytes=60000-70000"}, 206, want[60000:70001], fmt.Sprintf("bytes 60000-70000/%d", n)},
		{"the last bytes", []string{"Range: bytes=-7"}, 206, want[n-7:], fmt.Sprintf("bytes %d-%d/%d", n-7, n-1, n)},
		{"more last bytes than there are", []string{"Range: bytes=-999999999"}, 206, want, fmt.Sprintf("bytes 0-%d/%d", n-1, n)},
		{"an end behind the end", []string{"Range: bytes=5-999999999"}, 206, want[5:], fmt.Sprintf("bytes 5-%d/%d", n-1, n)},
		{"behind the end", []string{fmt.Sprintf("Range: bytes=%d-", n)}, 416, nil, fmt.Sprintf("bytes */%d", n)},
		{"no last bytes", []string{"Range: bytes=-0"}, 416, nil, fmt.Sprintf("bytes */%d", n)},
		{"several parts", []string{"Range: bytes=0-1,5-6"}, 200, want, ""},
		{"backwards", []string{"Range: bytes=9-3"}, 200, want, ""},
		{"no number", []string{"Range: bytes=a-b"}, 200, want, ""},
		{"a number that is too large", []string{"Range: bytes=99999999999999999999-"}, 200, want, ""},
		{"another unit", []string{"Range: rows=1-2"}, 200, want, ""},
		{"the same still", []string{"Range: bytes=9-", "If-Range: " + tag}, 206, want[9:], fmt.Sprintf("bytes 9-%d/%d", n-1, n)},
		{"another by now", []string{"Range: bytes=9-", `If-Range: "csv-0"`}, 200, want, ""},
		{"a weak tag", []string{"Range: bytes=9-", "If-Range: W/" + tag}, 200, want, ""},
		{"a date", []string{"Range: bytes=9-", "If-Range: Wed, 25 Nov 2026 10:00:00 GMT"}, 200, want, ""},
		{"had already", []string{"If-None-Match: " + tag}, 304, nil, ""},
		{"had already, in a list", []string{`If-None-Match: "a", W/` + tag}, 304, nil, ""},
		{"had another", []string{`If-None-Match: "a"`}, 200, want, ""},
		{"wants another", []string{`If-Match: "a"`}, 412, nil, ""},
		{"wants this", []string{"If-Match: " + tag}, 200, want, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			response, body := l.do("GET", path, "", row.header...)
			assert.Equal(t, row.status, response.StatusCode)
			assert.Equal(t, row.says, response.Header.Get("Content-Range"))
			if row.body != nil {
				assert.True(t, string(row.body) == string(body), "%d bytes, not %d", len(body), len(row.body))
				assert.EqualValues(t, len(row.body), response.ContentLength)
				assert.Equal(t, tag, response.Header.Get("ETag"))
			}
		})
	}
}

// An export that reads otherwise has another tag, so that nothing of one is put behind the beginning of the other.
func TestTheTagOfAnExport(t *testing.T) {
	l := startLogger(t, 5*time.Second)
	storetest.Session(t, l.store, wideMeta(), readings(4*time.Second)...)
	tag := func(session, options string) string {
		response, _ := l.do("HEAD", prefix+"/sessions/"+session+"/exports/csv"+options, "")
		require.Equal(t, 200, response.StatusCode)
		return response.Header.Get("ETag")
	}
	id := l.id()
	plain, other := tag(id, ""), tag("last", "")
	assert.Equal(t, plain, tag(id, ""))
	assert.Equal(t, plain, tag(id, "?aligned=true&rate="))
	assert.NotEqual(t, plain, other)
	assert.NotEqual(t, plain, tag(id, "?aligned=false"))
	assert.NotEqual(t, plain, tag(id, "?rate=10"))
	// A calibration from the second session on bears on that alone.
	require.NoError(t, store.ApplyCalibration(l.store.Dir(), store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 0.97}, From: 2}, time.Now()))
	assert.Equal(t, plain, tag(id, ""))
	assert.NotEqual(t, other, tag("last", ""))
	first := l.pull(prefix+"/sessions/"+id+"/exports/csv", 3000)
	assert.Equal(t, l.encoded(id), first)
}

// What is being recorded is sent as it is, without a tag, and its file not at all.
func TestTheSessionBeingRecorded(t *testing.T) {
	l := startLogger(t, time.Second)
	now, err := l.store.Begin(wideMeta())
	require.NoError(t, err)
	require.NoError(t, now.Append(readings(2 * time.Second)[0]))
	for _, name := range []string{now.ID(), "last"} {
		response, body := l.do("GET", prefix+"/sessions/"+name+"/exports/csv", "", "Range: bytes=5-")
		assert.Equal(t, 200, response.StatusCode)
		assert.Empty(t, response.Header.Get("ETag"))
		assert.Empty(t, response.Header.Get("Accept-Ranges"))
		assert.Greater(t, strings.Count(string(body), "\n"), 100)
		response, body = l.do("GET", prefix+"/sessions/"+name+"/file", "")
		assert.Equal(t, 409, response.StatusCode)
		assert.Contains(t, string(body), problemURN+"recording")
	}
	var list Sessions
	l.ask("GET", "/sessions", "", 200, &list)
	assert.Equal(t, now.ID(), list.Recording)
	l.ask("GET", "/sessions/"+now.ID(), "", 200, nil)
	l.ask("GET", "/sessions/"+now.ID()+"/plot", "", 200, nil)
	l.ask("DELETE", "/sessions/"+now.ID(), "", 409, nil)
	l.ask("PUT", "/sessions/"+now.ID()+"/pulled", `{"sha256":""}`, 409, nil)
	require.NoError(t, now.End(2*time.Second, "the test ends it"))
	response, _ := l.do("GET", prefix+"/sessions/last/file", "")
	assert.Equal(t, 200, response.StatusCode)
}
