package pid

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Encoding of trouble codes: SAE J2012 as in the compliance test SAE J1699-3; the messages are its forms for CAN
// (counted) and for older buses.
func TestTroubleCodes(t *testing.T) {
	for _, tt := range []struct {
		name, payload string
		counted       bool
		want          []string
		err           error
	}{
		{"four codes on CAN", "43 04 01 43 01 96 02 34 02 35", true, []string{"P0143", "P0196", "P0234", "P0235"}, nil},
		{"all four systems", "47 05 01 04 41 23 80 03 2B 61 C1 00", true, []string{"P0104", "C0123", "B0003", "P2B61", "U0100"}, nil},
		{"none on CAN", "43 00", true, nil, nil},
		{"permanent", "4A 01 01 43", true, []string{"P0143"}, nil},
		{"three codes on an older bus", "43 01 43 01 96 02 34", false, []string{"P0143", "P0196", "P0234"}, nil},
		{"padded on an older bus", "43 02 35 00 00 00 00", false, []string{"P0235"}, nil},
		{"count and length differ", "43 02 01 43", true, nil, ErrLength},
		{"count missing", "43", true, nil, ErrLength},
		{"half a code", "43 01 43 01", false, nil, ErrLength},
		{"another service", "41 01 43", true, nil, ErrNotAnswer},
		{"clearing is not read here", "44", true, nil, ErrNotAnswer},
		{"empty", "", true, nil, ErrNotAnswer},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := TroubleCodes(unhex(t, tt.payload), tt.counted)
			require.ErrorIs(t, err, tt.err)
			assert.Equal(t, tt.want, got)
		})
	}
}

// The VIN is the worked example of the ELM327-class data sheet's section on multiline responses.
func TestVIN(t *testing.T) {
	const want = "1D4GP00R55B123456"
	for _, tt := range []struct {
		name     string
		messages []string
	}{
		{"CAN", []string{"49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36"}},
		{"older bus", []string{"49 02 01 00 00 00 31", "49 02 02 44 34 47 50", "49 02 03 30 30 52 35", "49 02 04 35 42 31 32", "49 02 05 33 34 35 36"}},
		{"older bus, out of order", []string{"49 02 02 44 34 47 50", "49 02 01 00 00 00 31", "49 02 05 33 34 35 36", "49 02 04 35 42 31 32", "49 02 03 30 30 52 35"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var messages [][]byte
			for _, m := range tt.messages {
				messages = append(messages, unhex(t, m))
			}
			got, err := VIN(messages...)
			require.NoError(t, err)
			assert.Equal(t, want, got)
		})
	}
	_, err := VIN(unhex(t, "49 02 01 31 44 34"))
	assert.ErrorIs(t, err, ErrLength)
	_, err = VIN()
	assert.ErrorIs(t, err, ErrNotAnswer)
	_, err = VIN(unhex(t, "49 04 01 31"))
	assert.ErrorIs(t, err, ErrNotAnswer)
}

func TestCalibrations(t *testing.T) {
	ids := append([]byte{0x49, 0x04, 0x02}, "CAL-0001\x00\x00\x00\x00\x00\x00\x00\x00"+"SOMETHING-LONGER"...)
	got, err := CalibrationIDs(ids)
	require.NoError(t, err)
	assert.Equal(t, []string{"CAL-0001", "SOMETHING-LONGER"}, got)
	_, err = CalibrationIDs(ids[:20])
	assert.ErrorIs(t, err, ErrLength)

	got, err = CVNs(unhex(t, "49 06 02 17 91 BC 82 16 E0 62 BE"))
	require.NoError(t, err)
	assert.Equal(t, []string{"1791BC82", "16E062BE"}, got)
}

func TestReadMonitorsRefuses(t *testing.T) {
	_, err := ReadMonitors(0x03, make([]byte, 4))
	assert.ErrorIs(t, err, ErrUnknown)
	_, err = ReadMonitors(0x01, make([]byte, 3))
	assert.ErrorIs(t, err, ErrLength)
	s, err := ReadMonitors(0x01, unhex(t, "83 07 65 04"))
	require.NoError(t, err)
	assert.True(t, s.MIL)
	assert.Equal(t, 3, s.Codes)
	assert.False(t, s.Compression)
	assert.Contains(t, s.Monitors, Monitor{"evaporative system", true, false})
	assert.Contains(t, s.Monitors, Monitor{"misfire", true, true})
	assert.Contains(t, s.Monitors, Monitor{"secondary air", false, true})
}

func FuzzVehicleInfo(f *testing.F) {
	f.Add(unhex(f, "49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36"), []byte{})
	f.Add(unhex(f, "49 02 02 44 34 47 50"), unhex(f, "49 02 01 00 00 00 31"))
	f.Add(unhex(f, "43 02 01 43 02 35"), []byte{})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		if vin, err := VIN(a, b); err == nil {
			require.Len(t, vin, 17)
		}
		_, _ = CalibrationIDs(a, b)
		_, _ = CVNs(a)
		if codes, err := TroubleCodes(a, true); err == nil {
			require.LessOrEqual(t, len(codes), int(a[1]))
		}
		_, _ = TroubleCodes(a, false)
	})
}
