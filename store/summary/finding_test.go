package summary

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/derive"
)

// A listing tells what a session's description says that is to be looked at.
func TestWorries(t *testing.T) {
	m := store.Meta{
		Channels: []store.Channel{{Name: "wideband", Analog: &store.AnalogChannel{}}},
		Events:   []store.Event{{At: time.Second, Kind: "note", Source: "wideband", Text: "a leak"}, {Kind: "mark", Text: "here"}},
		// SAE J1979, as published widely: 43 is the answer of service 03, a count, and two bytes a code; 0143 is P0143.
		Diagnoses: []store.Diagnosis{{When: store.DriveStart, Answers: []store.Static{{From: 0x7E8, Service: 3, Payload: []byte{0x43, 1, 0x01, 0x43}}}}},
	}
	assert.Equal(t, []string{"a leak", "trouble codes are stored: P0143 (7E8)"}, Worries(m))
	assert.Empty(t, Worries(store.Meta{}))
}

func TestFindings(t *testing.T) {
	short, long := 3.0, 60.0
	codes := func(list []string) []Diagnosis {
		return []Diagnosis{{When: store.DriveStart, Computers: []Condition{{Address: "7E8", Stored: list}}}, {When: store.DriveEnd, Computers: []Condition{{Address: "7E8", Stored: list}}}}
	}
	for _, tt := range []struct {
		name   string
		drive  Drive
		events []store.Event
		want   []Finding
	}{
		{"a drive of which nothing is known", Drive{}, nil, nil},
		{"codes that were not told are not none", Drive{Diagnoses: codes(nil)}, nil, nil},
		{"no codes", Drive{Diagnoses: codes([]string{})}, nil, []Finding{{"", "no trouble code is stored", false, false}}},
		{"a code is told once", Drive{Diagnoses: codes([]string{"P0143"})}, nil, []Finding{{"", "trouble codes are stored: P0143 (7E8)", true, false}}},
		{"a short gap is no finding, a long one is", Drive{Row: Row{Gaps: []Gap{{"obd", 1, &short, "it hung"}, {"obd", 10, &long, "it was pulled"}, {"wideband", 70, nil, "it vanished"}}}}, nil,
			[]Finding{{"obd", "no obd from 10.0 s to 60.0 s: it was pulled", true, false}, {"wideband", "no wideband from 70.0 s to the end: it vanished", true, false}}},
		{"notes on the wiring, and how it is corrected", Drive{Inputs: []Input{{Name: "wideband", Correction: "not corrected"}}},
			[]store.Event{{At: time.Second, Kind: "note", Source: "wideband", Text: "a leak"}, {Kind: "note", Source: "store", Text: "of no concern"}, {Kind: "mark", Source: "wideband", Text: "here"}},
			[]Finding{{"wideband", "a leak", true, false}, {"wideband", "not corrected", false, false}}},
		{"of a mixture that is not corrected little is known", Drive{Inputs: []Input{{Name: "bank 1", Kind: "wideband", Method: "none", Correction: "not corrected"},
			{Name: "bank 2", Kind: "wideband", Method: "references", Correction: "corrected"}, {Name: "fuel pressure", Kind: "linear", Method: "none", Correction: "not corrected"}}}, nil,
			[]Finding{{"bank 1", "not corrected", false, true}, {"bank 2", "corrected", false, false}, {"fuel pressure", "not corrected", false, false}}},
		{"damage comes first", Drive{Damage: "a block is lost", Diagnoses: codes([]string{})}, nil, []Finding{{"", "a block is lost", true, false}, {"", "no trouble code is stored", false, false}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			assert.Equal(t, tt.want, tt.drive.findings(store.Meta{Events: tt.events}))
		})
	}
}

func TestCorrectionText(t *testing.T) {
	level := func(known, seen float64, kind string) store.Level {
		return store.Level{Kind: kind, Known: known, Seen: seen}
	}
	for _, row := range []struct {
		is   store.Calibration
		want string
	}{
		{store.Calibration{Gain: 1, Method: "none"}, "not corrected: no known level was seen"},
		{store.Calibration{Gain: 0.97, Method: "modelled"}, "corrected by a gain of 0.9700 that was reckoned, with no known level seen (modelled)"},
		{store.Calibration{Gain: 0.97, Method: "warm-up level", Levels: []store.Level{level(5, 4.85, "warm-up")}}, "corrected by a gain of 0.9700 from a known level of 5.000 V seen as 4.850 V (warm-up level)"},
	} {
		assert.Equal(t, row.want, CorrectionText(derive.Correction{Channel: store.AnalogChannel{Kind: "wideband"}, Calibration: row.is}))
	}
	assert.Contains(t, CorrectionText(derive.Correction{Channel: store.AnalogChannel{Kind: "linear"}}), "read by its scale as configured")
	m := store.Meta{}
	for _, kind := range []string{"wideband", "linear"} {
		m.Channels = append(m.Channels, store.Channel{Name: kind, Analog: &store.AnalogChannel{Kind: kind, Unit: "kPa", ScaleMillivolts: 1, Divider: 1, High: store.Point{Volts: 5, Value: 1.5}, Low: store.Point{Value: 0.5}}})
	}
	rows := ReadBy(m, nil)
	require.Len(t, rows, 1, "a listing tells of no correction that there cannot be")
	assert.Equal(t, "wideband", rows[0].Input)
}
