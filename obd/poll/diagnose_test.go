package poll

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// book is a car that answers from a list: a request as it is written (09 02), and "7E8:49 02 ..." for each engine
// computer that answers it, in order. A list of several turns, divided by |, is gone through, the last for ever.
type book struct {
	answers map[string]string
	broken  string // a request at which the link breaks
	asked   []string
	turns   map[string]int
}

func (b *book) Request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	if err := ctx.Err(); err != nil {
		return obd.Answer{}, err
	}
	if r.To != obd.Everybody {
		return obd.Answer{}, fmt.Errorf("asked %v of %v instead of everybody", r, r.To)
	}
	key := r.String()
	b.asked = append(b.asked, key)
	if key == b.broken {
		return obd.Answer{}, errUnplugged
	}
	if b.turns == nil {
		b.turns = map[string]int{}
	}
	turns := strings.Split(b.answers[key], "|")
	turn := turns[min(b.turns[key], len(turns)-1)]
	b.turns[key]++
	var a obd.Answer
	for _, said := range strings.Split(turn, ",") {
		from, text, ok := strings.Cut(strings.TrimSpace(said), ":")
		if !ok {
			continue
		}
		var address obd.Address
		if _, err := fmt.Sscanf(from, "%X", (*uint32)(&address)); err != nil {
			return obd.Answer{}, err
		}
		payload, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
		if err != nil {
			return obd.Answer{}, err
		}
		a.Messages = append(a.Messages, obd.Message{From: address, Payload: payload})
	}
	if len(a.Messages) == 0 {
		return obd.Answer{}, fmt.Errorf("request %s: %w", r, obd.ErrNoAnswer)
	}
	return a, nil
}

var errUnplugged = errors.New("unplugged")

// twoOnCAN is a car on CAN with an engine's computer and a gearbox's.
var twoOnCAN = Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: {0x01, 0x0C}, 0x7E9: {0x01}}}

// unnamedOnCAN is a car on CAN behind an adapter that does not tell who answers.
var unnamedOnCAN = Found{CAN: true, Supported: map[obd.Address][]obd.PID{0: {0x01, 0x0C}}}

// oneOnKLine is a car from before CAN.
var oneOnKLine = Found{Engine: 0x10, Supported: map[obd.Address][]obd.PID{0x10: {0x01, 0x0C}}}

// written shows answers as the book has them.
func written(list []Static) (all []string) {
	for _, s := range list {
		all = append(all, fmt.Sprintf("%v:%X", s.From, s.Payload))
	}
	return all
}

func silentOf(d Diagnosis) (all []string) {
	for _, r := range d.Silent {
		all = append(all, r.String())
	}
	return all
}

