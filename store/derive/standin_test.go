package derive

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
)

// Where a car lacks the older parameter the later one gives the same quantity under the same name. Bytes and values of
// 66 and 68 are from real cars (the OBDb collection) by SAE J1699-3's formulas, the rest worked from these.
func TestLaterParametersStandForOlderOnes(t *testing.T) {
	for _, row := range []struct {
		name     string
		channels []store.Channel
		code     int64
		quantity string
		unit     string
		want     float64 // NaN: not available
	}{
		{"air flow, one meter", []store.Channel{parameter(0x7E8, 0x66, 5, 0)}, 0x01009A0000, "MAF", "g/s", 4.8125},
		{"air flow, two meters", []store.Channel{parameter(0x7E8, 0x66, 5, 0)}, 0x0302800270, "MAF", "g/s", 20 + 19.5},
		{"air flow, the second meter alone", []store.Channel{parameter(0x7E8, 0x66, 5, 0)}, 0x0202800270, "MAF", "g/s", 19.5},
		{"air flow, no meter", []store.Channel{parameter(0x7E8, 0x66, 5, 0)}, 0x0002800270, "MAF", "g/s", math.NaN()},
		{"coolant", []store.Channel{parameter(0x7E8, 0x67, 3, 0)}, 0x03797D, "ECT", "°C", 81},
		{"coolant, the second sensor", []store.Channel{parameter(0x7E8, 0x67, 3, 0)}, 0x02797D, "ECT", "°C", 85},
		{"intake air", []store.Channel{parameter(0x7E8, 0x68, 7, 0)}, 0x034C5628282828, "IAT", "°C", 36},
		{"manifold pressure", []store.Channel{parameter(0x7E8, 0x87, 5, 0)}, 0x010C800000, "MAP", "kPa", 100},
		{"another computer's", []store.Channel{parameter(0x7E9, 0x67, 3, 0), parameter(0x7E8, 0x0C, 2, 0)}, 0x03797D, "ECT@7E9", "°C", 81},
	} {
		t.Run(row.name, func(t *testing.T) {
			s, got := derive(t, given{meta: store.Meta{Channels: row.channels}, samples: []store.Sample{{Code: row.code}}})
			var found []named
			for _, v := range got {
				if v.name == row.quantity {
					found = append(found, v)
				}
			}
			require.Len(t, found, 1)
			if math.IsNaN(row.want) {
				assert.True(t, math.IsNaN(found[0].number))
				assert.Equal(t, NotAvailable, found[0].state)
			} else {
				assert.Equal(t, row.want, found[0].number)
				assert.Empty(t, found[0].state)
			}
			assert.Contains(t, names(s), row.quantity+" ["+row.unit+"]")
		})
	}
}

func TestNothingStandsForWhatIsThere(t *testing.T) {
	for _, row := range []struct {
		name     string
		channels []store.Channel
		want     []string
	}{
		{"both", []store.Channel{parameter(0x7E8, 0x10, 2, 0), parameter(0x7E8, 0x66, 5, 0)}, []string{"MAF [g/s]", "MAFA [g/s]", "MAFB [g/s]"}},
		{"the older one of a wrong length", []store.Channel{parameter(0x7E8, 0x10, 3, 0), parameter(0x7E8, 0x66, 5, 0)}, []string{"MAFA [g/s]", "MAFB [g/s]", "MAF [g/s]"}},
		{"the older one from another computer", []store.Channel{parameter(0x7E8, 0x0C, 2, 0), parameter(0x7E9, 0x05, 1, 0), parameter(0x7E8, 0x67, 3, 0)},
			[]string{"RPM [1/min]", "ECT_1 [°C]", "ECT_2 [°C]", "ECT@7E9 [°C]", "ECT [°C]"}},
		{"the later one of a wrong length", []store.Channel{parameter(0x7E8, 0x66, 4, 0)}, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			s, err := New(given{meta: store.Meta{Channels: row.channels}})
			require.NoError(t, err)
			assert.Equal(t, row.want, names(s))
		})
	}
	s, err := New(given{meta: store.Meta{Channels: []store.Channel{parameter(0x7E8, 0x66, 5, 0)}}})
	require.NoError(t, err)
	assert.Equal(t, Channel{Name: "MAF", Description: "Mass air flow", Unit: "g/s", Source: "01 66 from 7E8", Kind: OBD, Decimals: -1,
		Note: "the car has no 10; out of 66, the sum of both meters where there are two"}, s.Channels()[2])
}
