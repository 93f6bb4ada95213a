package elm_test

import (
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
)

func TestClose(t *testing.T) {
	t.Run("wakes a request", func(t *testing.T) {
		bubble(t, script(map[string]string{"010C": "^"}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
			open(t, c)
			failed := make(chan error)
			go func() {
				_, err := c.Request(t.Context(), rpm)
				failed <- err
			}()
			synctest.Wait()
			require.NoError(t, c.Close())
			assert.ErrorIs(t, <-failed, elm.ErrClosed)
			_, err := c.Volts(t.Context())
			assert.ErrorIs(t, err, elm.ErrClosed)
			_, err = c.Open(t.Context())
			assert.ErrorIs(t, err, elm.ErrClosed)
			assert.NoError(t, c.Close(), "again")
		})
	})
	t.Run("never opened", func(t *testing.T) {
		bubble(t, usual, elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
			assert.NoError(t, c.Close())
		})
	})
	t.Run("an adapter that stopped reading", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			near, far := net.Pipe()
			defer far.Close()
			c := elm.New(near, elm.Options{})
			_, err := c.Open(t.Context())
			require.ErrorIs(t, err, elm.ErrNotAdapter)
			require.NoError(t, c.Close())
		})
	})
}

func TestLostStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		f := &fake{reply: usual}
		var served sync.WaitGroup
		served.Go(func() { f.serve(far) })
		c := elm.New(near, elm.Options{})
		defer c.Close()
		open(t, c)
		require.NoError(t, far.Close())
		served.Wait()
		synctest.Wait() // until the reader has met the end
		_, err := c.Request(t.Context(), rpm)
		require.Error(t, err)
		assert.NotErrorIs(t, err, obd.ErrNoAnswer)
		assert.NotErrorIs(t, err, elm.ErrClosed)
		assert.ErrorIs(t, err, io.EOF)
	})
}

func TestNotAllowedIsNotSent(t *testing.T) {
	bubble(t, usual, elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
		open(t, c)
		before := len(f.heard())
		for _, r := range []obd.Request{{Service: 4}, {Service: 8, PIDs: []obd.PID{1}}, {Service: 0x14}, {}} {
			_, err := c.Request(t.Context(), r)
			assert.ErrorIs(t, err, elm.ErrNotAllowed)
		}
		synctest.Wait()
		assert.Len(t, f.heard(), before)
	})
}

func TestCounts(t *testing.T) {
	t.Run("learned from a clean answer", func(t *testing.T) {
		bubble(t, usual, elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
			open(t, c)
			for range 4 {
				a, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
				require.Len(t, a.Messages, 1)
			}
			assert.Equal(t, " 0100  01001  010C  010C1  010C1  010C1", strings.Join(f.heard()[len(f.heard())-6:], " "))
			assert.True(t, c.Info().Features.Count)
		})
	})
	t.Run("not with two engine computers", func(t *testing.T) {
		bubble(t, script(map[string]string{"010C": "7E804410C1AF8|7E904410C1AF4||>"}), elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
			open(t, c)
			for range 4 {
				_, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
			}
			assert.NotContains(t, f.heard(), " 010C2")
		})
	})
	t.Run("not wanted", func(t *testing.T) {
		bubble(t, usual, elm.Options{NoCount: true}, func(t *testing.T, c *elm.Conn, f *fake) {
			open(t, c)
			for range 4 {
				_, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
			}
			assert.NotContains(t, f.heard(), " 010C1")
		})
	})
	t.Run("not known to the adapter", func(t *testing.T) {
		bubble(t, script(map[string]string{"01001": "?||>", "010C1": "?||>"}), elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
			open(t, c)
			for range 200 {
				_, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
				time.Sleep(time.Second)
			}
			assert.Equal(t, 2, strings.Count(strings.Join(f.heard(), " "), "01001"), "one might be noise")
			assert.NotContains(t, f.heard(), " 010C1")
			assert.False(t, c.Info().Features.Count)
		})
	})
	t.Run("one disturbed line while it is tried out", func(t *testing.T) {
		n := 0
		reply := func(line string) string {
			if line == "01001" {
				if n++; n == 1 {
					return "?||>"
				}
			}
			return usual(line)
		}
		bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
			open(t, c)
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			assert.True(t, c.Info().Features.Count)
		})
	})
	t.Run("not known to the adapter for one request", func(t *testing.T) {
		bubble(t, script(map[string]string{"010C1": "?||>"}), elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
			open(t, c)
			for range 6 {
				_, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
			}
			assert.Equal(t, 3, strings.Count(strings.Join(f.heard(), " "), "010C1"), "then given up")
		})
	})
	t.Run("given up when strays keep coming, and tried again later", func(t *testing.T) {
		n, disturbed := 0, func(n int) bool { return n%2 == 0 }
		reply := func(line string) string {
			if line == "010C1" {
				if n++; disturbed(n) {
					return "7E903410D34||>"
				}
			}
			return usual(line)
		}
		bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
			open(t, c)
			ask := func(times int) (failures int) {
				for range times {
					if _, err := c.Request(t.Context(), rpm); err != nil {
						require.ErrorIs(t, err, obd.ErrNoAnswer)
						failures++
					}
				}
				return failures
			}
			assert.Equal(t, 3, ask(20))
			assert.Equal(t, 6, n, "asked without a count from then on")
			assert.False(t, c.Info().Features.Count)
			time.Sleep(61 * time.Second)
			assert.Equal(t, 3, ask(20))
			assert.Equal(t, 12, n)
			time.Sleep(61 * time.Second)
			assert.Zero(t, ask(20), "the second time it takes longer")
			disturbed = func(n int) bool { return n%50 == 0 }
			time.Sleep(61 * time.Second)
			before := n
			assert.LessOrEqual(t, ask(1000), 20, "strays that are rare do not add up")
			assert.Greater(t, n-before, 950)
			assert.True(t, c.Info().Features.Count)
		})
	})
}

func TestVolts(t *testing.T) {
	for _, tt := range []struct {
		name, reply string
		want        float64
		err         error
	}{
		{"as usual", "14.2V||>", 14.2, nil},
		{"small letter and space", "14.2 v||>", 14.2, nil},
		{"not known", "?||>", 0, elm.ErrRejected},
		{"nonsense", "VOLTAGE||>", 0, elm.ErrGarbled},
		{"out of range", "999.9V||>", 0, elm.ErrGarbled},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, script(map[string]string{"ATRV": tt.reply}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
				open(t, c)
				v, err := c.Volts(t.Context())
				require.ErrorIs(t, err, tt.err)
				assert.InDelta(t, tt.want, v, 1e-9)
			})
		})
	}
}

func TestTurns(t *testing.T) {
	bubble(t, script(map[string]string{"010C": "~7E804410C1AF8||>", "ATRV": "~12.6V||>"}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
		open(t, c)
		var all sync.WaitGroup
		for range 5 {
			all.Go(func() {
				_, err := c.Volts(t.Context())
				assert.NoError(t, err)
			})
			all.Go(func() {
				_, err := c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0D}})
				assert.ErrorIs(t, err, obd.ErrNoAnswer)
			})
		}
		all.Wait()
	})
}
