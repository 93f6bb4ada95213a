package poll

import (
	"encoding/hex"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

func discover(t *testing.T, c *car) (f Found, err error) {
	synctest.Test(t, func(t *testing.T) { f, err = Discover(t.Context(), c) })
	return f, err
}

func staticOf(f Found, s obd.Service, p obd.PID) (from []obd.Address) {
	for _, x := range f.Static {
		if x.Service == s && x.PID == p {
			from = append(from, x.From)
		}
	}
	return from
}

func TestDiscoverReadsEveryEngineComputer(t *testing.T) {
	c := sedan()
	f, err := discover(t, c)
	require.NoError(t, err)
	assert.EqualValues(t, 0x7E8, f.Engine)
	assert.Equal(t, []obd.PID{0x01, 0x0C, 0x0D, 0x1C}, f.Supported[0x7E9])
	assert.Len(t, f.Supported[0x7E8], len(c.ecus[0].params))
	assert.Contains(t, f.Supported[0x7E8], obd.PID(0xA6))
	assert.NotContains(t, f.Supported[0x7E8], obd.PID(0x20))

	assert.Equal(t, []obd.Address{0x7E8, 0x7E9}, staticOf(f, obd.CurrentData, 0x00))
	assert.Equal(t, []obd.Address{0x7E8}, staticOf(f, obd.CurrentData, 0xA0))
	assert.Equal(t, []obd.Address{0x7E8}, staticOf(f, obd.CurrentData, 0x4F))
	assert.Equal(t, []obd.Address{0x7E8, 0x7E9}, staticOf(f, obd.CurrentData, 0x1C))
	assert.Equal(t, []obd.Address{0x7E8}, staticOf(f, obd.VehicleInfo, 0x02))
	assert.Equal(t, 340.0, f.Context().MAPkPa)
	assert.True(t, f.Context().LocationKnown)
	for _, r := range c.asked {
		assert.NotEqual(t, obd.PID(0x50), r.PIDs[0], "50 is not supported and not asked")
		assert.True(t, r.Service.ReadsOnly())
	}
}

func TestDiscoverAsksAgain(t *testing.T) {
	t.Run("first bitmap lost", func(t *testing.T) {
		c := sedan()
		c.before = func(n int, r obd.Request) (obd.Answer, error, bool) {
			return obd.Answer{}, fmt.Errorf("lost: %w", obd.ErrNoAnswer), n == 0
		}
		f, err := discover(t, c)
		require.NoError(t, err)
		assert.EqualValues(t, 0x7E8, f.Engine)
	})
	t.Run("the engine's answer to the first lost", func(t *testing.T) {
		c := sedan()
		c.after = func(n int, r obd.Request, a *obd.Answer) {
			if n == 0 {
				a.Messages = a.Messages[1:]
			}
		}
		f, err := discover(t, c)
		require.NoError(t, err)
		assert.EqualValues(t, 0x7E8, f.Engine)
	})
	t.Run("nobody at the usual address, and nobody answers twice", func(t *testing.T) {
		c := sedan()
		c.ecus = c.ecus[1:]
		c.before = func(n int, r obd.Request) (obd.Answer, error, bool) {
			return obd.Answer{}, fmt.Errorf("lost: %w", obd.ErrNoAnswer), n == 1
		}
		f, err := discover(t, c)
		require.NoError(t, err)
		assert.EqualValues(t, 0x7E9, f.Engine)
		assert.Equal(t, []obd.PID{0x00, 0x00}, []obd.PID{c.asked[0].PIDs[0], c.asked[1].PIDs[0]})
	})
	t.Run("one engine computer's second bitmap lost", func(t *testing.T) {
		c := sedan()
		c.ecus[1].params[0x21] = []string{"\x00\x00"}
		lost := false
		c.after = func(n int, r obd.Request, a *obd.Answer) {
			if r.PIDs[0] == 0x20 && !lost {
				lost = true
				a.Messages = a.Messages[:1]
			}
		}
		f, err := discover(t, c)
		require.NoError(t, err)
		require.True(t, lost)
		assert.Contains(t, f.Supported[0x7E9], obd.PID(0x21))
		assert.Equal(t, []obd.Address{0x7E8, 0x7E9}, staticOf(f, obd.CurrentData, 0x20), "the same answer is kept once")
	})
	t.Run("an answer to something else first", func(t *testing.T) {
		c := sedan()
		c.before = func(n int, r obd.Request) (obd.Answer, error, bool) {
			return obd.Answer{Messages: []obd.Message{{From: 0x7E8, Payload: []byte{0x41, 0x0D, 0}}, {From: 0x7E8, Payload: []byte{0x41, 0x00, 1}}}}, nil, n == 0
		}
		f, err := discover(t, c)
		require.NoError(t, err)
		assert.Len(t, f.Supported, 2)
	})
}

func TestDiscoverEnds(t *testing.T) {
	t.Run("silent car", func(t *testing.T) {
		_, err := discover(t, &car{})
		require.ErrorIs(t, err, obd.ErrNoAnswer)
		assert.ErrorContains(t, err, "which parameters the car supports")
	})
	t.Run("link error", func(t *testing.T) {
		gone := errors.New("unplugged")
		c := sedan()
		c.before = func(n int, r obd.Request) (obd.Answer, error, bool) { return obd.Answer{}, gone, n == 3 }
		_, err := discover(t, c)
		assert.ErrorIs(t, err, gone)
	})
	t.Run("every bit set", func(t *testing.T) {
		c := &car{}
		c.before = func(n int, r obd.Request) (obd.Answer, error, bool) {
			payload := append([]byte{0x41, byte(r.PIDs[0])}, 0xFF, 0xFF, 0xFF, 0xFF)
			return obd.Answer{Messages: []obd.Message{{From: 0x7E8, Payload: payload}}}, nil, r.Service == obd.CurrentData && r.PIDs[0]&0x1F == 0
		}
		f, err := discover(t, c)
		require.NoError(t, err)
		assert.Len(t, f.Supported[0x7E8], 255-7)
	})
}

func TestChooseEngine(t *testing.T) {
	speed, other := []obd.PID{0x01, 0x0C}, []obd.PID{0x01, 0x0D, 0x1C}
	for _, tt := range []struct {
		name   string
		has    map[obd.Address][]obd.PID
		before obd.Address
		want   obd.Address
	}{
		{"usual address", map[obd.Address][]obd.PID{0x7E9: speed, 0x7E8: speed}, 0, 0x7E8},
		{"gearbox at the usual address", map[obd.Address][]obd.PID{0x7E9: speed, 0x7E8: other}, 0, 0x7E9},
		{"29 bits, several lower", map[obd.Address][]obd.PID{0x18DAF101: speed, 0x18DAF110: speed}, 0, 0x18DAF110},
		{"29 bits, unusual", map[obd.Address][]obd.PID{0x18DAF111: speed, 0x18DAF118: speed}, 0, 0x18DAF111},
		{"29 bits, unusual and not the lowest", map[obd.Address][]obd.PID{0x18DAF111: speed, 0x18DAF118: speed}, 0x18DAF118, 0x18DAF118},
		{"where it was before, and the usual address", map[obd.Address][]obd.PID{0x7E8: speed, 0x7E9: speed}, 0x7E9, 0x7E8},
		{"away from where it was before", map[obd.Address][]obd.PID{0x7E9: speed}, 0x7EA, 0x7E9},
		{"older bus", map[obd.Address][]obd.PID{0x18: other, 0x10: speed}, 0, 0x10},
		{"older bus, another lower", map[obd.Address][]obd.PID{0x0F: speed, 0x10: speed}, 0, 0x10},
		{"nobody knows the speed", map[obd.Address][]obd.PID{0x7EA: other, 0x7E8: other}, 0, 0x7E8},
		{"headers hidden", map[obd.Address][]obd.PID{0: speed}, 0, 0},
		{"nobody", nil, 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) { assert.Equal(t, tt.want, chooseEngine(tt.has, tt.before)) })
	}
}

