package elm

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/obdtest"
)

// knowing is an engine computer that answers everything it is asked, orders too.
func knowing(r []byte, _ time.Time) []byte {
	switch {
	case len(r) < 2:
		return []byte{r[0] + 0x40}
	case r[0] == 9:
		return append([]byte{0x49, r[1], 1}, "VRTL-20NA-E10-17"...)
	}
	out := []byte{r[0] + 0x40}
	for _, p := range r[1:] {
		out = append(out, p, 0)
	}
	return out
}

func onAdapter(t *testing.T, o obdtest.Options, test func(t *testing.T, c *Conn, a *obdtest.Adapter)) {
	t.Helper()
	o.ECUs = []obdtest.ECU{{Address: 0x7E8, Answer: knowing}}
	synctest.Test(t, func(t *testing.T) {
		a := obdtest.New(o)
		c := New(a.Dial(), Options{Pace: 10 * time.Second / 38400})
		defer a.Wait()
		defer c.Close()
		test(t, c, a)
	})
}

// What could become an order is asked all the same, in two steps.
func TestInTwoSteps(t *testing.T) {
	for _, tt := range []struct {
		name string
		r    obd.Request
		want string
	}{
		{"calibration identification", obd.Request{Service: 9, PIDs: []obd.PID{4}}, "490401"},
		{"in-use counters", obd.Request{Service: 9, PIDs: []obd.PID{8}}, "490801"},
		{"a freeze frame's load", obd.Request{Service: 2, PIDs: []obd.PID{4, 0}}, "4204000000"},
		{"load", obd.Request{Service: 1, PIDs: []obd.PID{4}}, "410400"},
		{"bank 2 trim", obd.Request{Service: 1, PIDs: []obd.PID{8}, Bytes: 3}, "410800"},
		{"load in a group", obd.Request{Service: 1, PIDs: []obd.PID{0x0C, 4, 0x0D}}, "410C0004000D00"},
		{"a group that has no other way", obd.Request{Service: 1, PIDs: []obd.PID{0x31, 0x32}}, "4131003200"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, o := range []obdtest.Options{{}, {Refused: []string{"E"}}, {Refused: []string{"S", "L"}}} {
				onAdapter(t, o, func(t *testing.T, c *Conn, a *obdtest.Adapter) {
					_, err := c.Open(t.Context())
					require.NoError(t, err)
					for range 3 {
						answer, err := c.Request(t.Context(), tt.r)
						require.NoError(t, err)
						got := strings.ToUpper(hex.EncodeToString(answer.Messages[0].Payload))
						assert.True(t, strings.HasPrefix(got, tt.want), got)
						at, half := answer.Instant()
						assert.Less(t, half, 20*time.Millisecond)
						assert.False(t, at.Before(answer.Sent))
						// and the usual way in between
						_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0C}})
						require.NoError(t, err)
					}
					assert.Zero(t, a.Heard().Stopped)
					assert.False(t, c.pace.disproved, "an echo is no reply")
				})
			}
		})
	}
}

func TestNotProven(t *testing.T) {
	lose := 0
	for _, o := range []obdtest.Options{{NoEcho: true}, {Refused: []string{"ATE1"}}, {Lose: func() int { return lose }}} {
		lose = 0
		onAdapter(t, o, func(t *testing.T, c *Conn, a *obdtest.Adapter) {
			_, err := c.Open(t.Context())
			require.NoError(t, err)
			_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0C}})
			require.NoError(t, err)
			if o.Lose != nil {
				_, err = c.set(t.Context(), echoOn) // or that would be what is lost
				require.NoError(t, err)
				c.echoes = true
			}
			asked := len(a.Requests())
			lose = 3 // the space and the 0 and the 9
			_, err = c.Request(t.Context(), obd.Request{Service: 9, PIDs: []obd.PID{4}})
			require.ErrorIs(t, err, ErrUnproven)
			require.ErrorIs(t, err, obd.ErrNoAnswer)
			assert.Len(t, a.Requests(), asked, "nothing was sent to the car")
			lose = 0
			_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0C}})
			require.NoError(t, err)
		})
	}
}

