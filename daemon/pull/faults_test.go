package pull

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
	"underdash/store/summary"
)

// What the logger does wrong, what the run says of it, and what is there afterwards.
func TestALoggerWithFaults(t *testing.T) {
	isFile := func(r *http.Request, l *logger, n int) bool {
		return strings.HasSuffix(r.URL.Path, "/sessions/"+l.infos()[n].ID+"/file")
	}
	file := func(l *logger, n int) []byte {
		text, err := os.ReadFile(filepath.Join(l.dir, l.infos()[n].ID+".session"))
		require.NoError(l.t, err)
		return text
	}
	spoilt := func(text []byte) []byte {
		text = bytes.Clone(text)
		for i := len(text) / 2; i < len(text); i += 4096 { // a page may hold nothing
			text[i+100] ^= 1
		}
		return text
	}
	for _, c := range []struct {
		name    string
		answer  func(l *logger, n map[string]int) func(http.ResponseWriter, *http.Request) bool
		want    string // the error
		brought int
		fetched int // requests for the second session's file
		kept    int // parts that stay
	}{
		{"a byte is wrong once", func(l *logger, n map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if isFile(r, l, 1) {
					if n["asked"]++; n["asked"] == 1 {
						_, _ = w.Write(spoilt(file(l, 1)))
						return true
					}
				}
				return false
			}
		}, "", 3, 2, 0},
		{"a byte is always wrong", func(l *logger, _ map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if isFile(r, l, 1) {
					_, _ = w.Write(spoilt(file(l, 1)))
					return true
				}
				return false
			}
		}, "twice", 2, 2, 0},
		{"another session's file", func(l *logger, _ map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if isFile(r, l, 1) {
					_, _ = w.Write(file(l, 0))
					return true
				}
				return false
			}
		}, "instead of", 2, 2, 0},
		{"deleted meanwhile", func(l *logger, _ map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if isFile(r, l, 1) {
					problem(w, http.StatusNotFound, "not-found", "there is no such session")
					return true
				}
				return false
			}
		}, "deleted it meanwhile", 2, 1, 1},
		{"busy for a while", func(l *logger, n map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if isFile(r, l, 1) {
					if n["asked"]++; n["asked"] < 4 {
						w.Header().Set("Retry-After", "2")
						problem(w, http.StatusServiceUnavailable, "busy", "8 downloads are under way")
						return true
					}
				}
				return false
			}
		}, "", 3, 4, 0},
		{"another file every time, always broken off", func(l *logger, n map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if isFile(r, l, 1) {
					n["asked"]++
					w.Header().Set("ETag", fmt.Sprintf(`"%d"`, n["asked"]))
					w.Header().Set("Content-Length", "100000")
					_, _ = w.Write(file(l, 1)[:2000*n["asked"]])
					return true
				}
				return false
			}
		}, "another file every time", 2, 7, 1},
		{"a part that does not go on where it was asked to", func(l *logger, n map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if !isFile(r, l, 1) {
					return false
				}
				text := file(l, 1)
				w.Header().Set("ETag", `"the same"`)
				switch n["asked"]++; n["asked"] {
				case 1:
					w.Header().Set("Content-Length", fmt.Sprint(len(text)))
					_, _ = w.Write(text[:20000])
				case 2:
					w.Header().Set("Content-Range", fmt.Sprintf("bytes 10-%d/%d", len(text)-1, len(text)))
					w.WriteHeader(http.StatusPartialContent)
					_, _ = w.Write(text[10:])
				default:
					return false
				}
				return true
			}
		}, "", 3, 3, 0},
		{"an API of another version", func(*logger, map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				http.NotFound(w, r)
				return true
			}
		}, "this one is to be updated", 0, 0, 0},
		{"a listing of another version", func(*logger, map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if !strings.HasSuffix(r.URL.Path, "/sessions") {
					return false
				}
				_, _ = w.Write([]byte(`{"sessions":{"2":[]}}`))
				return true
			}
		}, "this one is to be updated", 0, 0, 0},
		{"names that are paths", func(l *logger, _ map[string]int) func(http.ResponseWriter, *http.Request) bool {
			l.rows = func(r *summary.Row) { r.ID = "../" + r.ID }
			return nil
		}, "is no session's name", 0, 0, 0},
		{"it leads somewhere else", func(*logger, map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				http.Redirect(w, r, "https://elsewhere.example/", http.StatusTemporaryRedirect)
				return true
			}
		}, "either it is no logger", 0, 0, 0},
		{"a fault of its own", func(l *logger, _ map[string]int) func(http.ResponseWriter, *http.Request) bool {
			return func(w http.ResponseWriter, r *http.Request) bool {
				if isFile(r, l, 1) {
					problem(w, http.StatusInternalServerError, "blank", "the card cannot be read")
					return true
				}
				return false
			}
		}, "the card cannot be read", 2, 1, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, to := newLogger(t), t.TempDir()
			l.answer = c.answer(l, make(map[string]int))
			synctest.Test(t, func(t *testing.T) {
				report, err := l.puller(t, l.serve(t), Options{To: to}).Run(t.Context())
				assert.Len(t, report.Brought, c.brought)
				assert.Equal(t, c.fetched, l.count("GET /sessions/"+l.infos()[1].ID+"/file"))
				parts, globErr := filepath.Glob(filepath.Join(to, "*"+partSuffix))
				require.NoError(t, globErr)
				assert.Len(t, parts, c.kept)
				storetest.Check(t, to)
				if c.want != "" {
					require.ErrorContains(t, err, c.want)
					assert.NotContains(t, err.Error(), "\n")
					return
				}
				require.NoError(t, err)
				l.same(t, to)
			})
		})
	}
}

