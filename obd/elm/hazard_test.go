package elm

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/pid"
	"underdash/obd/poll"
)

// harmful judges a line's digits as an adapter would take them: an odd last one is a count. Written anew, from the
// standards' side: which first bytes with how many more are an order.
func harmful(line string, how caution) bool {
	line = strings.TrimSpace(line)
	if len(line) < 2 {
		return false
	}
	switch line[:2] { // for speed
	case "04", "08", "10", "11", "14", "27", "28", "2C", "2E", "2F", "30", "31", "32", "34", "35", "38", "3B", "3D", "83", "85", "86", "87":
	default:
		return false
	}
	b, err := hex.DecodeString(line[:len(line)&^1])
	if err != nil || len(b) == 0 {
		return false // the adapter says ?
	}
	more := len(b) - 1
	switch b[0] {
	case 0x04: // SAE J1979: clear codes; whatever follows
		return true
	case 0x08: // SAE J1979: control a system
		return how == strictly || more == 0 || b[1] == 0x01
	case 0x10: // ISO 14229-1, ISO 14230-3: programming session
		return more >= 1 && (b[1] == 0x02 || b[1] == 0x82 || b[1] == 0x85)
	case 0x11: // ISO 14229-1: reset, of all kinds but those in reserve (00, 06 to 3F)
		return more >= 1 && b[1]%0x80 != 0 && (b[1]%0x80 <= 0x05 || b[1]%0x80 >= 0x40)
	case 0x28, 0x2C, 0x31, 0x32, 0x83, 0x85, 0x86, 0x87:
		return more >= 1
	case 0x14, 0x27, 0x30, 0x3B:
		return more >= 2
	case 0x2E, 0x2F:
		return more >= 3
	case 0x34, 0x35, 0x3D:
		return more >= 4
	case 0x38:
		return more >= 5
	}
	return false
}

// lines are the forms of a request that are sent in one go.
func lines(t testing.TB, r obd.Request, frames int) (sent []string, p *plan) {
	t.Helper()
	var n counts
	p = n.plan(r, false)
	want := slices.Sorted(slices.Values(r.PIDs))
	for _, q := range []*request{&p.plain, p.with(frames)} {
		if got := slices.Sorted(slices.Values(q.PIDs)); !slices.Equal(want, got) {
			t.Fatalf("%v is asked as %v", want, got)
		}
		if q.state == safe {
			sent = append(sent, string(appendRequest(nil, q.Request, q.frames)))
		}
	}
	return sent, p
}

func requireHarmless(t testing.TB, line string, how caution) {
	t.Helper()
	for lost := 1; lost < len(line); lost++ {
		if rest := line[lost:]; strings.TrimSpace(rest) != strings.TrimSpace(line) && harmful(rest, how) {
			t.Fatalf("%q has lost %d characters and is an order", line, lost)
		}
	}
}

// common are the parameters that cars have of which a mixture log may want to know (SAE J1979).
var common = []obd.PID{
	0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x12, 0x14, 0x15, 0x18, 0x19, 0x1F,
	0x21, 0x22, 0x23, 0x24, 0x28, 0x2C, 0x2D, 0x2E, 0x2F, 0x30, 0x31, 0x32, 0x33, 0x34, 0x38, 0x3C, 0x3D, 0x41, 0x42, 0x43, 0x44, 0x45,
	0x46, 0x47, 0x49, 0x4A, 0x4C, 0x51, 0x52, 0x59, 0x5A, 0x5C, 0x5E, 0x61, 0x62, 0x66, 0x67, 0x68, 0x70, 0x87, 0x8E, 0x9D, 0x9E, 0xA6,
}

