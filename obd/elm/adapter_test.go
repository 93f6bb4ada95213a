package elm_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

// engine answers a few questions with bytes that never change.
func engine(request []byte, _ time.Time) []byte {
	switch {
	case bytes.Equal(request, []byte{1, 0}):
		return []byte{0x41, 0x00, 0xBE, 0x3E, 0xB8, 0x11}
	case bytes.Equal(request, []byte{9, 2}):
		return append([]byte{0x49, 0x02, 0x01}, "1D4GP00R55B123456"...)
	case request[0] == 1:
		out := []byte{0x41}
		for _, p := range request[1:] {
			switch p {
			case 0x04, 0x0D:
				out = append(out, p, 0x3F)
			case 0x0C:
				out = append(out, p, 0x1A, 0xF8)
			}
		}
		if len(out) > 1 {
			return out
		}
	}
	return nil
}

// gearbox knows its bitmap and the road speed.
func gearbox(request []byte, _ time.Time) []byte {
	switch {
	case bytes.Equal(request, []byte{1, 0}):
		return []byte{0x41, 0x00, 0x80, 0x08, 0x00, 0x00}
	case bytes.Equal(request, []byte{1, 0x0D}):
		return []byte{0x41, 0x0D, 0x3F}
	}
	return nil
}

// withAdapter runs a test against a virtual adapter on simulated time.
func withAdapter(t *testing.T, o obdtest.Options, test func(t *testing.T, c *elm.Conn, a *obdtest.Adapter)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		a := obdtest.New(o)
		c := elm.New(a.Dial(), elm.Options{})
		defer a.Wait()
		defer func() { assert.NoError(t, c.Close()) }()
		test(t, c, a)
	})
}

func ask(service obd.Service, pids ...obd.PID) obd.Request {
	return obd.Request{Service: service, PIDs: pids}
}

func TestEveryProtocol(t *testing.T) {
	for _, tt := range []struct {
		protocol        byte
		engine, gearbox obd.Address
		vin             string // before the 17 characters: the older buses pad
	}{
		{'1', 0x10, 0x18, "490201000000"},
		{'2', 0x10, 0x18, "490201000000"},
		{'3', 0x10, 0x18, "490201000000"},
		{'4', 0x10, 0x18, "490201000000"},
		{'5', 0x10, 0x18, "490201000000"},
		{'6', 0x7E8, 0x7E9, "490201"},
		{'7', 0x18DAF110, 0x18DAF118, "490201"},
		{'8', 0x7E8, 0x7E9, "490201"},
		{'9', 0x18DAF110, 0x18DAF118, "490201"},
	} {
		for _, refused := range [][]string{nil, {"S"}, {"E"}, {"L"}, {"AT"}, {"TP"}, {"WS"}, {"M", "AT", "TP", "RV", "S", "L"}} {
			t.Run(fmt.Sprintf("%c without %v", tt.protocol, refused), func(t *testing.T) {
				delay := func() time.Duration { return 30 * time.Millisecond } // the older buses answer after 25 ms at least
				withAdapter(t, obdtest.Options{
					Protocol: tt.protocol, Refused: refused, Version: "ELM327 v1.5",
					ECUs: []obdtest.ECU{{Address: tt.engine, Answer: engine, Delay: delay}, {Address: tt.gearbox, Answer: gearbox, Delay: delay}},
				}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
					info, err := c.Open(t.Context())
					require.NoError(t, err)
					assert.Equal(t, "ELM327 v1.5", info.Version)
					for range 3 { // with and without a count, before and after the protocol is known
						a, err := c.Request(t.Context(), ask(obd.CurrentData, 0))
						require.NoError(t, err)
						assert.ElementsMatch(t, strings.Fields(fmt.Sprintf("%v:4100BE3EB811 %v:410080080000", tt.engine, tt.gearbox)),
							strings.Fields(show(a.Messages)))
						a, err = c.Request(t.Context(), ask(obd.CurrentData, 0x0C))
						require.NoError(t, err)
						assert.Equal(t, fmt.Sprintf("%v:410C1AF8", tt.engine), show(a.Messages))
						a, err = c.Request(t.Context(), ask(obd.VehicleInfo, 2))
						require.NoError(t, err)
						assert.Equal(t, fmt.Sprintf("%v:%s%X", tt.engine, tt.vin, "1D4GP00R55B123456"), show(a.Messages))
						_, err = c.Request(t.Context(), ask(obd.CurrentData, 0x5E))
						assert.ErrorIs(t, err, obd.ErrNoAnswer)
					}
					assert.Equal(t, string(tt.protocol), c.Info().Protocol)
				})
			})
		}
	}
}

func TestHeadersOff(t *testing.T) {
	withAdapter(t, obdtest.Options{
		Refused: []string{"H"}, ECUs: []obdtest.ECU{{Address: 0x7E8, Answer: engine}},
	}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
		_, err := c.Open(t.Context())
		require.NoError(t, err)
		for range 3 {
			a, err := c.Request(t.Context(), ask(obd.VehicleInfo, 2))
			require.NoError(t, err)
			assert.Equal(t, fmt.Sprintf("0:490201%X", "1D4GP00R55B123456"), show(a.Messages))
			a, err = c.Request(t.Context(), ask(obd.CurrentData, 0x0C))
			require.NoError(t, err)
			assert.Equal(t, byte(0x1A), a.Messages[0].Payload[2])
		}
	})
}