// The VIN is the worked example of the ELM327-class data sheet's section on multiline responses; codes and frames are
// those of the compliance test SAE J1699-3 (P0143 is 01 43), the rest is invented.
func TestDiagnose(t *testing.T) {
	healthy := map[string]string{
		"01 01": "7E8:41 01 00 07 E5 00, 7E9:41 01 00 04 00 00", "03": "7E8:43 00, 7E9:43 00", "07": "7E8:47 00, 7E9:47 00", "0A": "7E8:4A 00",
		"09 00": "7E8:49 00 54 40 00 00, 7E9:49 00 14 00 00 00",
		"09 02": "7E8:49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36",
		"09 04": "7E8:49 04 01 43 41 4C 2D 31 00 00 00 00 00 00 00 00 00 00 00, 7E9:49 04 01 54 52 2D 39 00 00 00 00 00 00 00 00 00 00 00 00",
		"09 06": "7E8:49 06 01 17 91 BC 82, 7E9:49 06 01 16 E0 62 BE",
		"09 0A": "7E8:49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00",
	}
	with := func(more map[string]string) map[string]string {
		all := map[string]string{}
		for _, m := range []map[string]string{healthy, more} {
			for k, v := range m {
				all[k] = v
			}
		}
		return all
	}
	for _, tt := range []struct {
		name    string
		found   Found
		answers map[string]string
		asked   []string // in order
		got     int      // answers kept
		silent  []string
	}{
		{"a healthy car", twoOnCAN, healthy,
			[]string{"01 01", "03", "07", "0A", "09 00", "09 02", "09 0A", "09 06", "09 04"}, 15, nil},
		{"a lost answer is asked for again", twoOnCAN, with(map[string]string{"03": "7E8:43 00|7E8:43 00, 7E9:43 00", "01 01": "|7E8:41 01 00 07 E5 00, 7E9:41 01 00 04 00 00"}),
			[]string{"01 01", "01 01", "03", "03", "07", "0A", "09 00", "09 02", "09 0A", "09 06", "09 04"}, 15, nil},
		{"what there is not is not asked", twoOnCAN, with(map[string]string{"09 00": "7E8:49 00 40 00 00 00", "0A": ""}),
			[]string{"01 01", "03", "07", "0A", "09 00", "09 02"}, 8, []string{"0A"}},
		{"an answer to something else", twoOnCAN, with(map[string]string{"09 02": "7E8:49 04 01 31", "09 06": "7E8:41 06 80"}),
			[]string{"01 01", "03", "07", "0A", "09 00", "09 02", "09 02", "09 0A", "09 06", "09 06", "09 04"}, 12, []string{"09 02", "09 06"}},
		{"a code with its frame", twoOnCAN, with(map[string]string{"01 01": "7E8:41 01 81 07 E5 00, 7E9:41 01 00 04 00 00", "03": "7E8:43 01 01 43, 7E9:43 00",
			"02 02 00": "7E8:42 02 00 01 43", "02 00 00": "7E8:42 00 00 58 18 00 01", "02 20 00": "7E8:42 20 00 00 02 00 00", // 02 04 05 0C 0D and 2F
			"02 04 00": "7E8:42 04 00 2E", "02 05 00": "7E8:42 05 00 75", "02 0C 00": "7E8:42 0C 00 0A 8E", "02 2F 00": "7E8:42 2F 00 5C"}),
			[]string{"01 01", "03", "07", "0A", "02 02 00", "02 00 00", "02 20 00", "02 04 00", "02 05 00", "02 0C 00", "02 0D 00", "02 2F 00",
				"09 00", "09 02", "09 0A", "09 06", "09 04"}, 22, []string{"02 0D 00"}},
		{"a code without a frame", twoOnCAN, with(map[string]string{"03": "7E8:43 01 01 43, 7E9:43 00", "02 02 00": "7E8:42 02 00 00 00"}),
			[]string{"01 01", "03", "07", "0A", "02 02 00", "09 00", "09 02", "09 0A", "09 06", "09 04"}, 16, nil},
		{"what Discover has read", Found{Engine: 0x7E8, Supported: twoOnCAN.Supported, Static: []Static{
			{0x7E8, obd.CurrentData, 0x4F, []byte{0x41, 0x4F, 0, 0, 0, 0}}, {0x7E8, obd.VehicleInfo, 0x02, []byte{0x49, 2, 1, 'X'}},
			{0x7E8, obd.VehicleInfo, 0x04, []byte{0x49, 4, 1, 'X'}}, {0x7E9, obd.VehicleInfo, 0x04, []byte{0x49, 4, 1, 'Y'}}}}, healthy,
			[]string{"01 01", "03", "07", "0A", "09 00", "09 0A", "09 06"}, 15, nil},
		{"what Discover has read of another only", Found{Engine: 0x7E8, Supported: twoOnCAN.Supported, Static: []Static{
			{0x7E9, obd.VehicleInfo, 0x04, []byte("\x49\x04\x01TR-9\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00")}}}, healthy,
			[]string{"01 01", "03", "07", "0A", "09 00", "09 02", "09 0A", "09 06", "09 04"}, 15, nil},
		{"only one of those who have it answers at first", twoOnCAN, with(map[string]string{"09 06": "7E9:49 06 01 16 E0 62 BE|7E8:49 06 01 17 91 BC 82"}),
			[]string{"01 01", "03", "07", "0A", "09 00", "09 02", "09 0A", "09 06", "09 06", "09 04"}, 15, nil},
		{"on CAN, nobody is named, without codes", unnamedOnCAN, map[string]string{"01 01": "0:41 01 00 07 E5 00", "03": "0:43 00", "07": "0:47 00",
			"0A": "0:4A 00", "09 00": "0:49 00 00 00 00 00"}, []string{"01 01", "03", "07", "0A", "09 00"}, 5, nil},
		{"on CAN, nobody is named, a code with its frame", unnamedOnCAN, map[string]string{"01 01": "0:41 01 01 07 E5 00", "03": "0:43 01 01 43",
			"07": "0:47 00", "0A": "0:4A 01 01 43", "02 02 00": "0:42 02 00 01 43", "02 00 00": "0:42 00 00 00 10 00 00", "02 0C 00": "0:42 0C 00 0A 8E",
			"09 00": "0:49 00 00 00 00 00"}, []string{"01 01", "03", "07", "0A", "02 02 00", "02 00 00", "02 0C 00", "09 00"}, 8, nil},
		{"before CAN, without codes", oneOnKLine, map[string]string{"01 01": "10:41 01 00 07 E5 00", "09 00": "10:49 00 01 40 00 00 00",
			"09 02": "10:49 02 01 00 00 00 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36"},
			[]string{"01 01", "03", "03", "07", "07", "09 00", "09 02"}, 3, []string{"03", "07"}},
		{"before CAN, with four codes and a frame", oneOnKLine, map[string]string{"01 01": "10:41 01 84 07 E5 00",
			"03": "10:43 01 43 01 96 02 34, 10:43 02 35 00 00 00 00", "02 02 00": "10:42 02 00 01 43", "02 00 00": "10:42 00 00 48 18 00 00",
			"02 05 00": "10:42 05 00 75", "02 0C 00": "10:42 0C 00 0A 8E", "02 0D 00": "10:42 0D 00 00", "09 00": "10:49 00 01 00 00 00 00"},
			[]string{"01 01", "03", "07", "07", "02 02 00", "02 00 00", "02 05 00", "02 0C 00", "02 0D 00", "09 00"}, 9, []string{"07"}},
		{"a car that says nothing", twoOnCAN, nil, []string{"01 01", "01 01", "03", "03", "07", "07", "0A", "09 00", "09 00", "09 02", "09 02",
			"09 0A", "09 0A", "09 06", "09 06", "09 04", "09 04"}, 0, []string{"01 01", "03", "07", "0A", "09 00", "09 02", "09 0A", "09 06", "09 04"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := &book{answers: tt.answers}
			d, err := Diagnose(t.Context(), b, tt.found)
			require.NoError(t, err)
			assert.Equal(t, tt.asked, b.asked)
			assert.Len(t, d.Answers, tt.got, "%s", written(d.Answers))
			assert.Equal(t, tt.silent, silentOf(d))
		})
	}
}