func TestDefaultChannels(t *testing.T) {
	for _, tt := range []struct {
		name  string
		has   []obd.PID
		banks obd.PID // 13 or 1D
		fast  []obd.PID
		rest  []obd.PID
	}{
		{"everything first in line", []obd.PID{0x0C, 0x0B, 0x87, 0x10, 0x66, 0x11, 0x47, 0x24, 0x34, 0x06, 0x43, 0x04, 0x05, 0x67, 0x0F, 0x68}, 0x13,
			[]obd.PID{0x0C, 0x0B, 0x10, 0x11, 0x24, 0x06}, []obd.PID{0x43, 0x05, 0x0F}},
		{"what takes their place", []obd.PID{0x0C, 0x87, 0x66, 0x45, 0x14, 0x06, 0x04, 0x67, 0x68, 0x59, 0x9D}, 0x13,
			[]obd.PID{0x0C, 0x87, 0x66, 0x45, 0x14, 0x06}, []obd.PID{0x04, 0x67, 0x68, 0x59, 0x9D}},
		{"two banks", []obd.PID{0x0C, 0x34, 0x38, 0x36, 0x06, 0x08, 0x09}, 0x13, []obd.PID{0x0C, 0x34, 0x38, 0x06, 0x08}, []obd.PID{0x09}},
		{"two banks of a car that counts four", []obd.PID{0x0C, 0x34, 0x38, 0x36}, 0x1D, []obd.PID{0x0C, 0x34, 0x36}, nil},
		{"one parameter for both banks", []obd.PID{0x0C, 0x8C}, 0x13, []obd.PID{0x0C, 0x8C}, nil},
		{"nothing", nil, 0x13, nil, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: tt.has, 0x7E9: {0x42}},
				Static: []Static{{0x7E8, obd.CurrentData, tt.banks, []byte{0x41, byte(tt.banks), 0x03}}}}
			var fast, rest []obd.PID
			for _, c := range DefaultChannels(f) {
				if c.Class == Fast {
					fast = append(fast, c.PID)
				} else {
					rest = append(rest, c.PID)
				}
			}
			assert.Equal(t, tt.fast, fast)
			assert.Equal(t, tt.rest, rest)
		})
	}
}

