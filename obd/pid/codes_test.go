package pid

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
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
		{"four codes on an older bus, first message", "43 01 43 01 96 02 34", false, []string{"P0143", "P0196", "P0234"}, nil},
		{"and the second", "43 02 35 00 00 00 00", false, []string{"P0235"}, nil},
		{"none on an older bus", "43 00 00 00 00 00 00", false, nil, nil},
		{"four codes on CAN", "43 04 01 43 01 96 02 34 02 35", true, []string{"P0143", "P0196", "P0234", "P0235"}, nil},
		{"all four systems", "47 05 01 04 41 23 80 03 2B 61 C1 00", true, []string{"P0104", "C0123", "B0003", "P2B61", "U0100"}, nil},
		{"none on CAN", "43 00", true, nil, nil},
		{"permanent", "4A 01 01 43", true, []string{"P0143"}, nil},
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
}

func TestVINRefuses(t *testing.T) {
	text := func(s string) []byte { return append([]byte{0x49, 0x02, 0x01}, s...) }
	for _, tt := range []struct {
		name     string
		messages [][]byte
		want     error
		says     string
	}{
		{"cut short", [][]byte{unhex(t, "49 02 01 31 44 34")}, ErrLength, "17 characters are right"},
		{"two numbers", [][]byte{text("1D4GP00R55B1234561D4GP00R55B123456")}, ErrLength, "17 characters are right"},
		{"never programmed", [][]byte{text(strings.Repeat("\xFF", 17))}, ErrNotProgrammed, "never told"},
		{"zeros", [][]byte{text(strings.Repeat("\x00", 17))}, ErrNotProgrammed, "never told"},
		{"spaces", [][]byte{text(strings.Repeat(" ", 17))}, ErrNotProgrammed, "never told"},
		{"small letters", [][]byte{text("1d4gp00r55b123456")}, ErrText, "capital letters"},
		{"noise", [][]byte{text("1D4GP00R55B12345\x07")}, ErrText, "capital letters"},
		{"nothing", nil, ErrNotAnswer, "at least one message"},
		{"another InfoType", [][]byte{unhex(t, "49 04 01 31")}, ErrNotAnswer, "it begins with 49 02"},
		{"no count", [][]byte{unhex(t, "49 02")}, ErrNotAnswer, "it begins with 49 02"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := VIN(tt.messages...)
			require.ErrorIs(t, err, tt.want)
			assert.ErrorContains(t, err, tt.says)
			assert.Empty(t, got)
		})
	}
}

func TestCalibrations(t *testing.T) {
	ids := append([]byte{0x49, 0x04, 0x03}, "CAL-0001\x00\x00\x00\x00\x00\x00\x00\x00"+"SOMETHING-LONGER"+"\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF"...)
	got, err := CalibrationIDs(ids)
	require.NoError(t, err)
	assert.Equal(t, []string{"CAL-0001", "SOMETHING-LONGER", ""}, got)
	_, err = CalibrationIDs(ids[:20])
	assert.ErrorIs(t, err, ErrLength)
	_, err = CalibrationIDs(ids[:3])
	assert.ErrorIs(t, err, ErrLength)
	got, err = CalibrationIDs(append([]byte{0x49, 0x04, 0x01}, "R\xE9GLAGE 2\x00\x00\x00\x00\x00\x00\x00"...))
	require.NoError(t, err)
	assert.Equal(t, []string{"R?GLAGE 2"}, got, "what is no printable character is shown as such")

	got, err = CVNs(unhex(t, "49 06 02 17 91 BC 82 16 E0 62 BE"))
	require.NoError(t, err)
	assert.Equal(t, []string{"1791BC82", "16E062BE"}, got)
	got, err = CVNs(unhex(t, "49 06 02 16 E0 62 BE"), unhex(t, "49 06 01 17 91 BC 82"))
	require.NoError(t, err)
	assert.Equal(t, []string{"1791BC82", "16E062BE"}, got, "on older buses one message each, numbered")
}

// SAE J1699-3: four characters of acronym, a dash, fifteen of text, each padded with 00. ECM-EngineControl is its example.
func TestComputerName(t *testing.T) {
	name := func(s string) []byte { return append([]byte{0x49, 0x0A, 0x01}, s...) }
	acronym, text, err := ComputerName(name("ECM\x00-EngineControl\x00\x00"))
	require.NoError(t, err)
	assert.Equal(t, "ECM", acronym)
	assert.Equal(t, "EngineControl", text)
	acronym, text, err = ComputerName(name("ECM1-EngineControl1\x00"))
	require.NoError(t, err)
	assert.Equal(t, "ECM1", acronym)
	assert.Equal(t, "EngineControl1", text)
	_, _, err = ComputerName(name("ECM"))
	assert.ErrorIs(t, err, ErrLength)
	_, _, err = ComputerName(name(strings.Repeat("\x00", 20)))
	assert.ErrorIs(t, err, ErrNotProgrammed)
	_, _, err = ComputerName()
	assert.ErrorIs(t, err, ErrNotAnswer)
}

