package daemon

import (
	"errors"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
	"underdash/analog/analogtest"
	"underdash/daemon/config"
)

// A buffer is set running where that was asked for, and taken as it runs where nothing was.
func TestABufferIsTakenWhereItIsUsable(t *testing.T) {
	for _, row := range []struct {
		mode    string
		running bool
		source  bool
		notes   int
	}{
		{config.Auto, true, true, 0}, {config.Auto, false, false, 1},
		{config.Buffer, true, true, 0}, {config.Buffer, false, true, 0},
		{config.Poll, true, false, 0},
	} {
		device, err := analogtest.Lay(filepath.Join(t.TempDir(), "iio:device0"), analogtest.Options{})
		require.NoError(t, err)
		buffer, err := device.OfferBuffer(analogtest.BufferOptions{Trigger: "clock", Clock: "boottime", Running: row.running, Scans: map[string]analogtest.Scan{"voltage0": {Enabled: row.running}}})
		require.NoError(t, err)
		c, err := OpenInput(config.Analog{Device: device.Path(), Channel: "voltage0", Divider: 1, Rate: 100, Mode: row.mode}, nil)
		require.NoError(t, err)
		_, source := c.(analog.Source)
		assert.Equal(t, row.source, source, row)
		assert.Len(t, notes(c), row.notes, row)
		require.NoError(t, errors.Join(c.Close(), buffer.Close(), device.Close()))
	}
}
