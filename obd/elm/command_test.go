package elm

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// sink is a stream that keeps what is written and has nothing to read.
type sink struct{ bytes.Buffer }

func (*sink) Read([]byte) (int, error) { return 0, io.EOF }
func (*sink) Close() error             { return nil }

func TestOnlyReadingServicesAreWritten(t *testing.T) {
	// The services of SAE J1979 that read: everything else is refused.
	reads := []int{0x01, 0x02, 0x03, 0x07, 0x09, 0x0A}
	for s := range 256 {
		for n := range maxPIDs + 2 {
			for _, step := range []step{whole, unended} {
				var out sink
				c := New(&out, Options{})
				r := obd.Request{Service: obd.Service(s), PIDs: []obd.PID{0x0C, 0x0D, 0x0E, 0x0F, 0x05, 0x06, 0x07}[:n]}
				_, err := c.write(utterance{request: r, step: step})
				line := strings.TrimSpace(out.String())
				if err != nil {
					require.ErrorIs(t, err, ErrNotAllowed)
					require.Empty(t, out.String(), "service %02X", s)
					continue
				}
				require.Contains(t, reads, s)
				require.Len(t, line, 2+2*n)
				require.Equal(t, r.Service, obd.Service(hexDigit[line[0]]<<4|hexDigit[line[1]]))
				require.Equal(t, step == whole, strings.HasSuffix(out.String(), "\r"))
			}
		}
	}
}

func TestSingleCharacters(t *testing.T) {
	for step, want := range map[step]string{ending: "\r", agreeing: "\r", aborting: " ", voiding: "XXXX"} {
		var out sink
		_, err := New(&out, Options{}).write(utterance{step: step, command: "ATSP6", request: obd.Request{Service: 4}})
		require.NoError(t, err)
		assert.Equal(t, want, out.String())
	}
}

func TestRequestLines(t *testing.T) {
	for _, tt := range []struct {
		name    string
		request obd.Request
		frames  int
		want    string
		err     error
	}{
		{"one parameter", obd.Request{Service: 1, PIDs: []obd.PID{0x0C}}, 0, " 010C\r", nil},
		{"with a count", obd.Request{Service: 1, PIDs: []obd.PID{0x0C}}, 1, " 010C1\r", nil},
		{"ten frames are A", obd.Request{Service: 9, PIDs: []obd.PID{0x02}}, 10, " 0902A\r", nil},
		{"six parameters", obd.Request{Service: 1, PIDs: []obd.PID{0x0C, 0x0D, 0x0E, 0x0F, 0x05, 0x06}}, 0, " 010C0D0E0F0506\r", nil},
		{"a freeze frame's number follows", obd.Request{Service: 2, PIDs: []obd.PID{0x0C, 0x00}}, 0, " 020C00\r", nil},
		{"codes", obd.Request{Service: 3}, 0, " 03\r", nil},
		{"clearing codes", obd.Request{Service: 4}, 0, "", ErrNotAllowed},
		{"an actuator", obd.Request{Service: 8, PIDs: []obd.PID{0x01}}, 0, "", ErrNotAllowed},
		{"too many", obd.Request{Service: 1, PIDs: make([]obd.PID, 7)}, 0, "", ErrNotAllowed},
		{"too few", obd.Request{Service: 1}, 0, "", ErrNotAllowed},
		{"codes take none", obd.Request{Service: 3, PIDs: []obd.PID{0x01}}, 0, "", ErrNotAllowed},
		{"vehicle information one at a time", obd.Request{Service: 9, PIDs: []obd.PID{2, 4}}, 0, "", ErrNotAllowed},
		{"a count of two digits", obd.Request{Service: 1, PIDs: []obd.PID{0x0C}}, 16, "", ErrNotAllowed},
		{"load alone would clear codes", obd.Request{Service: 1, PIDs: []obd.PID{0x04}}, 0, "", ErrHazard},
		{"bank 2 trim alone would be an actuator test", obd.Request{Service: 1, PIDs: []obd.PID{0x08}}, 0, "", ErrHazard},
		{"air flow and commanded λ would clear codes", obd.Request{Service: 1, PIDs: []obd.PID{0x10, 0x44}}, 0, "", ErrHazard},
		{"air flow with a count would be a reset", obd.Request{Service: 1, PIDs: []obd.PID{0x10}}, 1, "", ErrHazard},
		{"air flow last of four frames would clear codes", obd.Request{Service: 1, PIDs: []obd.PID{0x0C, 0x10}}, 4, "", ErrHazard},
		{"calibration identification would clear codes", obd.Request{Service: 9, PIDs: []obd.PID{0x04}}, 0, "", ErrHazard},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var out sink
			asked := slices.Clone(tt.request.PIDs)
			_, err := New(&out, Options{}).write(utterance{request: tt.request, frames: tt.frames})
			require.ErrorIs(t, err, tt.err)
			assert.Equal(t, tt.want, out.String())
			assert.Equal(t, asked, tt.request.PIDs, "the caller's list is not touched")
		})
	}
}

