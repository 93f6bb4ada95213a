package elm_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

// speed asks for the road speed, which both computers know.
func speed(to obd.Address) obd.Request {
	return obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x0D}, To: to}
}

func TestFocus(t *testing.T) {
	for _, tt := range []struct {
		name     string
		o        obdtest.Options
		eo       elm.Options
		protocol byte
		focused  bool // requests go to one engine computer alone
		header   uint32
		headers  bool // they are still shown
	}{
		{"11 bit", obdtest.Options{}, elm.Options{}, '6', true, 0x7E0, false},
		{"29 bit", obdtest.Options{}, elm.Options{}, '7', true, 0x18DA10F1, false},
		{"11 bit, slow", obdtest.Options{}, elm.Options{}, '8', true, 0x7E0, false},
		{"29 bit, slow", obdtest.Options{}, elm.Options{}, '9', true, 0x18DA10F1, false},
		{"no filter without an identifier (firmware 1.3)", obdtest.Generation("1.3"), elm.Options{}, '6', true, 0x7E0, false},
		{"no filter at all", obdtest.Options{Refused: []string{"CRA"}}, elm.Options{}, '6', true, 0x7E0, false},
		{"a filter that cannot be taken away is not used", obdtest.Options{Refused: []string{"CRA.", "AR"}}, elm.Options{}, '6', true, 0x7E0, false},
		{"no address", obdtest.Options{Refused: []string{"SH"}}, elm.Options{}, '6', true, 0, false},
		{"an address that is agreed to and not used", obdtest.Options{Pretended: []string{"SH"}}, elm.Options{}, '6', true, 0, false},
		{"headers that stay", obdtest.Options{Refused: []string{"ATH0"}}, elm.Options{}, '6', true, 0x7E0, true},
		{"padding that is printed without headers", obdtest.Options{PrintPadding: true}, elm.Options{}, '6', true, 0x7E0, true},
		{"29 bit, padding that is printed without headers", obdtest.Options{PrintPadding: true, Padding: 0x55}, elm.Options{}, '7', true, 0x18DA10F1, true},
		{"neither address nor filter", obdtest.Options{Refused: []string{"SH", "CRA"}}, elm.Options{}, '6', false, 0, true},
		{"both agreed to and not done", obdtest.Options{Pretended: []string{"SH", "CRA"}}, elm.Options{}, '6', false, 0, true},
		{"not wanted", obdtest.Options{}, elm.Options{NoFocus: true}, '6', false, 0, true},
		{"an older bus", obdtest.Options{}, elm.Options{}, '5', false, 0, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.Protocol, tt.o.ECUs = tt.protocol, car(tt.protocol, 30*time.Millisecond)
			engineAt, gearboxAt := addresses(tt.protocol)
			withOptions(t, tt.o, tt.eo, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
				open(t, c)
				require.NoError(t, c.Focus(t.Context(), engineAt))
				both := fmt.Sprintf("%v:410D3F %v:410D3F", engineAt, gearboxAt)
				one := fmt.Sprintf("%v:410D3F", engineAt)
				for range 3 {
					answer, err := c.Request(t.Context(), speed(0))
					require.NoError(t, err)
					if !tt.focused {
						assert.Equal(t, both, show(answer.Messages))
						assert.Zero(t, c.Info().Focus)
						continue
					}
					assert.Equal(t, one, show(answer.Messages))
					assert.Equal(t, engineAt, c.Info().Focus)
					requests := a.Requests()
					assert.Equal(t, tt.header, requests[len(requests)-1].Header)
					answer, err = c.Request(t.Context(), ask(obd.VehicleInfo, 2))
					require.NoError(t, err)
					assert.Equal(t, fmt.Sprintf("%v:490201%X", engineAt, "1D4GP00R55B123456"), show(answer.Messages))
				}
				assert.Equal(t, tt.focused, c.Info().Features.Addressing)
				for range 2 { // and back and forth
					answer, err := c.Request(t.Context(), speed(obd.Everybody))
					require.NoError(t, err)
					assert.Equal(t, both, show(answer.Messages))
					answer, err = c.Request(t.Context(), speed(gearboxAt))
					require.NoError(t, err)
					assert.Equal(t, fmt.Sprintf("%v:410D3F", gearboxAt), show(answer.Messages))
					_, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0C}, To: gearboxAt})
					require.ErrorIs(t, err, obd.ErrNoAnswer, "the gearbox does not know it")
					answer, err = c.Request(t.Context(), speed(engineAt))
					require.NoError(t, err)
					assert.Equal(t, one, show(answer.Messages))
				}
				require.NoError(t, c.Focus(t.Context(), obd.Everybody))
				answer, err := c.Request(t.Context(), speed(0))
				require.NoError(t, err)
				assert.Equal(t, both, show(answer.Messages))
				assert.Zero(t, c.Info().Focus)
			})
		})
	}
}

