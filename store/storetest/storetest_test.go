package storetest_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
)

// observed is a test that may fail without failing this one.
type observed struct {
	testing.TB
	failed bool
}

func (o *observed) Helper()               {}
func (o *observed) Errorf(string, ...any) { o.failed = true }

func TestCheckFindsDamage(t *testing.T) {
	for _, row := range []struct {
		name   string
		damage func(t *testing.T, path string) error
		fails  bool
	}{
		{"a sound store", func(*testing.T, string) error { return nil }, false},
		{"a block damaged", func(t *testing.T, path string) error {
			b, err := os.ReadFile(path)
			require.NoError(t, err)
			at := bytes.LastIndex(b, []byte("udBk"))
			require.Positive(t, at)
			b[at+12] ^= 1
			return errors.Join(os.Remove(path), os.WriteFile(path, b, 0o644))
		}, true},
		{"a copy of the description damaged", func(t *testing.T, path string) error {
			b, err := os.ReadFile(path)
			require.NoError(t, err)
			at := bytes.LastIndex(b, []byte(`{"format":`))
			require.Positive(t, at)
			b[at+3] ^= 1
			return errors.Join(os.Remove(path), os.WriteFile(path, b, 0o644))
		}, true},
		{"a file cut short", func(_ *testing.T, path string) error { return os.Truncate(path, 5000) }, true},
		{"a half-made file", func(_ *testing.T, path string) error { return os.WriteFile(path+".new", nil, 0o644) }, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			s, err := store.Open(t.TempDir(), store.Options{})
			require.NoError(t, err)
			path := storetest.Session(t, s, store.Meta{Channels: []store.Channel{{Name: "a"}}}, []store.Sample{{Code: 1}}, []store.Sample{{Code: 2}})
			require.NoError(t, s.Close())
			require.NoError(t, row.damage(t, path))
			o := &observed{TB: t}
			storetest.Check(o, filepath.Dir(path))
			assert.Equal(t, row.fails, o.failed)
		})
	}
}
