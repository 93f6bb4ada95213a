package iio

import (
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func layOut(t *testing.T) (dir, raw string) {
	dir = t.TempDir()
	raw = filepath.Join(dir, "in_voltage0_raw")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "in_voltage_scale"), []byte("1.0\n"), 0o600))
	require.NoError(t, os.WriteFile(raw, []byte("100\n"), 0o600))
	return dir, raw
}

// A tree that is refreshed by renaming, or a driver that was loaded again, leaves the open descriptor behind.
func TestAReplacedFileIsFollowed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, raw := layOut(t)
		c, err := Open(dir, "voltage0", Options{})
		require.NoError(t, err)
		defer c.Close()
		code, err := c.Read()
		require.NoError(t, err)
		assert.Equal(t, int32(100), code)
		require.NoError(t, os.WriteFile(raw+".new", []byte("200\n"), 0o600))
		require.NoError(t, os.Rename(raw+".new", raw))
		time.Sleep(followEvery)
		code, err = c.Read()
		require.NoError(t, err)
		assert.Equal(t, int32(200), code)
	})
}

// A file that is written anew by truncating it is empty for a moment, and then half a number may be there.
func TestAHalfWrittenFileIsWaitedFor(t *testing.T) {
	for _, row := range []struct {
		name, before, after string
		want                int32
	}{
		{"empty for a moment", "", "321\n", 321},
		{"in the middle of the number", "3", "321\n", 321},
		{"never a line's end", "321", "321", 321},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				dir, raw := layOut(t)
				c, err := Open(dir, "voltage0", Options{})
				require.NoError(t, err)
				defer c.Close()
				require.NoError(t, os.WriteFile(raw, []byte(row.before), 0o600))
				wrote := make(chan struct{})
				go func() {
					defer close(wrote)
					time.Sleep(2 * time.Millisecond)
					assert.NoError(t, os.WriteFile(raw, []byte(row.after), 0o600))
				}()
				code, err := c.Read()
				<-wrote
				require.NoError(t, err)
				assert.Equal(t, row.want, code)
			})
		})
	}
}