func TestSeveralParameters(t *testing.T) {
	withAdapter(t, obdtest.Options{ECUs: []obdtest.ECU{{Address: 0x7E8, Answer: engine}}}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		_, err := c.Open(t.Context())
		require.NoError(t, err)
		for range 3 {
			answer, err := c.Request(t.Context(), ask(obd.CurrentData, 0x04, 0x0C, 0x0D))
			require.NoError(t, err)
			assert.Equal(t, "7E8:410C1AF8043F0D3F", show(answer.Messages))
			assert.Equal(t, 2, answer.Frames)
		}
		requests := a.Requests()
		assert.Equal(t, []byte{1, 0x0C, 0x04, 0x0D}, requests[len(requests)-1].Data)
		assert.Equal(t, 2, requests[len(requests)-1].Count, "learned")
	})
}

// What the engine computer measured lies within the stated bound, whatever the line and the computers do.
func TestInstantsHoldTheMeasurement(t *testing.T) {
	for _, baud := range []int{9600, 38400, 115200} {
		t.Run(fmt.Sprint(baud), func(t *testing.T) {
			random := rand.New(rand.NewPCG(1, uint64(baud)))
			var sampled []time.Time
			note := func(request []byte, at time.Time) []byte {
				sampled = append(sampled, at)
				return engine(request, at)
			}
			delay := func() time.Duration { return time.Duration(random.Int64N(int64(40 * time.Millisecond))) }
			withAdapter(t, obdtest.Options{Baud: baud, ECUs: []obdtest.ECU{
				{Address: 0x7E8, Answer: note, Delay: delay, Sampled: random.Float64},
				{Address: 0x7E9, Answer: func(r []byte, at time.Time) []byte {
					if r[1] == 0x0D {
						return note(r, at)
					}
					return nil
				}, Delay: delay, Sampled: random.Float64},
			}}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
				_, err := c.Open(t.Context())
				require.NoError(t, err)
				for i := range 100 {
					sampled = sampled[:0]
					a, err := c.Request(t.Context(), ask(obd.CurrentData, []obd.PID{0x0C, 0x0D}[i%2]))
					require.NoError(t, err)
					at, half := a.Instant()
					for _, s := range sampled[len(sampled)-len(a.Messages):] {
						assert.LessOrEqual(t, s.Sub(at).Abs(), half, "request %d", i)
					}
				}
			})
		})
	}
}

func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		name    string
		fault   obdtest.Fault
		want    error
		healthy bool
	}{
		{"silent car", obdtest.SilentCar, obd.ErrNoAnswer, true},
		{"sleeping bus", obdtest.SleepingBus, elm.ErrBus, true},
		{"hang", obdtest.Hang, elm.ErrTimeout, false},
		{"dead adapter", obdtest.Dead, elm.ErrTimeout, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			withAdapter(t, obdtest.Options{ECUs: []obdtest.ECU{{Address: 0x7E8, Answer: engine}}}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
				_, err := c.Open(t.Context())
				require.NoError(t, err)
				for range 3 {
					_, err = c.Request(t.Context(), rpm)
					require.NoError(t, err)
				}
				a.SetFault(tt.fault)
				_, err = c.Request(t.Context(), rpm)
				require.ErrorIs(t, err, tt.want)
				if tt.healthy {
					assert.ErrorIs(t, err, obd.ErrNoAnswer)
				} else {
					assert.NotErrorIs(t, err, obd.ErrNoAnswer)
				}
				a.SetFault(obdtest.NoFault)
				if !tt.healthy {
					_, err := c.Open(t.Context())
					require.NoError(t, err)
				}
				answer, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
				assert.Equal(t, "7E8:410C1AF8", show(answer.Messages))
			})
		})
	}
	t.Run("nobody there", func(t *testing.T) {
		withAdapter(t, obdtest.Options{}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			a.SetFault(obdtest.SilentCar)
			_, err := c.Open(t.Context())
			require.NoError(t, err)
			_, err = c.Request(t.Context(), rpm)
			require.ErrorIs(t, err, elm.ErrUnableToConnect)
			assert.ErrorIs(t, err, obd.ErrNoAnswer)
		})
	})
	t.Run("wrong rate", func(t *testing.T) {
		withAdapter(t, obdtest.Options{}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			a.SetFault(obdtest.WrongBaud)
			_, err := c.Open(t.Context())
			require.ErrorIs(t, err, elm.ErrNotAdapter)
		})
	})
	t.Run("garbage now and then is never taken for an answer to something else", func(t *testing.T) {
		withAdapter(t, obdtest.Options{ECUs: []obdtest.ECU{{Address: 0x7E8, Answer: engine}}}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			_, err := c.Open(t.Context())
			require.NoError(t, err)
			_, err = c.Request(t.Context(), rpm)
			require.NoError(t, err)
			a.SetFault(obdtest.Garbage)
			for range 50 {
				answer, err := c.Request(t.Context(), rpm)
				if err != nil {
					require.ErrorIs(t, err, obd.ErrNoAnswer)
					continue
				}
				for _, m := range answer.Messages {
					require.Equal(t, []byte{0x41, 0x0C}, m.Payload[:2])
				}
			}
			a.SetFault(obdtest.NoFault)
			_, err = c.Request(t.Context(), rpm)
			require.NoError(t, err)
		})
	})
	t.Run("brown-out", func(t *testing.T) {
		withAdapter(t, obdtest.Options{ECUs: []obdtest.ECU{{Address: 0x7E8, Answer: engine}}}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			_, err := c.Open(t.Context())
			require.NoError(t, err)
			_, err = c.Request(t.Context(), rpm)
			require.NoError(t, err)
			a.BrownOut()
			time.Sleep(2 * time.Second)
			_, err = c.Request(t.Context(), rpm)
			require.ErrorIs(t, err, elm.ErrReset)
			_, err = c.Open(t.Context())
			require.NoError(t, err)
			_, err = c.Request(t.Context(), rpm)
			require.NoError(t, err)
		})
	})
}