func TestUnpadded(t *testing.T) {
	for _, tt := range []struct {
		name, payload string
		asked         []obd.PID
		older         bool
		want          string
	}{
		{"filled with 00", "410C0AF4000000", []obd.PID{0x0C}, false, "410C0AF4"},
		{"filled with AA", "410D34AAAAAAAA", []obd.PID{0x0D}, false, "410D34"},
		{"a value like the filling", "410D0000000000", []obd.PID{0x0D}, false, "410D00"},
		{"a bitmap", "4100BE3EB81100", []obd.PID{0}, false, "4100BE3EB811"},
		{"two parameters", "410C0AF40D3455", []obd.PID{0x0C, 0x0D}, false, "410C0AF40D34"},
		{"a parameter with the filling's number", "410D3455FF5555", []obd.PID{0x0D, 0x55}, false, "410D3455FF"},
		{"one of two was not answered", "410D3400000000", []obd.PID{0x0C, 0x0D}, false, "410D34"},
		{"no filling anybody uses", "410D3412121212", []obd.PID{0x0D}, false, "410D3412121212"},
		{"not one byte throughout", "410C0AF4000055", []obd.PID{0x0C}, false, "410C0AF4000055"},
		{"not a whole frame", "410C0AF40000", []obd.PID{0x0C}, false, "410C0AF40000"},
		{"nothing but filling", "41000000000000", []obd.PID{0x0C}, false, "41000000000000"},
		{"an older bus", "410C0AF4000000", []obd.PID{0x0C}, true, "410C0AF4000000"},
		{"another service", "490C0AF4000000", []obd.PID{0x0C}, false, "490C0AF4000000"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			payload, err := hex.DecodeString(tt.payload)
			require.NoError(t, err)
			assert.Equal(t, tt.want, fmt.Sprintf("%X", unpadded(payload, tt.asked, !tt.older)))
		})
	}
}
