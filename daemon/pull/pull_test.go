package pull

import (
	"context"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/export"
	"underdash/store/storetest"
)

// same holds what was brought against what the logger has, byte for byte.
func (l *logger) same(t *testing.T, to string) {
	t.Helper()
	for _, i := range l.infos() {
		if i.ID == l.recording {
			continue
		}
		want, err := os.ReadFile(filepath.Join(l.dir, i.ID+".session"))
		require.NoError(t, err)
		got, err := os.ReadFile(filepath.Join(to, i.ID+".session"))
		require.NoError(t, err)
		assert.True(t, string(want) == string(got), "session %s differs", i.ID)
		assert.Equal(t, i.SHA256, l.pulled[i.ID], "what was told of session %s", i.ID)
	}
	parts, err := filepath.Glob(filepath.Join(to, "*"+partSuffix+"*"))
	require.NoError(t, err)
	assert.Empty(t, parts, "parts of files that are whole")
	storetest.Check(t, to)
}

func TestPull(t *testing.T) {
	for _, c := range []struct {
		name          string
		before        func(t *testing.T, l *logger, to string)
		brought, had  int
		left, fetched int
	}{
		{"an empty directory", nil, 3, 0, 0, 3},
		{"one is there already, and the logger does not know", func(t *testing.T, l *logger, to string) {
			s, err := store.Open(to, store.Options{})
			require.NoError(t, err)
			_, _, err = s.Add(filepath.Join(l.dir, l.infos()[0].ID+".session"))
			require.NoError(t, err)
			require.NoError(t, s.Close())
		}, 2, 1, 0, 2},
		{"the newest is being recorded", func(_ *testing.T, l *logger, _ string) { l.recording = l.infos()[2].ID }, 2, 0, 1, 2},
		{"something is written into the directory", func(t *testing.T, l *logger, to string) {
			require.NoError(t, os.WriteFile(filepath.Join(to, l.infos()[0].ID+".session.part"), []byte("of something else"), 0o600))
		}, 3, 0, 0, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, to := newLogger(t), t.TempDir()
			if c.before != nil {
				c.before(t, l, to)
			}
			synctest.Test(t, func(t *testing.T) {
				a := l.serve(t)
				report, err := l.puller(t, a, Options{To: to}).Run(t.Context())
				require.NoError(t, err)
				assert.Len(t, report.Brought, c.brought)
				assert.IsIncreasing(t, report.Brought, "oldest first")
				assert.Equal(t, c.had, report.Had)
				assert.Len(t, report.Left, c.left)
				l.same(t, to)

				told := l.count("PUT /sessions")
				report, err = l.puller(t, a, Options{To: to}).Run(t.Context())
				require.NoError(t, err)
				assert.Empty(t, report.Brought, "run again")
				assert.Equal(t, c.brought+c.had, report.Had)
				assert.Equal(t, told, l.count("PUT /sessions"), "told again")
				fetched := 0
				for _, i := range l.infos() {
					fetched += l.count("GET /sessions/" + i.ID)
				}
				assert.Equal(t, c.fetched, fetched, "files asked for")
			})
		})
	}
}

// A connection is cut at fifty random places, of the sessions and of exports, and every second time the program ends there
// and is run again.
func TestCutOffAnywhere(t *testing.T) {
	for _, c := range []struct {
		format string
		most   int // bytes of a connection; a drive takes several
	}{{"", 100_000}, {"csv", 1_500_000}} {
		t.Run("format "+c.format, func(t *testing.T) {
			l, to := newLogger(t), t.TempDir()
			random := rand.New(rand.NewPCG(7, 7))
			most := 50
			if testing.Short() {
				most = 20
			}
			synctest.Test(t, func(t *testing.T) {
				a := l.serve(t)
				cuts, runs, resumed := 0, 0, 0
				a.limit = func(int) (int, bool) {
					cuts++
					return 3000 + random.IntN(c.most), cuts <= most
				}
				for ; cuts <= most; runs++ {
					ctx, cancel := context.WithCancel(t.Context())
					left := runs % 3 // cuts that this run gets over
					o := Options{To: to, Format: c.format, Told: func(string) {
						if left--; left < 0 {
							cancel()
						}
					}, Progress: func(p Progress) {
						if p.Received > 0 && p.Done > p.Received {
							resumed++
						}
					}}
					_, err := l.puller(t, a, o).Run(ctx)
					if err != nil {
						require.ErrorIs(t, err, context.Canceled)
					} else { // all is there: once more from nothing
						require.NoError(t, os.RemoveAll(to))
						clear(l.pulled)
					}
					cancel()
				}
				_, err := l.puller(t, a, Options{To: to, Format: c.format}).Run(t.Context())
				require.NoError(t, err)
				assert.Greater(t, runs, 5)
				assert.Positive(t, resumed)
				if c.format == "" {
					l.same(t, to)
				} else {
					l.sameExports(t, to)
				}
			})
		})
	}
}

// sameExports holds exports that were brought against those that the logger makes.
func (l *logger) sameExports(t *testing.T, to string) {
	t.Helper()
	for _, i := range l.infos() {
		csv, about := l.csv(i.ID)
		got, err := os.ReadFile(filepath.Join(to, i.ID+".csv"))
		require.NoError(t, err)
		assert.True(t, string(csv) == string(got), "the export of %s differs", i.ID)
		got, err = os.ReadFile(filepath.Join(to, i.ID+".csv"+export.DescriptionSuffix))
		require.NoError(t, err)
		assert.JSONEq(t, string(about), string(got))
	}
	parts, err := filepath.Glob(filepath.Join(to, "*"+partSuffix+"*"))
	require.NoError(t, err)
	assert.Empty(t, parts, "parts of files that are whole")
	assert.Empty(t, l.pulled, "an export is not the session")
}
