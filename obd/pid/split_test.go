package pid

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

func TestSplit(t *testing.T) {
	for _, tt := range []struct {
		name, payload string
		want          []string
		err           error
	}{
		{"one parameter", "41 0C 1A F8", []string{"0C:1AF8"}, nil},
		// Five parameters in one answer, as in the ELM327-class data sheet's section on multiple PID requests.
		{"several", "41 04 3F 05 44 0B 21 0C 17 B8", []string{"04:3F", "05:44", "0B:21", "0C:17B8"}, nil},
		{"nobody asked for the bitmap (a real car)", "41 05 73 00 BF 9F A8 97", []string{"05:73", "00:BF9FA897"}, nil},
		{"a trim of two banks", "41 06 8D 79", []string{"06:8D79"}, nil},
		{"trims of two banks among others", "41 0C 1A F8 06 80 81 07 82 83", []string{"0C:1AF8", "06:8081", "07:8283"}, nil},
		{"a width that only the walk needs", "41 6D 37 01 F4 01 F7 45 00 00 01 F7 45 0D 10", []string{"6D:3701F401F745000001F745", "0D:10"}, nil},
		{"cut short", "41 0C 1A F8 0B", []string{"0C:1AF8"}, ErrLength},
		{"a parameter without a width", "41 0C 1A F8 FE 12 34", []string{"0C:1AF8"}, ErrUnknown},
		{"padding behind the answer", "41 0D 30 AA AA AA", []string{"0D:30"}, ErrUnknown},
		{"another service", "49 02 01 31", nil, ErrNotAnswer},
		{"a refusal", "7F 01 12", nil, ErrNotAnswer},
		{"service byte alone", "41", nil, ErrNotAnswer},
		{"empty", "", nil, ErrNotAnswer},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			err := Split(unhex(t, tt.payload), func(p obd.PID, data []byte) bool {
				got = append(got, fmt.Sprintf("%s:%X", p, data))
				return true
			})
			require.ErrorIs(t, err, tt.err)
			assert.Equal(t, tt.want, got)
		})
	}
}

func TestSplitStopsWhenTold(t *testing.T) {
	calls := 0
	require.NoError(t, Split(unhex(t, "41 04 3F 05 44"), func(obd.PID, []byte) bool { calls++; return false }))
	assert.Equal(t, 1, calls)
}

func TestSupported(t *testing.T) {
	assert.Equal(t, []obd.PID{0x21, 0x30, 0x31, 0x40}, Supported(0x20, unhex(t, "80 01 80 01")))
	assert.Len(t, Supported(0xE0, unhex(t, "FF FF FF FF")), 31, "E0 ends at FF")
	assert.Nil(t, Supported(0, unhex(t, "FF FF FF")))
}

func FuzzSplit(f *testing.F) {
	for _, r := range rows(f, "service01_vectors.tsv") {
		f.Add(unhex(f, r["reply"]))
	}
	f.Add(unhex(f, "41 0C 1A F8 06 80 81 07 82 83"))
	f.Add(unhex(f, "7F 01 78"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		before := slices.Clone(payload)
		again := []byte{0x41}
		err := Split(payload, func(p obd.PID, data []byte) bool {
			again = append(append(again, byte(p)), data...)
			return true
		})
		require.Equal(t, before, payload)
		var e *Error
		if err != nil {
			require.ErrorAs(t, err, &e)
			require.True(t, len(again) == 1 || slices.Equal(again, payload[:len(again)]))
			return
		}
		require.Equal(t, payload, again, "a walk without an error leaves nothing out")
	})
}
