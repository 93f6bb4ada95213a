package store

import (
	"bytes"
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"
)

// What is read here of a file of bbolt's is what bbolt reads of it.
func TestPagesAreReadAsBboltReadsThem(t *testing.T) {
	for _, row := range []struct {
		name     string
		pageSize int
		keys     int
		value    int
	}{
		{"small values in a bucket inside a page", 4096, 5, 10},
		{"many keys, three levels", 1024, 3000, 20},
		{"values of several pages", 4096, 12, 70000},
		{"no keys", 4096, 0, 0},
		{"pages of another size", 16384, 500, 300},
	} {
		t.Run(row.name, func(t *testing.T) {
			path := t.TempDir() + "/db"
			db, err := bolt.Open(path, 0o644, &bolt.Options{PageSize: row.pageSize})
			require.NoError(t, err)
			want := make(map[string]string)
			require.NoError(t, db.Update(func(tx *bolt.Tx) error {
				for _, name := range []string{"meta", "blocks"} {
					b, err := tx.CreateBucket([]byte(name))
					require.NoError(t, err)
					for i := range row.keys {
						k, v := key(uint64(i)), bytes.Repeat([]byte{byte(i)}, row.value)
						require.NoError(t, b.Put(k, v))
						want[name+string(k)] = string(v)
					}
				}
				return nil
			}))
			require.NoError(t, db.Update(func(tx *bolt.Tx) error { // so that there are free pages
				for i := 0; i < row.keys; i += 3 {
					require.NoError(t, tx.Bucket([]byte("meta")).Delete(key(uint64(i))))
					delete(want, "meta"+string(key(uint64(i))))
				}
				return nil
			}))
			require.NoError(t, db.Close())
			b, err := os.ReadFile(path)
			require.NoError(t, err)
			tree, err := readTree(bytes.NewReader(b), int64(len(b)))
			require.NoError(t, err)
			assert.Equal(t, int64(row.pageSize), tree.pageSize)
			assert.False(t, tree.torn)
			got := make(map[string]string)
			w := tree.walk(func(err error) { assert.NoError(t, err) })
			w.buckets(func(bucket string, e element) {
				v, err := tree.value(e.value, nil)
				require.NoError(t, err)
				got[bucket+string(e.key)] = string(v)
			})
			w.accounts()
			assert.Equal(t, len(want), len(got))
			assert.True(t, fmt.Sprint(want) == fmt.Sprint(got))
		})
	}
}

// A page that leads back to one above it is a cycle, which bbolt would follow until its stack is full.
func TestACycleOfPagesIsFoundOut(t *testing.T) {
	path, _ := recording(t, 200)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	tree, err := readTree(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	branch := uint64(0)
	for n := uint64(2); n < tree.high; n++ {
		if p, err := tree.page(n); err == nil && p.flags == flagBranch {
			branch = n // the newest copy, or an older one
			at := int64(n)*tree.pageSize + pageHeader + 8
			order.PutUint64(b[at:], n)
		}
	}
	require.NotZero(t, branch)
	var faults []error
	w := tree.walk(func(err error) { faults = append(faults, err) })
	w.buckets(func(string, element) {})
	require.NotEmpty(t, faults)
	assert.ErrorContains(t, faults[0], "it is used twice")
	assert.ErrorIs(t, faults[0], ErrDamaged)
}

func FuzzTree(f *testing.F) {
	path := f.TempDir() + "/db" // of the smallest pages there are
	db, err := bolt.Open(path, 0o644, &bolt.Options{PageSize: 1024})
	require.NoError(f, err)
	require.NoError(f, db.Update(func(tx *bolt.Tx) error {
		b, err := tx.CreateBucket(blocksBucket)
		require.NoError(f, err)
		for i := range uint64(60) {
			require.NoError(f, b.Put(key(i), bytes.Repeat([]byte{1}, int(10+i%7))))
		}
		text, _, err := encodeMeta(Meta{Format: Format, ID: "00001-aaaa", Number: 1})
		require.NoError(f, err)
		return putMeta(tx, text, nil)
	}))
	require.NoError(f, db.Close())
	b, err := os.ReadFile(path)
	require.NoError(f, err)
	tree, err := readTree(bytes.NewReader(b), int64(len(b)))
	require.NoError(f, err)
	b = b[:tree.high*1024]
	f.Add(b, uint16(0), byte(0))
	f.Add(b, uint16(10), byte(1))
	f.Add(b[:3000], uint16(4096), byte(255))
	f.Add([]byte{}, uint16(0), byte(0))
	f.Fuzz(func(t *testing.T, b []byte, at uint16, change byte) {
		b = bytes.Clone(b)
		for i := int(at); i < len(b); i += 1024 { // a change in every page's head gets through more often than one anywhere
			b[i] ^= change
		}
		if tree, _ := readTree(bytes.NewReader(b), int64(len(b))); tree != nil {
			faults, visited := 0, 0
			w := tree.walk(func(err error) {
				require.Error(t, err)
				faults++
			})
			w.buckets(func(_ string, e element) {
				visited++
				require.LessOrEqual(t, e.value.at+e.value.length, max(int64(len(b)), int64(tree.high)*tree.pageSize))
			})
			w.accounts()
			require.Less(t, visited, 1+len(b)/elementSize)
		}
		found, err := scan(bytes.NewReader(b), int64(len(b)))
		require.NoError(t, err)
		found.newest()
		found.most()
	})
}