// The waits grow, and the logger is given up when it was out of reach for as long as there is patience; a while in which
// something came counts anew.
func TestPatience(t *testing.T) {
	errAway := errors.New("no route to host")
	for _, c := range []struct {
		name     string
		patience time.Duration
		back     int // the try that succeeds; 0: none does
		waits    []time.Duration
	}{
		{"never there", 10 * time.Second, 0, []time.Duration{500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, 2500 * time.Millisecond}},
		{"back in time", time.Minute, 4, []time.Duration{500 * time.Millisecond, time.Second, 2 * time.Second}},
		{"waits do not grow without bound", time.Minute, 0, []time.Duration{500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second,
			8 * time.Second, 15 * time.Second, 15 * time.Second, 14500 * time.Millisecond}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLogger(t)
			synctest.Test(t, func(t *testing.T) {
				a := l.serve(t)
				a.refuse = func(n int) error {
					if c.back == 0 || n < c.back {
						return errAway
					}
					return nil
				}
				var told []string
				_, err := l.puller(t, a, Options{To: t.TempDir(), Patience: c.patience, Told: func(s string) { told = append(told, s) }}).Run(t.Context())
				var waits []time.Duration
				for i := range c.waits {
					waits = append(waits, a.dialed[i+1].Sub(a.dialed[i]))
				}
				assert.Equal(t, c.waits, waits)
				require.NotEmpty(t, told)
				assert.Contains(t, told[0], "it is tried again for "+c.patience.String())
				if c.back == 0 {
					require.ErrorIs(t, err, errAway)
					assert.Len(t, a.dialed, len(c.waits)+1)
					return
				}
				require.NoError(t, err)
				assert.Contains(t, told[1], "is back after 3.5s")
			})
		})
	}
}