func TestSupportedInfo(t *testing.T) {
	want := []obd.PID{0x02, 0x04, 0x06, 0x0A}
	for _, payload := range []string{"49 00 54 40 00 00", "49 00 01 54 40 00 00"} { // CAN, older buses
		got, err := SupportedInfo(unhex(t, payload))
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	for payload, want := range map[string]error{"49 00 54 40": ErrLength, "49 02 01 31 32 33": ErrNotAnswer, "41 00 54 40 00 00": ErrNotAnswer, "": ErrNotAnswer} {
		_, err := SupportedInfo(unhex(t, payload))
		assert.ErrorIs(t, err, want, payload)
	}
}

// Frames after SAE J1699-3: 42, parameter, number of the frame, data as in service 01.
func TestSplitFrozen(t *testing.T) {
	for _, tt := range []struct {
		name, payload string
		want          []string
		err           error
	}{
		{"the code that stored it", "42 02 00 01 43", []string{"02.0:0143"}, nil},
		{"several", "42 0C 00 0A 8E 04 00 2E 05 00 75", []string{"0C.0:0A8E", "04.0:2E", "05.0:75"}, nil},
		{"another frame", "42 0C 03 0A 8E", []string{"0C.3:0A8E"}, nil},
		{"a bitmap", "42 00 00 7E D0 80 01", []string{"00.0:7ED08001"}, nil},
		{"a trim of two banks", "42 06 00 8D 79", []string{"06.0:8D79"}, nil},
		{"cut short", "42 0C 00 0A 8E 05 00", []string{"0C.0:0A8E"}, ErrLength},
		{"no frame number", "42 0C", nil, ErrNotAnswer},
		{"a parameter without a width", "42 FE 00 12", nil, ErrUnknown},
		{"service 01", "41 0C 0A 8E", nil, ErrNotAnswer},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			err := SplitFrozen(unhex(t, tt.payload), func(p obd.PID, frame byte, data []byte) bool {
				got = append(got, fmt.Sprintf("%s.%d:%X", p, frame, data))
				return true
			})
			require.ErrorIs(t, err, tt.err)
			assert.Equal(t, tt.want, got)
		})
	}
	calls := 0
	require.NoError(t, SplitFrozen(unhex(t, "42 04 00 2E 05 00 75"), func(obd.PID, byte, []byte) bool { calls++; return false }))
	assert.Equal(t, 1, calls)
}

func TestOnCAN(t *testing.T) {
	for a, want := range map[obd.Address]bool{0x7E8: true, 0x7EF: true, 0x18DAF110: true, 0x18DAF1EF: true, 0x7E0: false, 0x7F0: false,
		0x10: false, 0: false, 0x18DB33F1: false} {
		assert.Equal(t, want, OnCAN(a), "%v", a)
	}
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
	f.Add(append([]byte{0x49, 0x04, 0x01}, "CAL-0001\x00\x00\x00\x00\x00\x00\x00\x00"...), []byte{})
	f.Add(unhex(f, "49 06 01 17 91 BC 82"), unhex(f, "49 06 02 16 E0 62 BE"))
	f.Add(append([]byte{0x49, 0x0A, 0x01}, "ECM\x00-EngineControl\x00\x00"...), []byte{})
	f.Add(unhex(f, "49 00 54 40 00 00"), []byte{})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		before := slices.Clone(a)
		readable := func(texts ...string) {
			for _, s := range texts {
				require.NotContains(t, s, "\x00")
				require.False(t, strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' }), "%q", s)
			}
		}
		for _, messages := range [][][]byte{{a}, {a, b}, {b, a}} {
			if vin, err := VIN(messages...); err == nil {
				require.Len(t, vin, 17)
				readable(vin)
			} else {
				require.ErrorAs(t, err, new(*Error))
			}
			if ids, err := CalibrationIDs(messages...); err == nil {
				require.NotEmpty(t, ids)
				readable(ids...)
			}
			if numbers, err := CVNs(messages...); err == nil {
				for _, n := range numbers {
					require.Len(t, n, 8)
				}
			}
			if acronym, name, err := ComputerName(messages...); err == nil {
				require.LessOrEqual(t, len(acronym), 4)
				readable(acronym, name)
			}
		}
		if list, err := SupportedInfo(a); err == nil {
			require.LessOrEqual(t, len(list), 32)
		}
		require.Equal(t, before, a, "what was received stays as it is")
	})
}

func FuzzTroubleCodes(f *testing.F) {
	f.Add(unhex(f, "43 02 01 43 02 35"))
	f.Add(unhex(f, "43 01 43 01 96 02 34"))
	f.Add(unhex(f, "4A 01 C1 00"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		for _, counted := range []bool{true, false} {
			codes, err := TroubleCodes(payload, counted)
			if err != nil {
				require.ErrorAs(t, err, new(*Error))
				require.Empty(t, codes)
				continue
			}
			require.LessOrEqual(t, 2*len(codes), len(payload))
			for _, c := range codes {
				require.Regexp(t, "^[PCBU][0-3][0-9A-F]{3}$", c)
				require.NotEqual(t, "P0000", c)
			}
		}
	})
}

func FuzzSplitFrozen(f *testing.F) {
	f.Add(unhex(f, "42 0C 00 0A 8E 04 00 2E 05 00 75"))
	f.Add(unhex(f, "42 06 00 8D 79"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		again := []byte{0x42}
		err := SplitFrozen(payload, func(p obd.PID, frame byte, data []byte) bool {
			again = append(append(again, byte(p), frame), data...)
			if values, err := Decode(p, data, Context{}, nil); err == nil {
				require.NotEmpty(t, values)
			}
			return true
		})
		if err != nil {
			require.ErrorAs(t, err, new(*Error))
			return
		}
		require.Equal(t, payload, again, "a walk without an error leaves nothing out")
	})
}

func FuzzReadMonitors(f *testing.F) {
	f.Add(byte(0x01), unhex(f, "83 07 65 04"))
	f.Add(byte(0x41), unhex(f, "00 0F EB EB"))
	f.Fuzz(func(t *testing.T, p byte, data []byte) {
		s, err := ReadMonitors(obd.PID(p), data)
		if err != nil {
			require.ErrorAs(t, err, new(*Error))
			return
		}
		require.LessOrEqual(t, s.Codes, 127)
		for _, m := range s.Monitors {
			require.NotEmpty(t, m.Name)
		}
	})
}
