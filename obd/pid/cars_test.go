package pid

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
)

// verdict is what a row must end in: values, or an error of this kind.
type verdict struct {
	rows     int // rows with exactly these flags
	answered int // of them with values
	garbled  int // with elm.ErrGarbled: what came was damaged, nothing in it can be used
	silent   int // with obd.ErrNoAnswer alone: nothing came
	unknown  int // answered, with a parameter that the table does not have (ErrUnknown): 65, 9A and 9F
	strays   int // messages in the row's payloads that answer something else, and are not handed on
}

// What is in the rows, by their flags; testdata/SOURCES.md says what the flags mean. Nothing is allowed to drop out of
// this table: a row that was read before and is not now changes a number here.
//
// A single frame that claims nine bytes cannot be on a CAN bus, so these four lines were glued by whoever recorded them;
// the length agrees with what is there and the values with the car's others, so they are read.
var verdicts = map[string]verdict{
	"":                                       {rows: 4695, answered: 4695, unknown: 3},
	"isotp_multi":                            {rows: 178, answered: 178, unknown: 26},
	"isotp_multi,multi_ecu":                  {rows: 30, answered: 30, unknown: 30},
	"multi_ecu":                              {rows: 1337, answered: 1337},
	"multi_ecu,multi_msg_same_ecu":           {rows: 70, answered: 70},
	"multi_ecu,multi_msg_same_ecu,other_pid": {rows: 2, answered: 2, strays: 2},
	"multi_ecu,orphan_cf":                    {rows: 55, answered: 55},
	"multi_ecu,other_pid":                    {rows: 8, answered: 8, strays: 8},
	"multi_msg_same_ecu":                     {rows: 100, answered: 100},
	"noise_line":                             {rows: 58, answered: 11, garbled: 45, silent: 2},
	"orphan_cf":                              {rows: 24, answered: 24},
	"sf_len_gt7":                             {rows: 4, answered: 4},
}

// Against testdata/real_replies.tsv: what adapters printed in real cars goes through the daemon's own dialogue, then
// through Split and Decode, and every engine computer's values are those that SAE J1699-3's formulas make of its bytes.
func TestRealReplies(t *testing.T) {
	eleven := newLine(t, "6", "7E8064100BE1FA813\r")
	twentynine := newLine(t, "7", "18DAF110064100BE1FA813\r")
	exchanges := rows(t, "real_replies.tsv")
	require.Len(t, exchanges, 6561)
	got := map[string]verdict{}
	compared := 0
	for n, r := range exchanges {
		l := eleven
		if strings.HasPrefix(r["frames"], "18DA") || strings.HasPrefix(r["payloads"], "18DA") || strings.HasPrefix(r["request"], "DB") {
			l = twentynine
		}
		asked := obd.PID(unhex(t, r["pid"])[0])
		v := got[r["flags"]]
		v.rows++
		answer, err := l.ask(t.Context(), asked, r["frames"])
		switch {
		case err == nil:
			v.answered++
			v.strays += len(distinct(r["payloads"])) - len(answer.Messages)
			known, count := compare(t, answer, asked, r)
			compared += count
			if !known {
				v.unknown++
			}
		case errors.Is(err, elm.ErrGarbled):
			v.garbled++
		case errors.Is(err, obd.ErrNoAnswer):
			v.silent++
		}
		if err != nil {
			require.ErrorIs(t, err, obd.ErrNoAnswer, "row %d: the adapter is well", n+2)
			require.Empty(t, r["reference_values"], "row %d: %v", n+2, err)
		}
		got[r["flags"]] = v
		require.False(t, t.Failed(), "row %d %v", n+2, r)
	}
	assert.Equal(t, verdicts, got)
	assert.Greater(t, compared, 8000)
}

// distinct are a row's payloads, each said by one sender once.
func distinct(payloads string) []string {
	list := strings.Fields(payloads)
	slices.Sort(list)
	return slices.Compact(list)
}