// A network that is gone does not say so: nothing comes any more.
func TestNothingComesAnyMore(t *testing.T) {
	l, to := newLogger(t), t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		ctx := t.Context()
		asked := 0
		l.answer = func(w http.ResponseWriter, r *http.Request) bool {
			if !strings.HasSuffix(r.URL.Path, "/file") {
				return false
			}
			if asked++; asked == 1 {
				w.Header().Set("Content-Length", "100000")
				_, _ = w.Write(make([]byte, 5000))
				_ = http.NewResponseController(w).Flush()
				l.mu.Unlock()
				<-r.Context().Done()
				l.mu.Lock()
				return true
			}
			return false
		}
		began := time.Now()
		_, err := l.puller(t, l.serve(t), Options{To: to}).Run(ctx)
		require.NoError(t, err)
		l.same(t, to)
		assert.Equal(t, answerTime+firstWait, time.Since(began))
	})
}

func TestOneAtATime(t *testing.T) {
	l, to := newLogger(t), t.TempDir()
	for _, c := range []struct {
		name string
		hold func(t *testing.T) (release func())
		want error
	}{
		{"another pull", func(t *testing.T) func() {
			lock, err := takeLock(filepath.Join(to, ".pull.lock"))
			require.NoError(t, err)
			return func() { require.NoError(t, lock.Close()) }
		}, ErrBusy},
		{"a daemon records into it", func(t *testing.T) func() {
			s, err := store.Open(to, store.Options{})
			require.NoError(t, err)
			return func() { require.NoError(t, s.Close()) }
		}, store.ErrLocked},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				release := c.hold(t)
				a := l.serve(t)
				_, err := l.puller(t, a, Options{To: to}).Run(t.Context())
				require.ErrorIs(t, err, c.want)
				assert.NotContains(t, err.Error(), "\n")
				assert.Empty(t, a.dialed)
				release()
				_, err = l.puller(t, a, Options{To: to}).Run(t.Context())
				require.NoError(t, err)
			})
		})
	}
}

// A device of Linux that has no room stands for the disk.
func TestTheDiskIsFull(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("there is no /dev/full here")
	}
	for _, format := range []string{"", "csv"} {
		t.Run("format "+format, func(t *testing.T) {
			l, to := newLogger(t), t.TempDir()
			name := l.infos()[1].ID + ".session.part"
			if format != "" {
				name = l.infos()[1].ID + ".csv.part"
			}
			require.NoError(t, os.Symlink("/dev/full", filepath.Join(to, name)))
			synctest.Test(t, func(t *testing.T) {
				a := l.serve(t)
				report, err := l.puller(t, a, Options{To: to, Format: format}).Run(t.Context())
				require.ErrorContains(t, err, "make room and run it again")
				assert.NotContains(t, err.Error(), "\n")
				assert.Len(t, report.Brought, 1, "the run ends")
				require.NoError(t, os.Remove(filepath.Join(to, name)))
				report, err = l.puller(t, a, Options{To: to, Format: format}).Run(t.Context())
				require.NoError(t, err)
				assert.Len(t, report.Brought, 2)
			})
		})
	}
}

// What became known of the date after the session was sealed stands beside it on the logger, and comes along.
// Of a copy that has rotted the logger is not told that it may let go of its own.
func TestACopyThatHasRotted(t *testing.T) {
	l, to := newLogger(t), t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		a := l.serve(t)
		_, err := l.puller(t, a, Options{To: to}).Run(t.Context())
		require.NoError(t, err)
		require.Len(t, l.pulled, len(l.infos()))
		id := l.infos()[0].ID
		clear(l.pulled)
		path := filepath.Join(to, id+".session")
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		for i := len(text) / 2; i < len(text); i += 4096 { // a page may hold nothing
			text[i+100] ^= 1
		}
		require.NoError(t, os.Chmod(path, 0o644))
		require.NoError(t, os.WriteFile(path, text, 0o444))
		_, err = l.puller(t, a, Options{To: to}).Run(t.Context())
		require.ErrorContains(t, err, "not sound any more")
		assert.NotContains(t, l.pulled, id)
		assert.Len(t, l.pulled, len(l.infos())-1, "of the others it is")
	})
}

