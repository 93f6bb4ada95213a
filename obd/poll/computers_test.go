package poll_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
	"underdash/obd/pid"
	"underdash/obd/poll"
)

// computer is an engine computer whose parameters are all the same byte, so that one can tell whose a reading is. It
// answers while awake says so; nil is always.
func computer(from obd.Address, delay time.Duration, fill byte, awake func(time.Time) bool, supported ...obd.PID) obdtest.ECU {
	return obdtest.ECU{Address: from, Delay: func() time.Duration { return delay }, Answer: func(r []byte, at time.Time) []byte {
		if r[0] != byte(obd.CurrentData) || awake != nil && !awake(at) {
			return nil
		}
		payload := []byte{0x41}
		for _, x := range r[1:] {
			switch p := obd.PID(x); {
			case p == 0:
				payload = append(append(payload, x), bitmap(supported, p)...)
			case slices.Contains(supported, p):
				n, _ := pid.Width(p)
				payload = append(append(payload, x), bytes.Repeat([]byte{fill}, n)...)
			}
		}
		if len(payload) == 1 {
			return nil
		}
		return payload
	}}
}

// The gearbox's computer, which is the quicker one, is asked for its bitmap alone before the engine's wakes; the adapter
// has then learned how many lines the answer has, and would not wait for another.
func TestALateEngineIsFoundBehindAnAdapter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		late := func(at time.Time) bool { return at.Sub(start) > 2500*time.Millisecond }
		a := obdtest.New(obdtest.Options{ECUs: []obdtest.ECU{
			computer(0x7E8, 12*time.Millisecond, 0x11, late, 0x0B, 0x0C, 0x0D), computer(0x7E9, 8*time.Millisecond, 0x22, nil, 0x0C, 0x0D)}})
		conn := elm.New(a.Dial(), elm.Options{Protocol: "6"})
		defer a.Wait()
		defer conn.Close()
		_, err := conn.Open(t.Context())
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		for _, engine := range []obd.Address{0x7E9, 0x7E8} {
			found, err := poll.Discover(t.Context(), conn)
			require.NoError(t, err)
			require.Equal(t, engine, found.Engine)
			if engine == 0x7E9 {
				err = poll.New(conn, found, poll.Options{}).Run(ctx, func(poll.Reading) {})
				require.ErrorIs(t, err, poll.ErrEngineAnswers)
			}
		}
		assert.Less(t, time.Since(start), 10*time.Second)
	})
}

// Where an adapter shows no headers, the engine's computer alone is asked, so that no reading is another's; and it stays
// so when the bus was disturbed in between.
func TestNobodyIsNamedAndTheEngineIsPolled(t *testing.T) {
	for _, tt := range []struct {
		name     string
		o        obdtest.Options
		at       [2]obd.Address // of the engine's and the gearbox's computer
		polled   obd.Address
		gearbox  bool // knows the engine's speed
		mixed    bool // readings may be anybody's
		protocol byte
	}{
		{"refused", obdtest.Options{Refused: []string{"H"}}, [2]obd.Address{0x7E8, 0x7E9}, 0x7E8, true, false, '6'},
		{"pretended", obdtest.Options{Pretended: []string{"H"}}, [2]obd.Address{0x7E8, 0x7E9}, 0x7E8, true, false, '6'},
		{"29 bits", obdtest.Options{Refused: []string{"H"}}, [2]obd.Address{0x18DAF110, 0x18DAF118}, 0x18DAF110, true, false, '7'},
		{"the engine's is at another address", obdtest.Options{Refused: []string{"H"}}, [2]obd.Address{0x7EA, 0x7E8}, 0, false, true, '6'},
		{"nobody at the usual address", obdtest.Options{Refused: []string{"H"}}, [2]obd.Address{0x7EA, 0x7EB}, 0, true, true, '6'},
		{"nobody can be asked alone", obdtest.Options{Refused: []string{"H", "SH", "CRA"}}, [2]obd.Address{0x7E8, 0x7E9}, 0, true, true, '6'},
		{"an old bus", obdtest.Options{Refused: []string{"H"}}, [2]obd.Address{0x10, 0x18}, 0, true, true, '5'},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				known := []obd.PID{0x05, 0x0D}
				if tt.gearbox {
					known = append(known, 0x0C)
				}
				tt.o.Protocol = tt.protocol
				tt.o.ECUs = []obdtest.ECU{
					computer(tt.at[0], 12*time.Millisecond, 0x11, nil, 0x05, 0x0B, 0x0C, 0x0D), computer(tt.at[1], 8*time.Millisecond, 0x22, nil, known...)}
				a := obdtest.New(tt.o)
				conn := elm.New(a.Dial(), elm.Options{})
				defer a.Wait()
				defer conn.Close()
				_, err := conn.Open(t.Context())
				require.NoError(t, err)
				require.NoError(t, conn.Focus(t.Context(), obd.Everybody))
				found, err := poll.Discover(t.Context(), conn)
				require.NoError(t, err)
				require.Equal(t, tt.polled, found.Engine)
				ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
				defer cancel()
				disturbed := time.Now().Add(5 * time.Second)
				before, after := 0, 0
				err = poll.New(conn, found, poll.Options{}).Run(ctx, func(r poll.Reading) {
					if before++; before == 30 {
						a.SetFault(obdtest.SleepingBus)
						time.AfterFunc(300*time.Millisecond, func() { a.SetFault(obdtest.NoFault) })
					}
					if r.At.After(disturbed) {
						after++
					}
					assert.Equal(t, tt.polled, r.From)
					assert.True(t, tt.mixed || r.Data[0] == 0x11, "%v is another's", r)
				})
				require.ErrorIs(t, err, context.DeadlineExceeded)
				assert.Greater(t, after, 50)
			})
		})
	}
}

