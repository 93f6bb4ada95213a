package obdtest

import (
	"bytes"
	"encoding/hex"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Lines of real adapters: J1850 as printed in the ELM327 data sheet p. 43, ISO 9141-2 and KWP from public issue
// reports of brendan-w/python-OBD (153, 188, 180).
func TestChecksums(t *testing.T) {
	for _, c := range []struct {
		name, line string
		f          func([]byte) byte
	}{
		{"J1850, engine", "486B104100BE3EB811FA", crc8},
		{"J1850, gearbox", "486B18410080108000C0", crc8},
		{"ISO 9141-2", "486B114100BE1FB810AA", sum},
		{"KWP", "86F1104100BE3EF811CD", sum},
		{"KWP, refusal", "83F1107F011115", sum},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, err := hex.DecodeString(c.line)
			require.NoError(t, err)
			assert.Equal(t, b[len(b)-1], c.f(b[:len(b)-1]))
		})
	}
}

// Trouble codes and a VIN on older buses: SAE J1979's own shapes, without a count and four characters a message.
func TestLegacyBodies(t *testing.T) {
	hexes := func(bodies [][]byte) (s []string) {
		for _, b := range bodies {
			s = append(s, hex.EncodeToString(b))
		}
		return s
	}
	assert.Equal(t, []string{"43014301960234", "43023500000000"}, hexes(legacyBodies(engine([]byte{3}, time.Time{}))))
	assert.Equal(t, []string{"43000000000000"}, hexes(legacyBodies([]byte{0x43, 0})))
	assert.Equal(t, []string{"49020100000031", "49020244344750", "49020330305235", "49020435423132", "49020533343536"},
		hexes(legacyBodies(engine([]byte{9, 2}, time.Time{}))))
}

// Joining the frames by ISO 15765-2's rules must give the payload back, for every length it allows.
func TestSplitJoins(t *testing.T) {
	for _, o := range []Options{{Padding: 0x55}, {ShortFrames: true}} {
		d := &dialogue{Adapter: New(o)}
		d.set.protocol = '6'
		for n := 1; n <= 4095; n += 1 + n/40 {
			payload := make([]byte, n)
			for i := range payload {
				payload[i] = byte(i * 7)
			}
			var got []byte
			length := 0
			for i, f := range d.split(ECU{Address: 0x7E8}, payload, time.Time{}) {
				require.LessOrEqual(t, len(f.data), 8)
				switch f.data[0] >> 4 {
				case 0:
					length, got = int(f.data[0]), f.data[1:]
				case 1:
					length = int(f.data[0]&0x0F)<<8 | int(f.data[1])
					got = append(got, f.data[2:]...)
				case 2:
					require.Equal(t, byte(i&0x0F), f.data[0]&0x0F)
					got = append(got, f.data[1:]...)
				}
			}
			require.Equal(t, n, length)
			require.True(t, bytes.Equal(payload, got[:length]), "length %d", n)
		}
	}
}

// Two computers with long answers share the bus: their lines interleave and no two frames overlap.
func TestLongAnswersInterleave(t *testing.T) {
	long := func(b byte) func([]byte, time.Time) []byte {
		return func([]byte, time.Time) []byte { return append([]byte{0x49, 4, 1}, bytes.Repeat([]byte{b}, 16)...) }
	}
	o := Options{ECUs: []ECU{{Address: 0x7E8, Answer: long(1)}, {Address: 0x7E9, Answer: long(2)}}}
	d := &dialogue{Adapter: New(o)}
	d.set = defaults(38400)
	d.set.protocol = '6'
	var order []string
	var last time.Time
	for _, f := range d.ask([]byte{9, 4}, time.Unix(0, 0)) {
		if !last.IsZero() {
			assert.GreaterOrEqual(t, f.at.Sub(last), 236*time.Microsecond)
		}
		last = f.at
		order = append(order, f.from.String()+"-"+hex.EncodeToString(f.data[:1]))
	}
	assert.Equal(t, "7E8-10 7E9-10 7E8-21 7E9-21 7E8-22 7E9-22", strings.Join(order, " "))
}

// Whatever a host sends, an adapter at rest ends up with a prompt and understands the next command.
func FuzzDialogue(f *testing.F) {
	for _, s := range []string{"ATZ", "0100", "010C1", "\x00AT\x7FE0", "ATBRD23", "ATSH18DB33F1", "ATCRAXXX", "ATCAF0", "7F", "ATTPA6\r0100", "\r\r\r"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		if len(sent) > 200 {
			return
		}
		synctest.Test(t, func(t *testing.T) {
			a := New(Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}})
			stream := a.Dial()
			defer a.Wait()
			defer stream.Close()
			go func() {
				_, _ = stream.Write(append(sent, '\r'))
				time.Sleep(time.Minute)
				_, _ = stream.Write([]byte("AT\rATE0\rATI\r"))
				time.Sleep(time.Minute)
				stream.Close()
			}()
			heard, _ := io.ReadAll(stream)
			assert.True(t, bytes.HasSuffix(heard, []byte("\r>")), "%q", heard)
			assert.Contains(t, string(heard), "ELM327 v2.1")
		})
	})
}
