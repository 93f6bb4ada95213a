package daemon

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
	"underdash/analog/analogtest"
	"underdash/analog/iio"
	"underdash/daemon/config"
)

// A buffer that is usable is taken where nothing else was asked for; while it runs, a second reader is refused the buffer.
func TestABufferIsTakenWhereItIsUsable(t *testing.T) {
	device, err := analogtest.Lay(filepath.Join(t.TempDir(), "iio:device0"), analogtest.Options{})
	require.NoError(t, err)
	defer device.Close()
	buffer, err := device.OfferBuffer(analogtest.BufferOptions{Trigger: "clock", Clock: "boottime"})
	require.NoError(t, err)
	defer buffer.Close()
	for _, row := range []struct {
		mode   string
		source bool
	}{{config.Auto, true}, {config.Buffer, true}, {config.Poll, false}} {
		c, err := OpenInput(config.Analog{Device: device.Path(), Channel: "voltage0", Divider: 1, Rate: 100, Mode: row.mode}, nil)
		require.NoError(t, err)
		_, source := c.(analog.Source)
		assert.Equal(t, row.source, source, row.mode)
		assert.IsType(t, map[bool]any{true: &iio.Buffer{}, false: &iio.Channel{}}[row.source], c)
		assert.Empty(t, notes(c))
		require.NoError(t, c.Close())
	}
}