// compare holds an answer to a row's reference values. known is false if the table does not have the parameter.
func compare(t *testing.T, answer obd.Answer, asked obd.PID, r map[string]string) (known bool, compared int) {
	t.Helper()
	refs := references(r["reference_values"])
	known = true
	for _, m := range answer.Messages {
		require.True(t, bytes.HasPrefix(m.Payload, []byte{0x41, byte(asked)}), "an answer to something else: %X", m.Payload)
		var values []Value
		require.NoError(t, Split(m.Payload, func(p obd.PID, data []byte) bool {
			if p != asked {
				return true // unasked, behind what was asked
			}
			var err error
			values, err = Decode(p, data, Context{}, nil)
			if err != nil {
				require.ErrorIs(t, err, ErrUnknown)
				known = false
			}
			return false
		}))
		want := refs[m.From.String()]
		if !known || len(want) == 0 {
			continue
		}
		param, _ := Lookup(asked)
		for _, item := range strings.Split(want[0], ",") {
			name, number, ok := strings.Cut(item, "=")
			require.True(t, ok)
			i := find(t, asked, name)
			sameValue(t, param.Signals[i], values[i], number)
			compared++
		}
		refs[m.From.String()] = want[1:]
	}
	for from, left := range refs {
		require.Empty(t, left, "values of %s that no message explains", from)
	}
	return known, compared
}

// references are a row's values by sender. What a sender said twice in the same words counts once, as in the dialogue.
func references(text string) map[string][]string {
	all := map[string][]string{}
	for _, item := range strings.Fields(text) {
		from, values, _ := strings.Cut(item, ":")
		if !slices.Contains(all[from], values) {
			all[from] = append(all[from], values)
		}
	}
	return all
}

// Answers of real cars that the collection has beyond those in the table, and what must become of them: an answer is
// matched by service, parameter, length and sender, never by being the first line.
func TestOddAnswersOfRealCars(t *testing.T) {
	l := newLine(t, "6", "7E8064100BE1FA813\r")
	for _, tt := range []struct {
		name    string
		asked   obd.PID
		lines   string
		want    []string // sender, parameter and data of what was asked
		err     error    // of the dialogue
		refused error    // of Split or Decode
	}{
		{"a late answer to the request before", 0x1C, "7E803410D00/7E803411C06", []string{"7E8 1C 06"}, nil, nil},
		{"another service's answer", 0x0C, "7E80359 02FF/7E804410C1AF8", []string{"7E8 0C 1AF8"}, nil, nil},
		{"nothing but another service's answer", 0x0C, "7E8035902FF", nil, obd.ErrNoAnswer, nil},
		{"a bitmap that nobody asked for behind it", 0x05, "7E808410573/7E8", nil, elm.ErrGarbled, nil},
		{"the same in one whole message", 0x05, "7E81008410573 00BF9F/7E821A897", []string{"7E8 05 73"}, nil, nil},
		{"fourteen bytes for a parameter of one", 0x4C, "7E810104C4C/7E8", nil, elm.ErrGarbled, nil},
		{"the same whole", 0x4C, "7E81010414C27FFFFFFFF/7E821FFFFFFFFFFFFFF/7E822FFFFFF", nil, nil, ErrUnknown},
		{"refused by one, answered by another", 0x0C, "7E9037F0112/7E804410C1AF8", []string{"7E8 0C 1AF8"}, nil, nil},
		{"refused by all", 0x0C, "7E8037F0112", nil, elm.ErrRefused, nil},
		{"a byte too few", 0x0C, "7E803410C1A", nil, nil, ErrLength},
		{"a byte too many", 0x0D, "7E804410D3000", nil, nil, ErrLength},
	} {
		t.Run(tt.name, func(t *testing.T) {
			answer, err := l.ask(t.Context(), tt.asked, strings.ReplaceAll(tt.lines, " ", ""))
			require.ErrorIs(t, err, tt.err)
			if tt.err != nil {
				return
			}
			var got []string
			for _, m := range answer.Messages {
				var found []string
				err := Split(m.Payload, func(p obd.PID, data []byte) bool {
					if p == tt.asked {
						if _, err := Decode(p, data, Context{}, nil); err == nil {
							found = append(found, m.From.String()+" "+p.String()+" "+strings.ToUpper(hexOf(data)))
						}
					}
					return true
				})
				require.ErrorIs(t, err, tt.refused)
				if err == nil { // what does not come out even is dropped whole, as the poller does
					got = append(got, found...)
				}
			}
			assert.Equal(t, tt.want, got)
		})
	}
}