func TestFocusOnNobody(t *testing.T) {
	withAdapter(t, obdtest.Options{ECUs: car('6', 8*time.Millisecond)}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
		require.ErrorIs(t, c.Focus(t.Context(), 0x7E8), elm.ErrNotOpen)
		open(t, c)
		for _, nobody := range []obd.Address{0x7EB, 0x123, 0x18DAF110, 0x10} {
			require.NoError(t, c.Focus(t.Context(), nobody))
			assert.Zero(t, c.Info().Focus)
			answer, err := c.Request(t.Context(), speed(0))
			require.NoError(t, err)
			assert.Len(t, answer.Messages, 2)
			_, err = c.Request(t.Context(), speed(nobody))
			require.ErrorIs(t, err, obd.ErrNoAnswer)
		}
		cancelled, cancel := context.WithCancel(t.Context())
		cancel()
		require.ErrorIs(t, c.Focus(cancelled, 0x7E8), context.Canceled)
	})
	withAdapter(t, obdtest.Options{ECUs: car('6', 8*time.Millisecond)[:1]}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
		open(t, c)
		require.NoError(t, c.Focus(t.Context(), 0x7EB))
		assert.Zero(t, c.Info().Focus)
		require.NoError(t, c.Focus(t.Context(), 0x7E8))
		assert.Equal(t, obd.Address(0x7E8), c.Info().Focus, "that nobody was there says nothing of the adapter")
	})
	withAdapter(t, obdtest.Options{}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
		open(t, c)
		require.NoError(t, c.Focus(t.Context(), 0x7E8), "a dead car is no fault of the connection")
		assert.Zero(t, c.Info().Focus)
	})
}

// One engine computer alone, whose frames are counted, is what polling is fast with.
func TestFocusSavesTime(t *testing.T) {
	took := func(focus bool) (d time.Duration) {
		withAdapter(t, obdtest.Options{Baud: 38400, ECUs: car('6', 5*time.Millisecond)}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
			open(t, c)
			if focus {
				require.NoError(t, c.Focus(t.Context(), 0x7E8))
			}
			for range 3 {
				_, err := c.Request(t.Context(), speed(0))
				require.NoError(t, err)
			}
			began := time.Now()
			_, err := c.Request(t.Context(), speed(0))
			require.NoError(t, err)
			d = time.Since(began)
		})
		return d
	}
	alone, all := took(true), took(false)
	t.Logf("%v alone, %v of all", alone, all)
	assert.Less(t, alone, all/2)
}

// Noise in one line costs that line's time, not the speed of all that follow. Where numbers of frames keep doing harm
// the adapter must not wait for as long as it does where it is told them, and they come back later.
func TestDisturbedLinesDoNotSlowDown(t *testing.T) {
	lose := func() int { return 0 } // of " 010D1" five characters leave a 1, which is answered with ?
	o := obdtest.Options{Baud: 38400, ECUs: car('6', 5*time.Millisecond), Lose: func() int { return lose() }}
	withAdapter(t, o, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		open(t, c)
		require.NoError(t, c.Focus(t.Context(), 0x7E8))
		took := func() time.Duration { // per request, on average
			began := time.Now()
			for range 20 {
				answer, err := c.Request(t.Context(), speed(0))
				require.NoError(t, err)
				require.Equal(t, "7E8:410D3F", show(answer.Messages))
			}
			return time.Since(began) / 20
		}
		disturb := func(lines int) { // every other line, which spares those that are asked again
			n := 0
			lose = func() int {
				if n++; n < 2*lines && n%2 == 1 {
					return 5
				}
				return 0
			}
		}
		took() // the count is learned
		before := took()
		disturb(1)
		took()
		assert.InEpsilon(t, before, took(), 0.01, "after one disturbed line")
		assert.True(t, c.Info().Features.Count)

		disturb(3)
		took()
		assert.False(t, c.Info().Features.Count)
		without := took()
		t.Logf("%v with a count, %v without", before, without)
		assert.Less(t, without, 4*before, "102 ms would be seven times as long")
		time.Sleep(2 * time.Minute)
		took()
		assert.InEpsilon(t, before, took(), 0.01, "and back")
		requests := a.Requests()
		assert.Equal(t, 1, requests[len(requests)-1].Count)
	})
}

