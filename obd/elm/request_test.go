package elm_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
)

func TestRequest(t *testing.T) {
	for _, tt := range []struct {
		name    string
		reply   string // to 010C
		replies map[string]string
		want    string
		err     error
		healthy bool // errors that are obd.ErrNoAnswer
	}{
		{name: "an answer", reply: "7E804410C1AF8||>", want: "7E8:410C1AF8"},
		{name: "two engine computers", reply: "7E804410C1AF8|7E904410C1AF4||>", want: "7E8:410C1AF8 7E9:410C1AF4"},
		{name: "a stray beside it", reply: "7E803410D34|7E804410C1AF8||>", want: "7E8:410C1AF8"},
		{name: "a stray alone", reply: "7E803410D34||>", err: obd.ErrNoAnswer, healthy: true},
		{name: "one refuses, one answers", reply: "7EC037F010C|7EC037F0112|7E804410C1AF8||>", want: "7E8:410C1AF8"},
		{name: "refused", reply: "7E8037F0112||>", err: elm.ErrRefused, healthy: true},
		{name: "search first", reply: "SEARCHING...~~~~7E804410C1AF8||>", want: "7E8:410C1AF8"},
		{name: "long search", reply: "SEARCHING..." + strings.Repeat("~", 250) + "|7E804410C1AF8||>", want: "7E8:410C1AF8"},
		{name: "no data", reply: "NO DATA||>", err: obd.ErrNoAnswer, healthy: true},
		{name: "nothing", reply: "||>", err: obd.ErrNoAnswer, healthy: true},
		{name: "search in vain", reply: "SEARCHING...~~|UNABLE TO CONNECT||>", err: elm.ErrUnableToConnect, healthy: true},
		{name: "bus asleep", reply: "CAN ERROR||>", err: elm.ErrBus, healthy: true},
		{name: "initialisation failed", reply: "BUS INIT: ...ERROR||>", err: elm.ErrBus, healthy: true},
		{name: "damaged", reply: "7E804410C1A<RX ERROR||>", err: elm.ErrGarbled, healthy: true},
		{name: "overflow beside a whole line", reply: "7E804410C1AF8|BUFFER FULL||>", err: elm.ErrOverflow, healthy: true},
		{name: "stopped", reply: "STOPPED||>", err: elm.ErrStopped, healthy: true},
		{name: "not understood", reply: "?||>", err: elm.ErrRejected, healthy: true},
		{name: "hangs in the middle of the answer", reply: "7E8044^", err: elm.ErrAborted, healthy: true},
		{name: "hangs after the answer", reply: "7E804410C1AF8|^", want: "7E8:410C1AF8"},
		{name: "reset by low voltage", reply: "|LV RESET||>", err: elm.ErrReset},
		{name: "goes to sleep", reply: "LP ALERT||>", err: elm.ErrAsleep},
		{name: "a fault", reply: "ERR93||>", err: elm.ErrFault},
		{name: "wiring", reply: "FB ERROR||>", err: elm.ErrFault},
		{name: "never prompts again", reply: "7E8044", err: elm.ErrTimeout},
		{name: "an older bus", reply: "BUS INIT: ...OK|486B10410C1AF822||>", replies: map[string]string{"ATDPN": "A3||>"}, want: "10:410C1AF8"},
		{name: "headers are not known", reply: "~410C1AF8||>", replies: map[string]string{"ATH1": "?||>", "0100": "4100BE3EB811||>", "01001": "4100BE3EB811||>"}, want: "7E8:410C1AF8"},
		{name: "nobody can be asked alone, and headers are not known", reply: "410C1AF8||>", replies: map[string]string{
			"ATH1": "?||>", "0100": "4100BE3EB811||>", "01001": "4100BE3EB811||>", "ATSH7E0": "?||>", "ATCRA7E8": "?||>"}, want: "0:410C1AF8"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			replies := map[string]string{"010C": tt.reply}
			for k, v := range tt.replies {
				replies[k] = v
			}
			bubble(t, script(replies), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
				open(t, c)
				a, err := c.Request(t.Context(), rpm)
				require.ErrorIs(t, err, tt.err)
				assert.Equal(t, tt.want, show(a.Messages))
				assert.Equal(t, tt.healthy, errors.Is(err, obd.ErrNoAnswer))
				if err != nil {
					var e *elm.Error
					require.ErrorAs(t, err, &e)
					assert.Equal(t, "010C", e.Sent)
					if tt.reply != "?||>" {
						said, _, _ := strings.Cut(strings.Trim(tt.reply, "^"), "~")
						assert.True(t, strings.HasPrefix(e.Heard, strings.ReplaceAll(said, "|", "\r")), e.Heard)
					}
				}
				if tt.healthy { // the next one must not be disturbed
					v, err := c.Volts(t.Context())
					assert.NoError(t, err)
					assert.InDelta(t, 12.6, v, 1e-9)
				}
			})
		})
	}
}