// Every parameter alone, with every count, all pairs of the common ones, and a great many larger groups: what is
// sent in one go is harmless whatever it has lost in front. Nearly everything without 04 can be sent in one go.
func TestNoRequestBecomesAnOrder(t *testing.T) {
	sent, twoSteps := 0, 0
	check := func(pids []obd.PID, frames int) {
		l, p := lines(t, obd.Request{Service: obd.CurrentData, PIDs: pids}, frames)
		for _, line := range l {
			requireHarmless(t, line, caution(len(pids) == 1))
		}
		switch {
		case p.plain.state == safe:
			sent++
			require.NotContains(t, pids, obd.PID(0x04))
		case len(pids) == 1:
			require.Contains(t, []obd.PID{0x04, 0x08}, pids[0])
		case !slices.Contains(pids, 0x04):
			twoSteps++
		}
	}
	for a := range 256 {
		for frames := range maxCount + 1 {
			check([]obd.PID{obd.PID(a)}, frames)
		}
	}
	for i, a := range common {
		for k, b := range common {
			check([]obd.PID{a, b}, 1+(i+k)%4)
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 5_000 {
		some := slices.Clone(common)
		random.Shuffle(len(some), func(i, j int) { some[i], some[j] = some[j], some[i] })
		check(some[:3+random.IntN(4)], 1+random.IntN(6))
	}
	assert.Less(t, float64(twoSteps)/float64(sent), 0.05)
}

// Every group of up to six that the default set of a mixture log can be put into, with the number of its frames, on
// cars whose oxygen sensors are of each kind: what is sent in one go is harmless, and few have to go in two steps. The
// kind of sensor changes two parameters, so that one car is gone through with groups of six, the others of four.
func TestNoGroupOfTheDefaultSetBecomesAnOrder(t *testing.T) {
	rest := []obd.PID{0x01, 0x03, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x12, 0x1F, 0x23, 0x2C, 0x2E,
		0x2F, 0x33, 0x42, 0x43, 0x44, 0x46, 0x52, 0x5C, 0x5E}
	for _, car := range []struct {
		name    string
		has     []obd.PID // besides the rest
		without []obd.PID
		most    int
	}{
		{"sensors by current", []obd.PID{0x34, 0x38}, nil, 6},
		{"sensors by voltage", []obd.PID{0x24, 0x28}, nil, 4},
		{"four banks", []obd.PID{0x1D, 0x24, 0x26}, nil, 4},
		{"narrow-band", []obd.PID{0x13, 0x14, 0x18}, nil, 4},
		{"later forms", []obd.PID{0x47, 0x59, 0x66, 0x67, 0x68, 0x87, 0x8C, 0x9D}, []obd.PID{0x05, 0x0B, 0x0F, 0x10, 0x11, 0x23, 0x5E}, 4},
	} {
		t.Run(car.name, func(t *testing.T) {
			has := append(slices.Clone(car.has), rest...)
			has = slices.DeleteFunc(has, func(p obd.PID) bool { return slices.Contains(car.without, p) })
			channels := poll.DefaultChannels(poll.Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: has}})
			require.Greater(t, len(channels), 26)
			if testing.Short() {
				car.most = 4
			}
			groups, counted, twoSteps := 0, 0, 0
			var room [maxPIDs]obd.PID
			var add func(group []obd.PID, from, payload int)
			add = func(group []obd.PID, from, payload int) {
				if len(group) > 1 {
					groups++
					for _, frames := range []int{0, framesOf(payload)} {
						q := request{Request: obd.Request{Service: obd.CurrentData, PIDs: append(room[:0], group...)}, frames: frames}
						switch q.judge(); {
						case q.state != safe && frames == 0:
							twoSteps++
							continue
						case q.state != safe:
							continue
						case frames > 0:
							counted++
						}
						requireHarmless(t, string(appendRequest(nil, q.Request, q.frames)), byTest)
					}
				}
				for i := from; i < len(channels) && len(group) < car.most; i++ {
					width, ok := pid.Width(channels[i].PID)
					require.True(t, ok)
					add(append(group, channels[i].PID), i+1, payload+1+width)
				}
			}
			add(make([]obd.PID, 0, 6), 0, 1)
			t.Logf("%d groups of %d channels, %d with a count, %d in two steps", groups, len(channels), counted, twoSteps)
			require.Greater(t, float64(counted), 0.9*float64(groups))
			require.Less(t, float64(twoSteps), 0.05*float64(groups))
		})
	}
}

