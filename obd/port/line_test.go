package port

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Names as the kernel and udev give them; the links are those of /dev/serial/by-id.
func TestLineOf(t *testing.T) {
	dir := t.TempDir()
	for _, row := range []struct {
		device string
		want   line
	}{
		{"ttyUSB0", wire}, {"ttyUSB12", wire}, {"ttyS0", wire}, {"ttyAMA0", wire}, {"ttymxc3", wire},
		{"rfcomm0", radio}, {"rfcomm15", radio},
		{"ttyACM0", unknown}, {"5", unknown}, {"tty1", unknown}, {"ttyUSB", unknown}, {"rfcomm", unknown},
	} {
		device := filepath.Join(dir, row.device)
		require.NoError(t, os.WriteFile(device, nil, 0o600))
		link := filepath.Join(dir, "usb-to-"+row.device)
		require.NoError(t, os.Symlink(device, link))
		assert.Equal(t, row.want, lineOf(device), row.device)
		assert.Equal(t, row.want, lineOf(link), row.device)
	}
	assert.Equal(t, unknown, lineOf("COM3"))
}

func TestPace(t *testing.T) {
	p := &Port{paced: true}
	p.baud.Store(38400)
	assert.Equal(t, 260416*time.Nanosecond, p.Pace(), "ten bits at 38400")
	p.baud.Store(500000)
	assert.Equal(t, 20*time.Microsecond, p.Pace())
	p.paced = false
	assert.Zero(t, p.Pace())
}

func TestAwaitCarrier(t *testing.T) {
	const connectsAfter = 4 * time.Second
	dead := errors.New("hung up")
	for _, row := range []struct {
		name      string
		after     time.Duration // the device says, or fails, after this long
		connected bool
		fails     error
		ctx       time.Duration // the caller gives up; 0 = never
		want      bool
		wantErr   error
		took      time.Duration
	}{
		{"connected already", 0, true, nil, 0, true, nil, 0},
		{"after a while", connectsAfter, true, nil, 0, true, nil, connectsAfter},
		{"never told", time.Hour, true, nil, 0, false, nil, RadioPatience},
		{"no modem lines", 0, false, errNoModemLines, 0, false, nil, 0},
		{"the system gives up", 30 * time.Second, false, dead, 0, false, ErrNotFound, 30 * time.Second},
		{"the caller gives up", time.Hour, true, nil, 1500 * time.Millisecond, false, context.DeadlineExceeded, 1500 * time.Millisecond},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, start := t.Context(), time.Now()
				if row.ctx > 0 {
					var cancel context.CancelFunc
					ctx, cancel = context.WithTimeout(ctx, row.ctx)
					defer cancel()
				}
				got, err := awaitCarrier(ctx, func() (bool, error) {
					if time.Since(start) < row.after {
						return false, nil
					}
					return row.connected, row.fails
				})
				assert.Equal(t, row.want, got)
				assert.ErrorIs(t, err, row.wantErr)
				assert.Equal(t, row.took, time.Since(start))
			})
		})
	}
}
