package pull

import (
	"fmt"
	"hash/crc32"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"
)

// What an earlier run may have left of an export, which no digest protects: killed, or with the power gone.
func TestWhatAnEarlierRunLeft(t *testing.T) {
	for _, c := range []struct {
		name string
		part func(whole []byte) []byte
		note func(id string, length int) string
		came func(length int) int // bytes that are fetched
	}{
		{"a beginning", func(w []byte) []byte { return w[:20000] }, func(id string, _ int) string { return `{"etag":"\"csv-` + id + `\"","safe_bytes":20000}` },
			func(n int) int { return n - 20000 }},
		{"a beginning, and what never reached the medium", func(w []byte) []byte { return append(append([]byte(nil), w[:20000]...), make([]byte, 5000)...) },
			func(id string, _ int) string { return `{"etag":"\"csv-` + id + `\"","safe_bytes":20000}` }, func(n int) int { return n - 20000 }},
		{"all of it", func(w []byte) []byte { return w }, func(id string, n int) string {
			return `{"etag":"\"csv-` + id + `\"","safe_bytes":` + strconv.Itoa(n) + `}`
		}, func(int) int { return 0 }},
		{"the beginning of another one", func(w []byte) []byte { return make([]byte, 20000) }, func(string, int) string { return `{"etag":"\"another\"","safe_bytes":20000}` }, func(n int) int { return n }},
		{"without a tag", func(w []byte) []byte { return make([]byte, 20000) }, func(string, int) string { return `{"etag":"","safe_bytes":20000}` }, func(n int) int { return n }},
		{"shorter than it was", func(w []byte) []byte { return w[:10000] }, func(id string, _ int) string { return `{"etag":"\"csv-` + id + `\"","safe_bytes":20000}` }, func(n int) int { return n }},
		{"a note that is none", func(w []byte) []byte { return w[:20000] }, func(string, int) string { return `{"etag` }, func(n int) int { return n }},
		{"no note", func(w []byte) []byte { return w[:20000] }, nil, func(n int) int { return n }},
		{"longer than the export", func(w []byte) []byte { return append(append([]byte(nil), w...), 0) }, func(id string, n int) string {
			return `{"etag":"\"csv-` + id + `\"","safe_bytes":` + strconv.Itoa(n+1) + `}`
		}, func(n int) int { return n }},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, to := newLogger(t), t.TempDir()
			id := l.infos()[0].ID
			whole, _ := l.csv(id)
			require.Greater(t, len(whole), 30000)
			path := filepath.Join(to, id+".csv"+partSuffix)
			require.NoError(t, os.WriteFile(path, c.part(whole), 0o600))
			if c.note != nil {
				require.NoError(t, os.WriteFile(path+".json", []byte(c.note(id, len(whole))), 0o600))
			}
			synctest.Test(t, func(t *testing.T) {
				came := int64(-1)
				_, err := l.puller(t, l.serve(t), Options{To: to, Format: "csv", Progress: func(p Progress) {
					if p.Finished && strings.HasPrefix(p.Name, id) {
						came = p.Received
					}
				}}).Run(t.Context())
				require.NoError(t, err)
				assert.EqualValues(t, c.came(len(whole)), came, "bytes fetched")
				l.sameExports(t, to)
			})
		})
	}
}

// A file that a newer program wrote is kept as it came, for the program that can read it.
func TestASessionOfANewerProgram(t *testing.T) {
	l, to := newLogger(t), t.TempDir()
	id := l.infos()[1].ID
	text, err := os.ReadFile(filepath.Join(l.dir, id+".session"))
	require.NoError(t, err)
	newer := filepath.Join(t.TempDir(), "newer")
	require.NoError(t, os.WriteFile(newer, text, 0o600))
	db, err := bolt.Open(newer, 0o600, &bolt.Options{Timeout: time.Second})
	require.NoError(t, err)
	require.NoError(t, db.Update(func(tx *bolt.Tx) error {
		for _, name := range []string{"meta", "copy"} { // the description and its copy, each with its checksum
			b := tx.Bucket([]byte(name))
			m := strings.Replace(string(b.Get([]byte("meta"))), `"format":2`, `"format":99`, 1)
			sum := fmt.Sprintf("%08x", crc32.Checksum([]byte(m), crc32.MakeTable(crc32.Castagnoli)))
			if err := b.Put([]byte("meta"), []byte(m)); err != nil {
				return err
			}
			if err := b.Put([]byte("meta.crc32c"), []byte(sum)); err != nil {
				return err
			}
		}
		return nil
	}))
	require.NoError(t, db.Close())
	text, err = os.ReadFile(newer)
	require.NoError(t, err)
	l.answer = func(w http.ResponseWriter, r *http.Request) bool {
		if !strings.HasSuffix(r.URL.Path, id+"/file") {
			return false
		}
		w.Header().Set("ETag", `"newer"`)
		http.ServeContent(w, r, "", time.Time{}, strings.NewReader(string(text)))
		return true
	}
	synctest.Test(t, func(t *testing.T) {
		a := l.serve(t)
		for run := range 2 {
			report, err := l.puller(t, a, Options{To: to}).Run(t.Context())
			require.ErrorContains(t, err, "update underdash on this machine")
			assert.Len(t, report.Failed, 1)
			assert.Equal(t, []int{2, 0}[run], len(report.Brought), "the others come all the same")
			got, err := os.ReadFile(filepath.Join(to, id+".session"+partSuffix))
			require.NoError(t, err)
			assert.True(t, string(text) == string(got))
			if run == 1 {
				assert.Zero(t, report.Received, "it comes once")
			}
		}
		assert.NotContains(t, l.pulled, id)
	})
}