func TestCheckCodesIsShort(t *testing.T) {
	b := &book{answers: map[string]string{"01 01": "7E8:41 01 81 07 E5 00, 7E9:41 01 00 04 00 00", "03": "7E8:43 01 01 43, 7E9:43 00", "07": "7E8:47 00, 7E9:47 00"}}
	d, err := CheckCodes(t.Context(), b, twoOnCAN)
	require.NoError(t, err)
	assert.Equal(t, []string{"01 01", "03", "07"}, b.asked)
	assert.Equal(t, []string{"7E8:41018107E500", "7E9:410100040000", "7E8:43010143", "7E9:4300", "7E8:4700", "7E9:4700"}, written(d.Answers))
	assert.Equal(t, Static{From: 0x7E8, Service: obd.StoredCodes, Payload: []byte{0x43, 1, 1, 0x43}}, d.Answers[2])
}

func TestDiagnoseEndsWithTheLink(t *testing.T) {
	b := &book{answers: map[string]string{"01 01": "7E8:41 01 00 07 E5 00, 7E9:41 01 00 04 00 00", "03": "7E8:43 00, 7E9:43 00"}, broken: "07"}
	d, err := Diagnose(t.Context(), b, twoOnCAN)
	require.ErrorIs(t, err, errUnplugged)
	assert.ErrorContains(t, err, "asking the car for 07")
	assert.Len(t, d.Answers, 4, "what was learned before")

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = CheckCodes(ctx, b, twoOnCAN)
	assert.ErrorIs(t, err, context.Canceled)
}

func FuzzDiagnose(f *testing.F) {
	f.Add([]byte{0x43, 1, 1, 0x43}, []byte{0x42, 2, 0, 1, 0x43}, []byte{0x42, 0, 0, 0xFF, 0xFF, 0xFF, 0xFF}, []byte{0x49, 0, 0xFF, 0xFF, 0xFF, 0xFF})
	f.Add([]byte{0x41}, []byte{0x42}, []byte{}, []byte{0x49, 0})
	f.Fuzz(func(t *testing.T, a, b, c, d []byte) {
		car := &parrot{payloads: [][]byte{a, b, c, d}}
		got, err := Diagnose(t.Context(), car, twoOnCAN)
		require.NoError(t, err)
		require.Less(t, car.asked, 4*attempts*256)
		for _, s := range got.Answers {
			require.NotEmpty(t, s.Payload)
			require.Equal(t, byte(s.Service)+obd.ResponseOffset, s.Payload[0])
		}
	})
}

// parrot says the same, whatever it is asked.
type parrot struct {
	payloads [][]byte
	asked    int
}

func (p *parrot) Request(context.Context, obd.Request) (obd.Answer, error) {
	p.asked++
	var a obd.Answer
	for _, b := range p.payloads {
		a.Messages = append(a.Messages, obd.Message{From: 0x7E8, Payload: b})
	}
	return a, nil
}