// What is left of a line must not be ended before something meaningless is proven to stand behind it.
func TestTakenBack(t *testing.T) {
	load := obd.Request{Service: 1, PIDs: []obd.PID{4}}
	for _, tt := range []struct {
		name string
		lost []int // of each thing said from the request on: the command that switches the echo on, the request, what voids it
		err  error
	}{
		{"the beginning is lost", []int{0, 3}, ErrUnproven},
		{"and what voids it, but for a character", []int{0, 3, 3}, ErrUnproven},
		{"and what voids it, twice", []int{0, 3, 4, 4}, ErrUnproven},
		{"and whatever voids it, and of the next call all that is no space", []int{0, 3, 4, 4, 4, 15}, ErrTimeout},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var lost []int
			o := obdtest.Options{Lose: func() (n int) {
				if len(lost) > 0 {
					n, lost = lost[0], lost[1:]
				}
				return n
			}}
			onAdapter(t, o, func(t *testing.T, c *Conn, a *obdtest.Adapter) {
				_, err := c.Open(t.Context())
				require.NoError(t, err)
				_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0C}})
				require.NoError(t, err)
				lost = tt.lost
				_, err = c.Request(t.Context(), load)
				require.ErrorIs(t, err, tt.err)
				if tt.err == ErrTimeout {
					_, err = c.Open(t.Context())
					require.NoError(t, err)
				}
				assert.Empty(t, lost)
				answer, err := c.Request(t.Context(), load)
				require.NoError(t, err)
				assert.Equal(t, []byte{0x41, 4, 0}, answer.Messages[0].Payload)
				assert.Zero(t, a.Heard().Services[4], "trouble codes are cleared")
			})
		})
	}
}

// Of an adapter that shows no echo nothing is asked that would have to be proven by it, so that nothing need be taken back.
func TestWithoutAnEchoNothingIsBegun(t *testing.T) {
	onAdapter(t, obdtest.Options{NoEcho: true}, func(t *testing.T, c *Conn, a *obdtest.Adapter) {
		_, err := c.Open(t.Context())
		require.NoError(t, err)
		_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0C}})
		require.NoError(t, err)
		unknown := a.Heard().Unknown
		_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{4}})
		require.ErrorIs(t, err, ErrUnproven)
		assert.Equal(t, unknown, a.Heard().Unknown, "a line that was taken back")
	})
}

// One engine computer alone, whose frames are counted, answers in two steps without waiting for another frame either.
func TestInTwoStepsWithACount(t *testing.T) {
	onAdapter(t, obdtest.Options{}, func(t *testing.T, c *Conn, a *obdtest.Adapter) {
		_, err := c.Open(t.Context())
		require.NoError(t, err)
		require.NoError(t, c.Focus(t.Context(), 0x7E8))
		for range 3 {
			answer, err := c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{4}, Bytes: 3})
			require.NoError(t, err)
			assert.Equal(t, []byte{0x41, 4, 0}, answer.Messages[0].Payload)
			requests := a.Requests()
			assert.Equal(t, 1, requests[len(requests)-1].Count)
			assert.Less(t, answer.Done.Sub(answer.Sent), 30*time.Millisecond, "the adapter would wait 102 ms")
		}
	})
}

// An adapter that loses the beginnings of what it is told, any number of characters, never passes an order on to the car.
func TestNoOrderReachesTheCar(t *testing.T) {
	for seed := range uint64(6) {
		random := rand.New(rand.NewPCG(seed, 7))
		lossy := false
		o := obdtest.Options{Lose: func() int {
			if !lossy || random.IntN(3) > 0 {
				return 0
			}
			return random.IntN(16)
		}}
		onAdapter(t, o, func(t *testing.T, c *Conn, a *obdtest.Adapter) {
			_, err := c.Open(t.Context())
			require.NoError(t, err)
			require.NoError(t, c.Focus(t.Context(), 0x7E8))
			lossy = true
			for range 300 {
				r := obd.Request{Service: 1}
				switch random.IntN(5) {
				case 0:
					r = obd.Request{Service: 9, PIDs: []obd.PID{obd.PID(random.IntN(12))}}
				case 1:
					r = obd.Request{Service: 2, PIDs: []obd.PID{common[random.IntN(len(common))], 0}}
				default:
					for range 1 + random.IntN(6) {
						r.PIDs = append(r.PIDs, common[random.IntN(len(common))])
					}
					r.Bytes = 1 + 2*len(r.PIDs)
				}
				_, err := c.Request(t.Context(), r)
				require.NotErrorIs(t, err, ErrHazard)
				if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
					_, err = c.Open(t.Context())
					if err != nil && !errors.Is(err, ErrReset) { // a line of which nothing is left repeats the restart
						require.ErrorIs(t, err, ErrNotAdapter)
					}
				}
			}
			cut := 0
			for _, q := range a.Requests() {
				line := strings.ToUpper(hex.EncodeToString(q.Data))
				if q.Count > 0 {
					line += fmt.Sprintf("%X", q.Count)
				}
				if q.Data[0] != 1 && q.Data[0] != 9 && q.Data[0] != 2 {
					cut++
				}
				require.False(t, harmful(line, byTest), line)
			}
			assert.Positive(t, cut, "requests did lose their beginning")
		})
	}
}