// To turn to another engine computer and back asks the car nothing once it is known to work.
func TestTurningToAnother(t *testing.T) {
	withAdapter(t, obdtest.Options{Baud: 38400, ECUs: car('6', 5*time.Millisecond)}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		open(t, c)
		require.NoError(t, c.Focus(t.Context(), 0x7E8))
		for range 2 {
			_, err := c.Request(t.Context(), speed(0x7E9))
			require.NoError(t, err)
			_, err = c.Request(t.Context(), speed(0))
			require.NoError(t, err)
		}
		before := len(a.Requests())
		for range 5 {
			for _, to := range []obd.Address{obd.Everybody, 0x7E9, 0} {
				answer, err := c.Request(t.Context(), speed(to))
				require.NoError(t, err)
				assert.Len(t, answer.Messages, map[obd.Address]int{obd.Everybody: 2, 0x7E9: 1, 0: 1}[to])
			}
		}
		assert.Equal(t, 15, len(a.Requests())-before)
	})
}

// Told the answer's length, the connection counts from the first request on; told wrong, it learns.
func TestExpectedLength(t *testing.T) {
	for _, tt := range []struct {
		name  string
		bytes int
		want  []int // counts sent
	}{
		{"right", 4 + 2 + 2, []int{2, 2, 2, 2}},
		{"too long", 20, []int{3, 0, 2, 2}},
		{"too short", 4, []int{1, 0, 0, 2}}, // the second meets the first's other frame
		{"not known", 0, []int{0, 2, 2, 2}},
		{"beyond a digit", 1000, []int{0, 2, 2, 2}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			withAdapter(t, obdtest.Options{ECUs: car('6', 5*time.Millisecond)}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
				open(t, c)
				require.NoError(t, c.Focus(t.Context(), 0x7E8))
				r := obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x0C, 0x05, 0x0D}, Bytes: tt.bytes}
				before := len(a.Requests())
				for i := range tt.want {
					answer, err := c.Request(t.Context(), r)
					if tt.name == "too short" && i == 0 {
						require.ErrorIs(t, err, obd.ErrNoAnswer, "the second frame was not waited for")
						continue
					}
					if tt.name == "too short" && i == 1 {
						continue
					}
					require.NoError(t, err)
					assert.Equal(t, "7E8:410C1AF8053F0D3F", show(answer.Messages))
				}
				var sent []int
				for _, q := range a.Requests()[before:] {
					sent = append(sent, q.Count)
				}
				assert.Equal(t, tt.want, sent)
			})
		})
	}
}

// A count of one where two answer makes the second one's answer the first line of the next: it must never be taken for
// the engine's.
func TestForeignAnswers(t *testing.T) {
	quick, slow := func() time.Duration { return 2 * time.Millisecond }, func() time.Duration { return 20 * time.Millisecond }
	two := func(value byte) func([]byte, time.Time) []byte {
		return func(r []byte, _ time.Time) []byte {
			switch {
			case bytes.Equal(r, []byte{1, 0}):
				return []byte{0x41, 0, 0xFF, 0xFF, 0xFF, 0xFF}
			case r[0] == 1 && len(r) == 2:
				return []byte{0x41, r[1], value}
			}
			return nil
		}
	}
	o := obdtest.Options{ECUs: []obdtest.ECU{{Address: 0x7E8, Answer: two(0xE8), Delay: quick}, {Address: 0x7E9, Answer: two(0xE9), Delay: slow}}}
	for _, focus := range []bool{false, true} {
		withAdapter(t, o, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			open(t, c)
			if focus {
				require.NoError(t, c.Focus(t.Context(), 0x7E8))
			}
			for i := range 200 {
				pid := obd.PID(0x05 + i%3)
				answer, err := c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{pid}, Bytes: 3})
				require.NoError(t, err)
				for _, m := range answer.Messages {
					require.Equal(t, []byte{0x41, byte(pid), byte(m.From)}, m.Payload)
				}
			}
		})
	}
}

