package elm_test

import (
	"bytes"
	"fmt"
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
			case 0x04, 0x05, 0x0D:
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
	withOptions(t, o, elm.Options{}, test)
}

func withOptions(t *testing.T, o obdtest.Options, eo elm.Options, test func(t *testing.T, c *elm.Conn, a *obdtest.Adapter)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		a := obdtest.New(o)
		c := elm.New(a.Dial(), eo)
		defer a.Wait()
		defer func() { assert.NoError(t, c.Close()) }()
		test(t, c, a)
	})
}

// car is an engine's and a gearbox's computer on a bus of the given protocol.
func car(protocol byte, delay time.Duration) []obdtest.ECU {
	engineAt, gearboxAt := addresses(protocol)
	after := func() time.Duration { return delay }
	return []obdtest.ECU{{Address: engineAt, Answer: engine, Delay: after}, {Address: gearboxAt, Answer: gearbox, Delay: after}}
}

func addresses(protocol byte) (engine, gearbox obd.Address) {
	switch protocol {
	case '6', '8':
		return 0x7E8, 0x7E9
	case '7', '9':
		return 0x18DAF110, 0x18DAF118
	}
	return 0x10, 0x18
}

func ask(service obd.Service, pids ...obd.PID) obd.Request {
	return obd.Request{Service: service, PIDs: pids}
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
			assert.Equal(t, fmt.Sprintf("7E8:490201%X", "1D4GP00R55B123456"), show(a.Messages))
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
			answer, err := c.Request(t.Context(), ask(obd.CurrentData, 0x05, 0x0C, 0x0D))
			require.NoError(t, err)
			assert.Equal(t, "7E8:41053F0C1AF80D3F", show(answer.Messages))
			assert.Equal(t, 2, answer.Frames)
		}
		requests := a.Requests()
		assert.Equal(t, []byte{1, 0x05, 0x0C, 0x0D}, requests[len(requests)-1].Data)
		assert.Equal(t, 2, requests[len(requests)-1].Count, "learned")
	})
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
