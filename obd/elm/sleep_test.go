package elm_test

import (
	"io"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

func TestSleep(t *testing.T) {
	for _, tt := range []struct {
		name string
		o    obdtest.Options
	}{
		{"settings are kept (firmware 2.1)", obdtest.Generation("2.1")},
		{"settings are lost (firmware 1.4b)", obdtest.Generation("1.4b")},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.ECUs = car('6', 8*time.Millisecond)
			withAdapter(t, tt.o, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
				require.ErrorIs(t, c.Sleep(t.Context()), elm.ErrNotOpen)
				asked := 0
				for range 3 {
					open(t, c)
					assert.Len(t, a.Requests(), asked, "nor does setting it up")
					_, err := c.Request(t.Context(), rpm)
					require.NoError(t, err)
					require.NoError(t, c.Sleep(t.Context()))
					synctest.Wait()
					assert.True(t, a.Asleep())
					asked = len(a.Requests())
					time.Sleep(time.Hour)
					_, err = c.Request(t.Context(), rpm)
					require.ErrorIs(t, err, elm.ErrNotOpen)
					_, err = c.Volts(t.Context())
					require.ErrorIs(t, err, elm.ErrNotOpen)
					assert.True(t, a.Asleep(), "nothing is said to it")
					assert.Len(t, a.Requests(), asked)
				}
				open(t, c)
				assert.False(t, a.Asleep())
				assert.Len(t, a.Requests(), asked, "waking it asks the car nothing")
				assert.Equal(t, 3, a.Heard().AT["PC"], "the session with the car is ended first")
			})
		})
	}
	t.Run("another connection wakes it", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			a := obdtest.New(obdtest.Options{ECUs: car('6', 8*time.Millisecond)})
			defer a.Wait()
			first := elm.New(a.Dial(), elm.Options{})
			open(t, first)
			require.NoError(t, first.Sleep(t.Context()))
			require.NoError(t, first.Close())
			time.Sleep(time.Hour)
			second := elm.New(a.Dial(), elm.Options{})
			open(t, second)
			_, err := second.Request(t.Context(), rpm)
			require.NoError(t, err)
			require.NoError(t, second.Close())
		})
	})
	t.Run("no such mode (firmware 1.3)", func(t *testing.T) {
		o := obdtest.Generation("1.3")
		o.ECUs = car('6', 8*time.Millisecond)
		withAdapter(t, o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
			open(t, c)
			require.ErrorIs(t, c.Sleep(t.Context()), elm.ErrRejected)
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
		})
	})
	t.Run("hangs instead", func(t *testing.T) {
		bubble(t, script(map[string]string{"ATLP": ""}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
			open(t, c)
			require.ErrorIs(t, c.Sleep(t.Context()), elm.ErrTimeout)
		})
	})
}

// pulseless hides that a stream can hold the line low; unwilling says that it cannot.
type (
	pulseless struct{ io.ReadWriteCloser }
	unwilling struct{ pulseless }
)

func (p pulseless) SetBaud(baud int) error {
	return p.ReadWriteCloser.(interface{ SetBaud(int) error }).SetBaud(baud)
}

func (unwilling) Pulse(time.Duration) error { return errStubborn }

// On a raised line a character is too quick to wake the adapter: the line is lowered first.
func TestSleepOnARaisedLine(t *testing.T) {
	for _, hide := range []func(io.ReadWriteCloser) io.ReadWriteCloser{
		func(s io.ReadWriteCloser) io.ReadWriteCloser { return s },
		func(s io.ReadWriteCloser) io.ReadWriteCloser { return pulseless{s} },
		func(s io.ReadWriteCloser) io.ReadWriteCloser { return unwilling{pulseless{s}} },
	} {
		synctest.Test(t, func(t *testing.T) {
			a := obdtest.New(obdtest.Options{Baud: 38400, ECUs: car('6', 8*time.Millisecond)})
			defer a.Wait()
			c := elm.New(hide(a.Dial()), elm.Options{Pace: pace38400, RaiseBaud: 115200})
			defer c.Close()
			for range 3 {
				info := open(t, c)
				require.Equal(t, 115200, info.Features.Baud)
				require.NoError(t, c.Sleep(t.Context()))
				synctest.Wait()
				require.True(t, a.Asleep())
				time.Sleep(time.Minute)
			}
			open(t, c)
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
		})
	}
}

// An adapter whose own rate is too quick needs a stream that can hold the line low.
func TestWakingByAPulse(t *testing.T) {
	withAdapter(t, obdtest.Options{Baud: 115200, ECUs: car('6', 8*time.Millisecond)}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		open(t, c)
		require.NoError(t, c.Sleep(t.Context()))
		time.Sleep(time.Minute)
		require.True(t, a.Asleep())
		open(t, c)
		assert.False(t, a.Asleep())
	})
}