func TestInfoAfterTheFirstAnswer(t *testing.T) {
	bubble(t, script(map[string]string{"010C": "SEARCHING...~|7E804410C1AF8||>"}), elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
		open(t, c)
		for range 3 {
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
		}
		info := c.Info()
		assert.Equal(t, "6", info.Protocol)
		assert.Equal(t, "ISO 15765-4 CAN (11 bit, 500 kbit/s)", info.ProtocolName)
		assert.Equal(t, 1, strings.Count(strings.Join(f.heard(), " "), "ATDPN"), "asked once")
	})
}

func TestWhenAnAnswerCame(t *testing.T) {
	bubble(t, script(map[string]string{"010C": "~~7E804410C1AF8|~|>"}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
		open(t, c)
		before := time.Now()
		a, err := c.Request(t.Context(), rpm)
		require.NoError(t, err)
		assert.Equal(t, before, a.Sent)
		assert.Equal(t, 200*time.Millisecond, a.First.Sub(a.Sent))
		assert.Equal(t, 300*time.Millisecond, a.Done.Sub(a.Sent))
		assert.Equal(t, 1, a.Frames)
		// By ISO 11898-1 without stuffing: 44 bits and three bytes of the request, 44 bits and five bytes of the answer.
		assert.Equal(t, 68*2*time.Microsecond, a.Earliest.Sub(a.Sent))
		assert.Equal(t, 200*time.Millisecond-84*2*time.Microsecond, a.Latest.Sub(a.Sent))
	})
}

// A time-out must end, whatever the adapter does, within the time that the options give.
func TestTimeouts(t *testing.T) {
	for _, tt := range []struct {
		name, reply string
		want        time.Duration
	}{
		{"before the car was found: a search, and the usual time for one protocol", "^", 32 * time.Second},
		{"never prompts", "7E8", 31 * time.Second},
		{"more time", "7E8037F0178|" + strings.Repeat("~", 400), 35500 * time.Millisecond},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, script(map[string]string{"0100": tt.reply}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
				open(t, c)
				began := time.Now()
				_, err := c.Request(t.Context(), rpm)
				require.Error(t, err)
				assert.Equal(t, tt.want, time.Since(began))
			})
		})
	}
	t.Run("once the car was found", func(t *testing.T) {
		hang := false
		reply := func(line string) string {
			if hang && strings.HasPrefix(line, "010D") {
				return "^"
			}
			return usual(line)
		}
		bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
			open(t, c)
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			hang = true
			began := time.Now()
			_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0D}})
			require.ErrorIs(t, err, elm.ErrAborted)
			assert.Equal(t, 2*time.Second, time.Since(began))
		})
	})
}

func TestCancelledRequest(t *testing.T) {
	for _, tt := range []struct {
		name, reply string
		wait        time.Duration // between the cancelling and the next call
	}{
		{"the adapter still works on it", strings.Repeat("~", 100) + "7E804410C1AF8||>", 0},
		{"it has answered in the meantime", "~~~7E804410C1AF8||>", time.Second},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, script(map[string]string{"010C": tt.reply}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
				open(t, c)
				ctx, cancel := context.WithTimeout(t.Context(), 150*time.Millisecond)
				defer cancel()
				began := time.Now()
				_, err := c.Request(ctx, rpm)
				require.ErrorIs(t, err, context.DeadlineExceeded)
				assert.Equal(t, 150*time.Millisecond, time.Since(began))
				time.Sleep(tt.wait)
				v, err := c.Volts(t.Context())
				require.NoError(t, err)
				assert.InDelta(t, 12.6, v, 1e-9)
			})
		})
	}
}

func TestUnaskedReset(t *testing.T) {
	for _, unasked := range []string{"||LV RESET||>", "||ELM327 v1.5||>"} {
		n := 0
		reply := func(line string) string {
			if strings.HasPrefix(line, "010C") {
				if n++; n == 2 {
					return usual(line) + "~" + unasked
				}
			}
			return usual(line)
		}
		bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
			open(t, c)
			for range 2 {
				_, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
			}
			time.Sleep(time.Second)
			_, err := c.Request(t.Context(), rpm)
			require.ErrorIs(t, err, elm.ErrReset)
			_, err = c.Request(t.Context(), rpm)
			require.ErrorIs(t, err, elm.ErrNotOpen)
			open(t, c)
			_, err = c.Request(t.Context(), rpm)
			require.NoError(t, err, "set up again")
		})
	}
}

func TestRejectedOnce(t *testing.T) {
	n := 0
	reply := func(line string) string {
		if line == "010C" {
			if n++; n == 1 {
				return "?||>"
			}
		}
		return usual(line)
	}
	bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
		open(t, c)
		_, err := c.Request(t.Context(), rpm)
		require.NoError(t, err, "noise in one line is nobody's business")
	})
}
