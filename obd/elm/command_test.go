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
			var out sink
			c := New(&out, Options{})
			r := obd.Request{Service: obd.Service(s), PIDs: []obd.PID{0x0C, 0x0D, 0x0E, 0x0F, 0x05, 0x06, 0x07}[:n]}
			_, err := c.write(utterance{request: r})
			line := strings.TrimSpace(out.String())
			switch {
			case s == 0 && n == 0:
				assert.NoError(t, err)
				assert.Equal(t, " ", out.String(), "nothing to say is the aborting space")
			case err != nil:
				require.ErrorIs(t, err, ErrNotAllowed)
				require.Empty(t, out.String(), "service %02X", s)
			default:
				require.Contains(t, reads, s)
				require.Len(t, line, 2+2*n)
				require.Equal(t, r.Service, obd.Service(hexDigit[line[0]]<<4|hexDigit[line[1]]))
			}
		}
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
		{"one parameter", obd.Request{Service: 1, PIDs: []obd.PID{0x0C}}, 0, "  010C\r", nil},
		{"with a count", obd.Request{Service: 1, PIDs: []obd.PID{0x0C}}, 1, "  010C1\r", nil},
		{"ten frames are A", obd.Request{Service: 9, PIDs: []obd.PID{0x04}}, 10, "  0904A\r", nil},
		{"six parameters", obd.Request{Service: 1, PIDs: []obd.PID{0x0C, 0x0D, 0x0E, 0x0F, 0x05, 0x06}}, 0, "  010C0D0E0F0506\r", nil},
		{"load is neither first nor last", obd.Request{Service: 1, PIDs: []obd.PID{0x04, 0x0C, 0x0D}}, 0, "  010C040D\r", nil},
		{"load was last", obd.Request{Service: 1, PIDs: []obd.PID{0x0C, 0x0D, 0x04}}, 0, "  010C040D\r", nil},
		{"load with one other", obd.Request{Service: 1, PIDs: []obd.PID{0x04, 0x0C}}, 0, "  010C04\r", nil},
		{"load alone", obd.Request{Service: 1, PIDs: []obd.PID{0x04}}, 0, "  0104\r", nil},
		{"air flow and throttle after speed", obd.Request{Service: 1, PIDs: []obd.PID{0x10, 0x11, 0x0D}}, 0, "  010D1011\r", nil},
		{"a freeze frame's number stays where it is", obd.Request{Service: 2, PIDs: []obd.PID{0x04, 0x00}}, 0, "  020400\r", nil},
		{"codes", obd.Request{Service: 3}, 0, "  03\r", nil},
		{"clearing codes", obd.Request{Service: 4}, 0, "", ErrNotAllowed},
		{"an actuator", obd.Request{Service: 8, PIDs: []obd.PID{0x01}}, 0, "", ErrNotAllowed},
		{"too many", obd.Request{Service: 1, PIDs: make([]obd.PID, 7)}, 0, "", ErrNotAllowed},
		{"too few", obd.Request{Service: 1}, 0, "", ErrNotAllowed},
		{"codes take none", obd.Request{Service: 3, PIDs: []obd.PID{0x01}}, 0, "", ErrNotAllowed},
		{"vehicle information one at a time", obd.Request{Service: 9, PIDs: []obd.PID{2, 4}}, 0, "", ErrNotAllowed},
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

// However the parameters are given, all of them are asked, and one whose number is that of a writing service comes
// first or last only where there is nothing else to put there.
func TestOrderKeepsDangerousNumbersInside(t *testing.T) {
	var all []obd.PID
	for p := range 256 {
		all = append(all, obd.PID(p))
	}
	dangerous := slices.DeleteFunc(slices.Clone(all), harmless)
	fine := []obd.PID{0x0C, 0x0D, 0x0B, 0x05}
	for n := 2; n <= maxPIDs; n++ {
		for bad := 1; bad < n; bad++ {
			for shift := range dangerous {
				var pids []obd.PID
				for i := range bad {
					pids = append(pids, dangerous[(shift+i)%len(dangerous)])
				}
				for i := range n - bad {
					pids = append(pids, fine[i%len(fine)]+obd.PID(0x40*(i/len(fine))))
				}
				for range n {
					pids = append(pids[1:], pids[0])
					got := order(nil, obd.Request{Service: obd.CurrentData, PIDs: pids})
					require.ElementsMatch(t, pids, got)
					require.True(t, harmless(got[0]), "%v", got)
					if n-bad > 1 {
						require.True(t, harmless(got[n-1]), "%v", got)
					}
				}
			}
		}
	}
	// ISO 14229-1 and SAE J1979: what these do is not reading.
	for _, s := range []obd.PID{0x04, 0x08, 0x10, 0x11, 0x14, 0x27, 0x2E, 0x2F, 0x31, 0x34} {
		assert.False(t, harmless(s), "%v", s)
	}
}

// The adapter's memory, raw frames and monitoring are out of reach.
func TestCommandsAreHarmless(t *testing.T) {
	for _, line := range commands[1:] {
		assert.True(t, strings.HasPrefix(strings.TrimSpace(line), "AT"), line)
		for _, forbidden := range []string{"SP", "PP", "SD", "CV", "@3", "MA", "MR", "MT", "SH", "CAF", "CFC", "FC", "R0", "RTR", "BI", "PB", "M1", "WM", "CSM", "IB"} {
			assert.False(t, strings.HasPrefix(strings.TrimSpace(line)[2:], forbidden), line)
		}
	}
}

func FuzzRequestIsReadOnly(f *testing.F) {
	f.Add(byte(1), []byte{0x04, 0x0C}, 1)
	f.Add(byte(4), []byte{}, 0)
	f.Fuzz(func(t *testing.T, service byte, pids []byte, frames int) {
		r := obd.Request{Service: obd.Service(service)}
		for _, p := range pids {
			r.PIDs = append(r.PIDs, obd.PID(p))
		}
		if service == 0 && len(pids) == 0 {
			return
		}
		var out sink
		_, err := New(&out, Options{}).write(utterance{request: r, frames: frames & maxCount})
		line := out.String()
		if err != nil {
			require.Empty(t, line)
			return
		}
		require.True(t, r.Service.ReadsOnly())
		require.True(t, strings.HasPrefix(line, "  0"), line)
		require.Equal(t, 1, strings.Count(line, "\r"), line)
		require.True(t, strings.HasSuffix(line, "\r"), line)
		require.LessOrEqual(t, len(strings.TrimSpace(line)), 15, "the adapter takes no longer line")
	})
}