// The adapter's memory, raw frames and monitoring are out of reach: every command that can be written is of the
// list, and none of these is on it.
func TestCommands(t *testing.T) {
	send := func(k command) error {
		var out sink
		_, err := New(&out, Options{}).write(utterance{command: k, step: unended})
		if err == nil {
			require.Equal(t, "  "+string(k), out.String())
		} else {
			require.Empty(t, out.String())
		}
		return err
	}
	list := []command{
		identify, identifySlowly, warmStart, reset, echoOn, echoOff, linefeedsOff, spacesOff, headersOn, headersOff, memoryOff,
		adaptiveOff, adaptive, adaptiveTight, timeoutUsual, timeoutShort, timeoutLong, protocolNumber, volts, closeProtocol, lowPower,
		receiveAll, receiveUsual, toAll11, toAll29, anyProtocol,
	}
	for _, p := range protocolOf {
		list = append(list, p)
	}
	for _, r := range rates {
		list = append(list, r.command)
	}
	for a := range obd.Address(0x1000) {
		list = append(list, sendTo(a), receiveFrom(a), sendTo(0x18DAF000|a), receiveFrom(0x18DAF000|a))
	}
	list = slices.DeleteFunc(list, func(k command) bool { return k == "" })
	assert.Len(t, list, 26+9+4+2*8+2*256)
	for _, k := range list {
		require.NoError(t, send(k), string(k))
		bare := strings.TrimSpace(string(k))
		require.True(t, strings.HasPrefix(bare, "AT"), bare)
		for _, forbidden := range []string{"SP", "PP", "SD", "CV", "@3", "MA", "MR", "MT", "MP", "CAF", "CFC", "FC", "R0", "RTR", "BI", "PB", "M1", "WM", "CSM", "IB", "AL", "V1", "KW", "TA", "SI", "FI"} {
			require.False(t, strings.HasPrefix(bare[2:], forbidden), bare)
		}
	}
	for _, k := range []command{"ATSP6", "ATSP0", "ATPP0CSV23", "ATMA", "ATCAF0", "ATM1", "ATSH7E8", "ATSH123", "ATSHDA10F2", "ATCRA123", "ATCRA",
		"ATCRA7E8 ", "ATTP0A", "ATTPA6", "ATBRD00", "0104", "04", "\r", "ATI\r04", "ATSH7E0\r04", "ATSH 7E0"} {
		if k == receiveAll {
			continue
		}
		assert.ErrorIs(t, send(k), ErrNotAllowed, string(k))
	}
}

func FuzzRequestIsReadOnly(f *testing.F) {
	f.Add(byte(1), []byte{0x04, 0x0C}, 1)
	f.Add(byte(4), []byte{}, 0)
	f.Add(byte(1), []byte{0x10, 0x44}, 0)
	f.Fuzz(func(t *testing.T, service byte, pids []byte, frames int) {
		r := obd.Request{Service: obd.Service(service)}
		for _, p := range pids {
			r.PIDs = append(r.PIDs, obd.PID(p))
		}
		var out sink
		_, err := New(&out, Options{}).write(utterance{request: r, frames: frames})
		line := out.String()
		if err != nil {
			require.ErrorIs(t, err, ErrNotAllowed)
			require.Empty(t, line)
			return
		}
		require.True(t, r.Service.ReadsOnly())
		require.True(t, strings.HasPrefix(line, " 0"), line)
		require.Equal(t, 1, strings.Count(line, "\r"), line)
		require.True(t, strings.HasSuffix(line, "\r"), line)
		require.LessOrEqual(t, len(strings.TrimSpace(line)), 15, "the adapter takes no longer line")
		requireHarmless(t, line, cautionOf(r))
	})
}
