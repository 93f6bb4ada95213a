package poll_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
	"underdash/obd/poll"
)

// The whole way from the poller to the engine computer and back, in simulated time, so that no machine's load shows.
// .ci/numbers link measures the same at length.
func TestPollingIsAtTheLinksLimit(t *testing.T) {
	for _, l := range links {
		t.Run(l.name, func(t *testing.T) {
			r := measure(t, l.line, 0, 1, six, fastChannels(six), 20*time.Second)
			limit := l.line.Limit(2, 1, 1, 1, 1, 1)
			assert.GreaterOrEqual(t, r.perSecond, 0.95*limit)
			assert.LessOrEqual(t, r.perSecond, limit, "or the limit is none")
			assert.LessOrEqual(t, r.uneven, 1.25)
			assert.LessOrEqual(t, r.rms, 3*time.Millisecond)
			if l.line.Delay == 0 { // where the line's pace is known, half the answering time and little more is in doubt
				assert.LessOrEqual(t, r.half, l.line.Answer/2+time.Millisecond)
			}
			assert.Zero(t, r.outside)
		})
	}
}

func TestPollingTheDefaultSet(t *testing.T) {
	found := poll.Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: many}}
	r := measure(t, links[0].line, 0, 1, many, poll.DefaultChannels(found), 40*time.Second)
	assert.LessOrEqual(t, r.uneven, 1.25)
	assert.Zero(t, r.outside)
	for _, rate := range r.rates {
		assert.LessOrEqual(t, rate.Got, rate.Asked)
		if rate.Class == poll.Fast {
			assert.Greater(t, rate.Got, 20.0, "%s", rate.PID)
			continue
		}
		assert.InDelta(t, 1, rate.Got/rate.Wanted, 0.15, "%s %s", rate.Class, rate.PID)
		assert.Less(t, rate.Worst.Seconds(), 1.5/rate.Wanted, "%s %s", rate.Class, rate.PID)
	}
}

// Where an adapter neither shows who answers nor can ask one alone, the protocol tells how trouble codes are written:
// 43 00 is none on CAN (SAE J1979, which puts a count before the codes there).
func TestDiagnoseWhereNobodyIsNamed(t *testing.T) {
	for _, tt := range []struct {
		protocol byte
		from     obd.Address
		can      bool
		services []obd.Service // asked after Discover, but for 09
	}{
		{'6', 0x7E8, true, []obd.Service{1, 3, 7, 0x0A}},
		{'7', 0x18DAF110, true, []obd.Service{1, 3, 7, 0x0A}},
		{'5', 0x10, false, []obd.Service{1, 3, 7}},
	} {
		t.Run(string(tt.protocol), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := obdtest.New(obdtest.Options{Protocol: tt.protocol, Refused: []string{"H", "SH", "CRA"}, ECUs: []obdtest.ECU{{Address: tt.from,
					Answer: func(r []byte, _ time.Time) []byte {
						switch {
						case r[0] == 1 && r[1] == 0:
							return []byte{0x41, 0, 0x80, 0x10, 0, 0}
						case r[0] == 1 && r[1] == 1:
							return []byte{0x41, 1, 0, 0x07, 0xE5, 0}
						case r[0] == 3, r[0] == 7, r[0] == 0x0A:
							return []byte{r[0] + 0x40, 0}
						}
						return nil
					}}}})
				conn := elm.New(a.Dial(), elm.Options{})
				defer a.Wait()
				defer conn.Close()
				_, err := conn.Open(t.Context())
				require.NoError(t, err)
				found, err := poll.Discover(t.Context(), conn)
				require.NoError(t, err)
				assert.Zero(t, found.Engine)
				assert.Equal(t, tt.can, found.CAN)
				before := len(a.Requests())
				_, err = poll.Diagnose(t.Context(), conn, found)
				require.NoError(t, err)
				var services []obd.Service
				for _, r := range a.Requests()[before:] {
					if s := obd.Service(r.Data[0]); s != obd.VehicleInfo {
						services = append(services, s)
					}
				}
				assert.Equal(t, tt.services, services, "and no freeze frame")
			})
		})
	}
}