func TestTheDateComesAlong(t *testing.T) {
	for _, c := range []struct{ name, source string }{{"synchronised", store.ByReference}, {"told by somebody", store.ByClient}} {
		t.Run(c.name, func(t *testing.T) {
			l, to := newLogger(t), t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				a := l.serve(t)
				_, err := l.puller(t, a, Options{To: to}).Run(t.Context()) // before it is known
				require.NoError(t, err)
				s, err := store.Open(l.dir, store.Options{})
				require.NoError(t, err)
				require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "boot", SinceBoot: time.Minute, UTC: time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC), Source: c.source, MaxError: time.Second}))
				require.NoError(t, s.Close())
				for range 2 {
					_, err = l.puller(t, a, Options{To: to}).Run(t.Context())
					require.NoError(t, err)
				}
				mine, err := store.List(to)
				require.NoError(t, err)
				want, got := store.Date(l.infos(), store.Anchors(l.dir)), store.Date(mine, store.Anchors(to))
				require.Len(t, got, len(want))
				for i := range want {
					assert.Equal(t, want[i].Began, got[i].Began)
					assert.Equal(t, c.source, got[i].Source)
					assert.GreaterOrEqual(t, got[i].MaxError, want[i].MaxError, "it is not known better than there")
					assert.InEpsilon(t, want[i].MaxError, got[i].MaxError, 0.05)
				}
				assert.Len(t, store.Anchors(to), 1)
			})
		})
	}
}

func TestExportsAreBroughtAnewWhenTheyAreOthers(t *testing.T) {
	for _, c := range []struct {
		name    string
		between func(t *testing.T, l *logger, to string)
		brought int
		file    string // that stays as it is
	}{
		{"nothing changed", func(*testing.T, *logger, string) {}, 0, ""},
		{"a calibration was applied", func(_ *testing.T, l *logger, _ string) {
			l.rows = func(r *summary.Row) { r.Read = []summary.Reading{{Input: "wideband", Gain: 0.98}} }
		}, 3, ""},
		{"one was removed here", func(t *testing.T, l *logger, to string) {
			require.NoError(t, os.Remove(filepath.Join(to, l.infos()[0].ID+".csv")))
		}, 1, ""},
		{"what they are is forgotten", func(t *testing.T, l *logger, to string) {
			require.NoError(t, os.Remove(filepath.Join(to, ledgerName)))
			require.NoError(t, os.WriteFile(filepath.Join(to, l.infos()[0].ID+".csv"), []byte("somebody's own"), 0o600))
		}, 3, "somebody's own"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, to := newLogger(t), t.TempDir()
			synctest.Test(t, func(t *testing.T) {
				a := l.serve(t)
				report, err := l.puller(t, a, Options{To: to, Format: "csv"}).Run(t.Context())
				require.NoError(t, err)
				assert.Len(t, report.Brought, 3)
				c.between(t, l, to)
				report, err = l.puller(t, a, Options{To: to, Format: "csv"}).Run(t.Context())
				require.NoError(t, err)
				assert.Len(t, report.Brought, c.brought)
				if c.file == "" {
					l.sameExports(t, to)
					return
				}
				got, err := os.ReadFile(filepath.Join(to, l.infos()[0].ID+".csv"))
				require.NoError(t, err)
				assert.Equal(t, c.file, string(got))
			})
		})
	}
}

func TestContentRange(t *testing.T) {
	for _, c := range []struct {
		name, header string
		first, total int64
		ok           bool
	}{
		{"a part", "bytes 100-199/200", 100, 200, true},
		{"a part of what has no known length", "bytes 100-199/*", 100, -1, true},
		{"none", "bytes */200", -1, 200, true},
		{"another unit", "lines 1-2/3", 0, 0, false},
		{"nothing", "", 0, 0, false},
		{"no length", "bytes 1-2", 0, 0, false},
		{"no number", "bytes a-b/c", 0, 0, false},
		{"a negative one", "bytes -1-2/3", 0, 0, false},
		{"a negative length", "bytes 1-2/-3", 0, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			first, total, ok := contentRange(c.header)
			assert.Equal(t, c.ok, ok)
			if ok {
				assert.Equal(t, []int64{c.first, c.total}, []int64{first, total})
			}
		})
	}
}

