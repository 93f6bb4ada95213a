package elm

import (
	"context"
	"encoding/hex"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/obdtest"
	"underdash/obd/pid"
	"underdash/obd/poll"
)

// owning is an engine computer that knows the given parameters, one or several to a request.
func owning(pids []obd.PID, places int) func([]byte, time.Time) []byte {
	return func(r []byte, _ time.Time) []byte {
		if r[0] != 1 || len(r) > 1+places {
			return nil
		}
		out := []byte{0x41}
		for _, p := range r[1:] {
			if p%0x20 == 0 {
				var bitmap [4]byte
				for _, q := range pids {
					switch n := int(q) - int(p) - 1; {
					case n >= 0 && n < 32:
						bitmap[n/8] |= 0x80 >> (n % 8)
					case n >= 32:
						bitmap[3] |= 1
					}
				}
				out = append(append(out, p), bitmap[:]...)
			} else if n, ok := pid.Width(obd.PID(p)); ok && slices.Contains(pids, obd.PID(p)) {
				out = append(append(out, p), make([]byte, n)...)
			}
		}
		if len(out) == 1 {
			return nil
		}
		return out
	}
}

// recorder keeps what is written in one go.
type recorder struct {
	io.ReadWriteCloser
	writes []string
}

func (r *recorder) Write(b []byte) (int, error) {
	r.writes = append(r.writes, string(b))
	return r.ReadWriteCloser.Write(b)
}

// Whatever a car supports and whichever channels are wanted: no request that the poller builds is sent in a form that
// becomes an order by losing its beginning.
func TestWhatThePollerAsksBecomesNoOrder(t *testing.T) {
	lines := map[string]bool{}
	asked, steps, loads := 0, 0, 0
	for seed := range uint64(16) {
		random := rand.New(rand.NewPCG(seed, 9))
		some := slices.Clone(common)
		random.Shuffle(len(some), func(i, k int) { some[i], some[k] = some[k], some[i] })
		some = append(some[:4+random.IntN(30)], 0x0C)
		var channels []poll.Channel
		for _, p := range some {
			channels = append(channels, poll.Channel{PID: p, Class: poll.Class(random.IntN(3))})
		}
		places := []int{6, 6, 3, 1}[random.IntN(4)]
		protocol := []byte{'6', '6', '7', '5'}[random.IntN(4)]
		from := map[byte]obd.Address{'6': 0x7E8, '7': 0x18DAF110, '5': 0x10}[protocol]
		synctest.Test(t, func(t *testing.T) {
			a := obdtest.New(obdtest.Options{Baud: 115200, Protocol: protocol, ECUs: []obdtest.ECU{{Address: from, Answer: owning(some, places)}}})
			defer a.Wait()
			stream := &recorder{ReadWriteCloser: a.Dial()}
			c := New(stream, Options{})
			defer c.Close()
			_, err := c.Open(t.Context())
			require.NoError(t, err)
			found, err := poll.Discover(t.Context(), c)
			require.NoError(t, err)
			ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
			defer cancel()
			require.ErrorIs(t, poll.New(c, found, poll.Options{Channels: channels}).Run(ctx, func(poll.Reading) {}), context.DeadlineExceeded)
			for _, w := range stream.writes {
				line, ended := strings.CutSuffix(w, "\r")
				digits := strings.TrimSpace(line)
				if _, err := hex.DecodeString(digits[:len(digits)&^1]); err != nil || len(digits) < 2 {
					continue // a command, or a single character
				}
				asked++
				if body := digits[:len(digits)&^1]; digits[:2] == "01" && len(body) > 4 {
					b, err := hex.DecodeString(body)
					require.NoError(t, err)
					require.NotContains(t, b[1:], byte(0x04), "%s: it is asked alone", w)
				}
				if !ended { // the end comes when all of it has arrived
					if strings.HasPrefix(digits, "0104") {
						loads++
					} else {
						steps++
					}
					continue
				}
				lines[digits] = true
				requireHarmless(t, line, caution(digits[:2] != "01" || len(digits) < 6))
			}
		})
	}
	require.Greater(t, len(lines), 150)
	require.Less(t, steps, asked/20)
	require.Positive(t, loads)
	t.Logf("%d different lines, %d of %d requests in two steps, and %d for load", len(lines), steps, asked, loads)
}