// The groups that a mixture log is made of keep their count.
func TestUsualGroupsAreCounted(t *testing.T) {
	for _, tt := range []struct {
		pids   []obd.PID
		frames int
	}{
		{[]obd.PID{0x0C}, 1}, {[]obd.PID{0x0B}, 1}, {[]obd.PID{0x0C, 0x10}, 1}, {[]obd.PID{0x0B, 0x44}, 2}, {[]obd.PID{0x43, 0x0C}, 2},
		{[]obd.PID{0x0C, 0x0B, 0x10, 0x11, 0x34, 0x06}, 3}, {[]obd.PID{0x0C, 0x0B, 0x10, 0x24, 0x34, 0x44}, 4},
		{[]obd.PID{0x43, 0x06, 0x07, 0x08, 0x09, 0x0E}, 3}, {[]obd.PID{0x10, 0x11, 0x0C, 0x31, 0x34, 0x44}, 3},
	} {
		_, p := lines(t, obd.Request{Service: 1, PIDs: tt.pids}, tt.frames)
		assert.Equal(t, tt.frames, p.with(tt.frames).frames, "%v", tt.pids)
	}
}

// What the standards say of single examples.
func TestHazards(t *testing.T) {
	for _, tt := range []struct {
		line string
		want bool
		why  string
	}{
		{"010C", false, "0C is no service, 10 without a session's number is none"},
		{"0104", true, "04 clears codes"},
		{"01041", true, "04 and a count of 1"},
		{"010C04", true, "04 again"},
		{"010C0D", false, ""},
		{"010408", true, "08 controls a system"},
		{"011044", true, "044: 04 and a count of 4"},
		{"014410", false, ""},
		{"01101", true, "1101: hard reset (ISO 14229-1)"},
		{"01103", true, "1103: soft reset"},
		{"01111", false, "1111: in reserve"},
		{"0904", true, "04"},
		{"0902", false, "02 without a parameter"},
		{"0906", false, "06 reads"},
		{"020400", true, "0400"},
		{"03", false, "a single digit is nothing"},
		{"031", false, "31 without a routine's number"},
		{"ATBRD08", true, "08"},
		{"ATBRD23", false, "23 reads"},
		{"ATSHDA04F1", true, "04F1"},
		{"ATSHDA10F1", false, "10F1: a maker's own session"},
		{"ATSH7E0", false, "E0 is no service"},
		{" 010C", false, "spaces mean nothing"},
		{"", false, ""},
	} {
		assert.Equal(t, tt.want, becomesOrder([]byte(tt.line), strictly), "%s: %s", tt.line, tt.why)
	}
	for line, want := range map[string]bool{
		"010C04": true, "01040C": true, "010C040D": true, "0110444": true, "011044": true, "010C10442": true, "010C4410": false, "010C44104": true,
		"0108010C": true, "01080C": false, "010C08": true, "010C101": false,
	} {
		assert.Equal(t, want, becomesOrder([]byte(line), byTest), line)
	}
}

// Commands too: those that could become an order are sent in two steps.
func TestNoCommandBecomesAnOrder(t *testing.T) {
	careful := 0
	for a := range obd.Address(256) {
		for _, k := range []command{sendTo(0x18DAF100 | a), receiveFrom(0x18DAF100 | a), sendTo(0x7E8 | a&7), receiveFrom(0x7E8 | a&7)} {
			if becomesOrder([]byte(k), strictly) {
				careful++
				continue
			}
			requireHarmless(t, string(k), strictly)
		}
	}
	assert.Less(t, careful, 40)
	for _, k := range []command{
		identify, warmStart, reset, echoOn, echoOff, linefeedsOff, spacesOff, headersOn, headersOff, memoryOff, adaptiveOff, adaptive, adaptiveTight,
		timeoutUsual, timeoutShort, timeoutLong, protocolNumber, volts, closeProtocol, lowPower, receiveAll, receiveUsual, toAll11, toAll29, anyProtocol,
	} {
		assert.False(t, becomesOrder([]byte(k), strictly), string(k))
		requireHarmless(t, string(k), strictly)
	}
}

func BenchmarkArrange(b *testing.B) {
	r := obd.Request{Service: 1, PIDs: []obd.PID{0x31, 0x28, 0x10, 0x04, 0x08, 0x32}} // no order will do
	for b.Loop() {
		if arrange(r, 4) {
			b.Fatal(fmt.Sprint(r))
		}
	}
}
