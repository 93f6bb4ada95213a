package store

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"
)

// What was lost stays lost in a check's eyes when the store has closed the file: a seal over what is left does not
// make it whole. Each session has 10 blocks of 200 readings.
func TestACheckTellsWhatWasLostBeforeTheSeal(t *testing.T) {
	without := func(sequences ...uint64) func(t *testing.T, path string) {
		return func(t *testing.T, path string) {
			change(t, path, func(tx *bolt.Tx) (err error) {
				for _, s := range sequences {
					err = errors.Join(err, tx.Bucket(blocksBucket).Delete(key(s)))
				}
				return err
			})
		}
	}
	cut := func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, pages(t, path)-1)) }
	for _, row := range []struct {
		name    string
		made    func(t testing.TB, n int) (string, []Sample)
		harm    func(t *testing.T, path string)
		sound   bool
		missing uint64
		cost    string
	}{
		{"it had ended", ended, func(*testing.T, string) {}, true, 0, "nothing"},
		{"it was cut off", recording, func(*testing.T, string) {}, true, 0, "nothing"},
		{"it had ended, two blocks are gone", ended, without(3, 4), false, 400, "400 of 2000 readings are lost"},
		{"it had ended, the last block is gone", ended, without(9), false, 200, "200 of 2000 readings are lost"},
		{"it was cut off, two blocks are gone", recording, without(3, 4), false, 0, "the readings of those blocks are lost"},
		{"it was cut off, and the file cut short", recording, cut, false, 0, "it was salvaged from a damaged file: readings after [0-9.]+ s may be lost"},
		{"it was cut off, the file cut short, two blocks are gone", recording, func(t *testing.T, path string) { without(3, 4)(t, path); cut(t, path) }, false, 0,
			"the readings of those blocks are lost, and readings after [0-9.]+ s may be lost"},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, _ := row.made(t, 10)
			row.harm(t, path)
			s, err := Open(filepath.Dir(path), Options{})
			require.NoError(t, err)
			require.NoError(t, s.Close())
			report, err := Check(path)
			require.NoError(t, err)
			assert.True(t, report.Sealed)
			assert.Empty(t, report.Faults)
			assert.Equal(t, row.sound, report.Sound())
			assert.Equal(t, row.missing, report.Missing)
			assert.Regexp(t, "^"+row.cost+"$", report.Cost)

			archive, err := Open(t.TempDir(), Options{})
			require.NoError(t, err)
			_, added, err := archive.Add(path)
			require.NoError(t, err, "what is left of a session may be kept")
			assert.True(t, added)
			require.NoError(t, archive.Close())
		})
	}
}

// A salvaged file without an end that comes to harm again.
func TestACheckOfAFileSalvagedAndDamagedAgain(t *testing.T) {
	path, _ := recording(t, 10)
	change(t, path, func(tx *bolt.Tx) error { return tx.Bucket(blocksBucket).Delete(key(3)) })
	to := filepath.Join(t.TempDir(), "again.session")
	report, err := Salvage(path, to)
	require.NoError(t, err)
	assert.Equal(t, "the readings of those blocks are lost", report.Cost)
	require.NoError(t, os.Chmod(to, 0o644))
	change(t, to, func(tx *bolt.Tx) error {
		b := tx.Bucket(blocksBucket)
		k, _ := b.Cursor().Last()
		return b.Delete(k)
	})
	report, err = Check(to)
	require.NoError(t, err)
	assert.Regexp(t, `^at least [0-9]+ readings are lost$`, report.Cost)
}