// Nor are another's trouble codes and names taken for the engine's there.
func TestNobodyIsNamedAndTheEngineIsDiagnosed(t *testing.T) {
	codes := func(c obdtest.ECU, stored ...byte) obdtest.ECU {
		next := c.Answer
		c.Answer = func(r []byte, at time.Time) []byte {
			switch {
			case r[0] == byte(obd.StoredCodes):
				return append([]byte{0x43, byte(len(stored) / 2)}, stored...)
			case bytes.Equal(r, []byte{9, 0}):
				return []byte{0x49, 0, 0, 0x40, 0, 0}
			case bytes.Equal(r, []byte{9, 0x0A}):
				return append([]byte{0x49, 0x0A, 1}, stored...)
			}
			return next(r, at)
		}
		return c
	}
	synctest.Test(t, func(t *testing.T) {
		a := obdtest.New(obdtest.Options{Pretended: []string{"H"}, ECUs: []obdtest.ECU{
			codes(computer(0x7E8, 12*time.Millisecond, 0x11, nil, 0x01, 0x0C), 1, 0x43),
			codes(computer(0x7E9, 8*time.Millisecond, 0x22, nil, 0x01, 0x0C))}})
		conn := elm.New(a.Dial(), elm.Options{})
		defer a.Wait()
		defer conn.Close()
		_, err := conn.Open(t.Context())
		require.NoError(t, err)
		require.NoError(t, conn.Focus(t.Context(), obd.Everybody))
		found, err := poll.Discover(t.Context(), conn)
		require.NoError(t, err)
		require.True(t, found.Alone)
		told, err := poll.Diagnose(t.Context(), conn, found)
		require.NoError(t, err)
		var got []string
		for _, s := range told.Answers {
			if s.Service == obd.StoredCodes || s.PID == pid.InfoName && s.Service == obd.VehicleInfo {
				got = append(got, fmt.Sprintf("%v:%X", s.From, s.Payload))
			}
		}
		assert.Equal(t, []string{"7E8:43010143", "7E8:490A010143"}, got)
	})
}

// A K-line takes one parameter in a request, so that the trim of bank 2 has no other to stand behind. Whatever the adapter
// loses of the beginning of a line, no engine computer hears an order.
func TestTheTrimOfBank2OnAnOldBus(t *testing.T) {
	for _, lost := range []int{0, 1, 2, 3} { // a space goes before a line that is sent in two steps
		synctest.Test(t, func(t *testing.T) {
			polled, chance := false, rand.New(rand.NewPCG(5, uint64(lost)))
			a := obdtest.New(obdtest.Options{Protocol: '5', Lose: func() int {
				if polled && chance.IntN(6) == 0 {
					return lost
				}
				return 0
			}, ECUs: []obdtest.ECU{computer(0x10, 30*time.Millisecond, 0x11, nil, 0x04, 0x06, 0x08, 0x0C)}})
			conn := elm.New(a.Dial(), elm.Options{})
			defer a.Wait()
			defer conn.Close()
			_, err := conn.Open(t.Context())
			require.NoError(t, err)
			found, err := poll.Discover(t.Context(), conn)
			require.NoError(t, err)
			require.EqualValues(t, 0x10, found.Engine)
			polled = true
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			got := map[obd.PID]int{}
			err = poll.New(conn, found, poll.Options{}).Run(ctx, func(r poll.Reading) { got[r.PID]++ })
			require.ErrorIs(t, err, context.DeadlineExceeded)
			for _, p := range []obd.PID{0x04, 0x06, 0x08, 0x0C} {
				assert.Greater(t, got[p], 10, "%s, %d lost", p, lost)
			}
			assert.Zero(t, a.Heard().Services[0x04], "clear trouble codes, %d lost", lost)
			assert.Zero(t, a.Heard().Services[0x08], "control a system, %d lost", lost)
		})
	}
}