// A logger that hangs takes connections and says nothing: no try outlasts what is left of the patience.
func TestPatienceBoundsEveryTry(t *testing.T) {
	hangs := func(context.Context, string, string) (net.Conn, error) {
		ours, theirs := net.Pipe()
		go func() { _, _ = io.Copy(io.Discard, theirs) }() // ends when ours is closed, which the bubble waits for
		return ours, nil
	}
	for _, patience := range []time.Duration{4 * time.Second, 15 * time.Second} {
		for _, known := range []bool{false, true} {
			t.Run(fmt.Sprintf("%v, known %v", patience, known), func(t *testing.T) {
				l, o := newLogger(t), Options{To: t.TempDir(), Patience: patience}
				if known {
					o.Keep = filepath.Join(t.TempDir(), "loggers.json")
				}
				synctest.Test(t, func(t *testing.T) {
					a := l.serve(t)
					if known {
						_, err := l.puller(t, a, o).Run(t.Context())
						require.NoError(t, err)
					}
					p := l.puller(t, a, o)
					p.client.dialer = hangs
					began := time.Now()
					_, err := p.Run(t.Context())
					require.ErrorContains(t, err, "was out of reach for "+patience.String())
					assert.GreaterOrEqual(t, time.Since(began), patience)
					assert.LessOrEqual(t, time.Since(began), patience+leastTry)
				})
			})
		}
	}
}

// Patience is for a logger of which nothing is heard. One that sends, be it slowly, is listened to, and an export may take its time to
// begin: the logger counts first.
func TestPatienceCutsNothingThatGoesOn(t *testing.T) {
	const patience = 4 * time.Second
	for format, slow := range map[string]func(w http.ResponseWriter, text []byte){
		"": func(w http.ResponseWriter, text []byte) {
			w.Header().Set("Content-Length", fmt.Sprint(len(text)))
			for part := range slices.Chunk(text, 1+len(text)/10) {
				_, _ = w.Write(part)
				_ = http.NewResponseController(w).Flush()
				time.Sleep(patience - time.Second)
			}
		},
		"csv": func(w http.ResponseWriter, text []byte) {
			time.Sleep(time.Minute)
			_, _ = w.Write(text)
		},
	} {
		t.Run("format "+format, func(t *testing.T) {
			l := newLogger(t)
			first := l.infos()[0].ID
			path, text := "/sessions/"+first+"/file", []byte(nil)
			if format == "" {
				var err error
				text, err = os.ReadFile(filepath.Join(l.dir, first+".session"))
				require.NoError(t, err)
			} else {
				path = "/sessions/" + first + "/exports/csv"
				text, _ = l.csv(first)
			}
			l.answer = func(w http.ResponseWriter, r *http.Request) bool {
				if r.URL.Path != apiPrefix+path {
					return false
				}
				w.Header().Set("ETag", `"the same"`)
				l.mu.Unlock()
				defer l.mu.Lock()
				slow(w, text)
				return true
			}
			synctest.Test(t, func(t *testing.T) {
				report, err := l.puller(t, l.serve(t), Options{To: t.TempDir(), Format: format, Patience: patience}).Run(t.Context())
				require.NoError(t, err)
				assert.Len(t, report.Brought, 3)
				l.mu.Lock()
				defer l.mu.Unlock()
				asked := 0
				for _, a := range l.asked {
					if a == "GET "+path {
						asked++
					}
				}
				assert.Equal(t, 1, asked)
			})
		})
	}
}
