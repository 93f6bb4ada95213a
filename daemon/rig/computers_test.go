package rig

import (
	"encoding/hex"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func data(t *testing.T, who computer, pid byte, s State) string {
	t.Helper()
	return strings.ToUpper(hex.EncodeToString(who.data(pid, s)))
}

// Bytes that real cars sent for these values (public captures of the OBDb project; 34 from an issue report of
// brendan-w/python-OBD; 44 and trims worked from the standard's formulas).
func TestBytesOfRealCars(t *testing.T) {
	for _, c := range []struct {
		name string
		pid  byte
		s    State
		want string
	}{
		{"closed loop", 0x03, State{FuelStatus: 2}, "0200"},
		{"load", 0x04, State{Load: 18.04}, "2E"},
		{"coolant", 0x05, State{Coolant: 77}, "75"},
		{"coolant at the cold end", 0x05, State{Coolant: -60}, "00"},
		{"short-term trim", 0x06, State{STFT: 10.15625}, "8D"},
		{"short-term trim at the end", 0x06, State{STFT: 130}, "FF"},
		{"long-term trim", 0x07, State{LTFT: -7.03125}, "77"},
		{"manifold pressure", 0x0B, State{MAP: 26.3}, "1A"},
		{"engine speed", 0x0C, State{RPM: 675.5}, "0A8E"},
		{"speed", 0x0D, State{Speed: 113}, "71"},
		{"spark", 0x0E, State{Spark: 10.5}, "95"},
		{"intake air", 0x0F, State{IntakeAir: 20}, "3C"},
		{"air flow", 0x10, State{MAF: 273.93}, "6B01"},
		{"throttle", 0x11, State{Throttle: 15.686}, "28"},
		{"run time", 0x1F, State{RunTime: 3710.9}, "0E7E"},
		{"fuel level", 0x2F, State{FuelLevel: 36.08}, "5C"},
		{"barometer", 0x33, State{Baro: 100}, "64"},
		{"module voltage", 0x42, State{SupplyVolts: 14.335}, "37FF"},
		{"absolute load", 0x43, State{LoadAbs: 78.4}, "00C8"},
		{"commanded lambda", 0x44, State{CommandedLambda: 0.85}, "6CCD"},
		{"commanded lambda in fuel cut", 0x44, State{CommandedLambda: 2}, "FFFF"},
		{"ambient", 0x46, State{OutsideAir: 21}, "3D"},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, data(t, engine, c.pid, c.s)) })
	}
	wide := engine.data(0x34, State{LambdaECU: 0.96732})
	assert.Equal(t, []byte{0x7B, 0xD1}, wide[:2])
	assert.InDelta(t, -0.203, float64(int(wide[2])<<8|int(wide[3]))/256-128, 0.05)
	assert.Equal(t, "FFFF", data(t, engine, 0x34, State{LambdaECU: air})[:4])
}

// A bitmap must name exactly the known parameters, and the next bitmap exactly where one follows.
func TestBitmaps(t *testing.T) {
	for _, who := range []computer{engine, gearbox} {
		var named, want []byte
		for base, more := 0, true; more; base += 0x20 {
			bits := who.data(byte(base), State{})
			require.Len(t, bits, 4)
			for n := range 32 {
				if bits[n/8]&(0x80>>(n%8)) != 0 && n < 31 {
					named = append(named, byte(base+n+1))
				}
			}
			more = bits[3]&1 != 0
		}
		for _, p := range who.parameters {
			want = append(want, p.pid)
		}
		assert.Equal(t, want, named, who.name)
	}
	assert.Nil(t, engine.data(0x60, State{}))
	assert.Equal(t, "80080011", data(t, gearbox, 0, State{}))
}

func TestIdentity(t *testing.T) {
	c := New(Options{Length: 20 * time.Second})
	now := c.Begin()
	ask := func(who computer, request ...byte) string { return string(c.answer(who, request, now)) }
	assert.Equal(t, "\x49\x02\x01"+VIN, ask(engine, 9, 2))
	assert.Len(t, VIN, 17)
	assert.NotContains(t, VIN, "I")
	assert.Equal(t, "\x49\x04\x01"+CalibrationID, ask(engine, 9, 4))
	assert.Len(t, CalibrationID+GearboxCalibrationID, 32)
	assert.Len(t, ask(gearbox, 9, 0x0A), 23)
	assert.Empty(t, ask(gearbox, 9, 2))
	for _, service := range []byte{3, 7, 0x0A} {
		assert.Equal(t, string([]byte{service + 0x40, 0}), ask(gearbox, service))
	}
	assert.Equal(t, "\x42\x02\x00\x00\x00", ask(engine, 2, 2, 0))
	for _, request := range [][]byte{{}, {1}, {1, 0x66}, {4}, {9}, {9, 0x55}, {0x22, 0xF1, 0x90}} {
		assert.Empty(t, ask(engine, request...), "% X", request)
	}
	assert.Nil(t, c.answer(engine, []byte{1, 0x0C}, now.Add(19*time.Second+900*time.Millisecond)), "the ignition is off")
}

// A whole drive polled through the adapter: what came over the line is what the truth says was sent, and it was
// sampled between the request's first character and the answer's.
func TestPolledDrive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(Demo(30*time.Second, 11))
		stream := c.Adapter().Dial()
		defer c.Adapter().Wait()
		defer stream.Close()
		one := make([]byte, 1)
		ask := func(line string) (heard string, sent, first time.Time) {
			sent = time.Now()
			_, err := stream.Write([]byte(line + "\r"))
			require.NoError(t, err)
			for !strings.HasSuffix(heard, ">") {
				_, err := stream.Read(one)
				require.NoError(t, err)
				if heard == "" {
					first = time.Now()
				}
				heard += string(one)
			}
			return heard, sent, first
		}
		for _, line := range []string{"ATE0", "ATS0", "ATH1", "ATTP6"} {
			heard, _, _ := ask(line)
			require.Contains(t, heard, "OK\r\r>")
		}
		polls := 0
		began := c.Truth().Began()
		require.True(t, began.IsZero(), "settings do not start the drive")
		for began = c.Begin(); time.Since(began) < 28*time.Second; polls++ {
			heard, sent, first := ask("010C44342")
			all := c.Truth().OBD()
			now := all[len(all)-3:]
			payload := []byte{0x41}
			for _, s := range now {
				require.Equal(t, uint32(0x7E8), s.From)
				at := began.Add(s.At)
				require.True(t, at.After(sent) && at.Before(first), "sampled at %v", s.At)
				require.Equal(t, engine.data(s.PID, c.Truth().At(s.At)), s.Data)
				payload = append(append(payload, s.PID), s.Data...)
			}
			lines := strings.Split(heard, "\r")
			got := lines[0][3+4:] + lines[1][3+2:]
			require.Equal(t, strings.ToUpper(hex.EncodeToString(payload)), got[:2*len(payload)])
		}
		assert.Greater(t, polls, 500)
		heard, _, _ := ask("010D")
		assert.Contains(t, heard, "7E9", "the gearbox answers too")
		time.Sleep(2 * time.Second)
		heard, _, _ = ask("010D")
		assert.Equal(t, "NO DATA\r\r>", heard, "the ignition is off")
		time.Sleep(10 * time.Second)
		heard, _, _ = ask("010D")
		assert.Equal(t, "CAN ERROR\r\r>", heard, "the bus sleeps")
	})
}