// Whenever a caller gives up, the connection is in order for the next one.
func TestInterruptedAnywhere(t *testing.T) {
	for _, o := range []obdtest.Options{{}, obdtest.Generation("1.3"), obdtest.Generation("1.0"), {Protocol: '7'}, {Protocol: '4'}} {
		random := rand.New(rand.NewPCG(5, 5))
		protocol := o.Protocol
		if protocol == 0 {
			protocol = '6'
		}
		engineAt, gearboxAt := addresses(protocol)
		o.ECUs = car(protocol, 20*time.Millisecond)
		for i := range o.ECUs {
			next := o.ECUs[i].Answer
			o.ECUs[i].Answer = func(r []byte, at time.Time) []byte {
				if bytes.Equal(r, []byte{9, 4}) {
					return []byte{0x49, 4, 1, 'C'}
				}
				return next(r, at)
			}
		}
		o.ECUs[0].Pending = func(r []byte) time.Duration {
			if r[0] == 9 && r[1] == 4 {
				return 300 * time.Millisecond
			}
			return 0
		}
		withAdapter(t, o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
			open(t, c)
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			requests := []obd.Request{speed(0), speed(engineAt), speed(gearboxAt), speed(obd.Everybody), ask(obd.VehicleInfo, 4), ask(obd.VehicleInfo, 2)}
			for range 150 {
				ctx, cancel := context.WithTimeout(t.Context(), time.Duration(random.IntN(120_000))*time.Microsecond)
				if r := requests[random.IntN(len(requests))]; random.IntN(4) > 0 {
					_, err = c.Request(ctx, r)
				} else {
					err = c.Focus(ctx, r.To)
				}
				cancel()
				if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
					require.ErrorIs(t, err, context.DeadlineExceeded)
				}
				if random.IntN(8) > 0 {
					continue
				}
				// Whatever was going on: everybody answers, and then one alone. The first may meet what was left over.
				for _, r := range []obd.Request{speed(obd.Everybody), speed(obd.Everybody), speed(engineAt)} {
					var answer obd.Answer
					for range 3 { // a late frame may spoil one
						if answer, err = c.Request(t.Context(), r); err == nil {
							break
						}
					}
					require.NoError(t, err)
					if r.To == engineAt {
						require.Equal(t, fmt.Sprintf("%v:410D3F", engineAt), show(answer.Messages))
					} else {
						require.Contains(t, show(answer.Messages), "410D3F")
					}
				}
			}
			answer, err := c.Request(t.Context(), speed(obd.Everybody))
			require.NoError(t, err)
			require.Len(t, answer.Messages, 2)
		})
	}
}

// An adapter without headers is focused on the engine's usual address by itself, but not against the caller's choice.
func TestFocusIsTheCallersWithoutHeaders(t *testing.T) {
	withAdapter(t, obdtest.Options{Refused: []string{"H"}, ECUs: car('6', 8*time.Millisecond)}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		_, err := c.Open(t.Context())
		require.NoError(t, err)
		require.NoError(t, c.Focus(t.Context(), obd.Everybody))
		for range 2 {
			_, err = c.Request(t.Context(), ask(obd.CurrentData, 0x0C))
			require.NoError(t, err)
			assert.Zero(t, c.Info().Focus)
			a.SetFault(obdtest.SleepingBus) // the car is looked for again
			_, err = c.Request(t.Context(), ask(obd.CurrentData, 0x0C))
			require.ErrorIs(t, err, obd.ErrNoAnswer)
			a.SetFault(obdtest.NoFault)
		}
		require.NoError(t, c.Focus(t.Context(), 0x7E8))
		assert.Equal(t, obd.Address(0x7E8), c.Info().Focus)
	})
}
