package main

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
)

// said is one answer of an engine computer, its payload in hexadecimal.
func said(t *testing.T, from uint32, payload string) store.Static {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(payload, " ", ""))
	require.NoError(t, err)
	return store.Static{From: from, Service: b[0] - 0x40, PID: map[bool]byte{true: b[1]}[b[0] == 0x41 || b[0] == 0x42 || b[0] == 0x49], Payload: b}
}

// described is a short made-up drive of a car with a trouble code. The VIN and the codes are the published examples of
// the ELM327-class data sheet and of SAE J1699-3.
func described(t *testing.T) (dir, id string) {
	warmup := 5.0
	obd := func(p byte, bytes int) store.Channel {
		return store.Channel{Name: "stored", OBD: &store.OBDChannel{Service: 1, PID: p, From: 0x7E8, Bytes: bytes}}
	}
	m := store.Meta{
		Software: "test", Adapter: store.Adapter{Version: "ELM327 v1.5", Protocol: "ISO 15765-4 CAN (11 bit, 500 kbit/s)"},
		Fuel:    store.Fuel{Name: "E10", AFRst: 14.1},
		Anchors: []store.Anchor{{UTC: time.Date(2024, 5, 6, 7, 8, 0, 0, time.UTC), Source: "synchronised"}},
		Channels: []store.Channel{obd(0x0C, 2), obd(0x66, 5), obd(0x34, 4),
			{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 1, Divider: 1, WarmupVolts: &warmup,
				Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}}}},
		Static: []store.Static{said(t, 0x7E8, "41 4F 20 00 00 00"), said(t, 0x7E8, "49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36")},
		Diagnoses: []store.Diagnosis{
			{At: 2 * time.Second, Until: 4 * time.Second, When: store.DriveStart, Answers: []store.Static{
				said(t, 0x7E8, "41 01 81 07 65 04"), said(t, 0x7E8, "43 01 01 43"), said(t, 0x7E8, "47 00"), said(t, 0x7E8, "42 02 00 01 43"), said(t, 0x7E8, "42 0C 00 0A 8E"),
				said(t, 0x7E8, "49 04 01 43 41 4C 2D 30 30 30 31 00 00 00 00 00 00 00 00"), said(t, 0x7E8, "49 06 01 17 91 BC 82"),
				said(t, 0x7E8, "49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00")}},
			{At: time.Minute, When: store.DriveEnd, Problem: "the car no longer answered"},
		},
		Polled: []store.Polled{{From: 0x7E8, Service: 1, PID: 0x0C, Class: "fast", Asked: 7.25, Got: 7.125, Requests: 29, Readings: 28},
			{From: 0x7E8, Service: 1, PID: 0x5C, Class: "slow", Wanted: 0.2, Asked: 0.25, Requests: 1}},
		Calibrations: []store.Calibration{{Input: "wideband", Gain: 0.97, Method: "warm-up level", Levels: []store.Level{{Known: 5, Seen: 4.85, Kind: "warm-up level"}}}},
		Events: []store.Event{{Kind: "note", Text: "the drive begins"},
			{At: 3 * time.Second, Until: 5 * time.Second, Kind: "gap", Source: "obd", Text: "the adapter stopped answering"}},
	}
	s := storetest.Open(t)
	path := storetest.Session(t, s, m, []store.Sample{
		{At: 0, Channel: 0, Code: 0x1AF8}, {At: time.Second, Channel: 0, Code: 4 * 12345}, {At: 3 * time.Second, Channel: 0, Code: 4000},
		{At: time.Second, Channel: 1, Code: 0x01009A0000}, {At: time.Second, Channel: 2, Code: 0x080A8000}, {At: 2 * time.Second, Channel: 2, Code: 0},
		{At: 2 * time.Second, Channel: 3, Code: 2425}})
	return s.Dir(), strings.TrimSuffix(filepath.Base(path), ".session")
}

func TestShow(t *testing.T) {
	dir, id := described(t)
	code, stdout, stderr := invoke(t, "show", "last", "--store", dir)
	require.Zero(t, code, stderr)
	for _, words := range []string{
		id + ", complete", "2024-05-06 07:08:00 UTC\n", "1D4GP00R55B123456", "E10, stoichiometric at 14.1", "ELM327 v1.5, ISO 15765-4 CAN",
		"7E8 ECM EngineControl", "calibration CAL-0001, verification number 1791BC82",
		"at the drive's start (2s)", "7E8: lamp on; stored P0143; none pending; permanent not told", "monitors not complete: evaporative system",
		"freeze frame of P0143: RPM 675.5 1/min", "at the drive's end (1m0s)", "not read, or not to the end: the car no longer answered",
		"wideband (wideband): corrected by a gain of 0.9700", "12345", "the car declares a full scale of 32",
		"Asked of the car, times a second", "01 0C from 7E8   fast    most    7.2  7.1     2.00 s       RPM", "01 5C from 7E8   slow     0.2    0.2  0.0",
		"the car has no 10; out of 66", "no obd from 3.0 s to 5.0 s: the adapter stopped answering", "note: the drive begins",
	} {
		assert.Contains(t, stdout, words)
	}
	for _, field := range strings.Split(stdout, "\n") {
		assert.Equal(t, strings.TrimRight(field, " "), strings.TrimRight(field, " \t"), "no tabs are left in the text")
	}
	// In a listing the car that has no name of its owner's goes by its number.
	code, stdout, _ = invoke(t, "sessions", "--store", dir)
	require.Zero(t, code)
	assert.Contains(t, stdout, "1D4GP00R55B123456")
}

func TestShowAsJSON(t *testing.T) {
	dir, id := described(t)
	code, stdout, stderr := invoke(t, "show", id[:5], "--json", "--store", dir)
	require.Zero(t, code, stderr)
	var s struct {
		ID, VIN, Vehicle string
		Computers        []struct {
			Address, Name, VIN string
			Calibrations       []struct {
				ID  string
				CVN string `json:"verification_number"`
			}
		} `json:"engine_computers"`
		Diagnoses []struct {
			When, Problem string
			Computers     []struct {
				Lamp            *bool `json:"lamp_on"`
				Stored, Pending []string
				Permanent       *[]string
				Frozen          []struct {
					Name  string
					Value float64
				} `json:"freeze_frame"`
			} `json:"engine_computers"`
		}
		Channels []struct {
			Name      string
			Readings  int
			Missing   int      `json:"without_value"`
			PerSecond float64  `json:"per_second"`
			WorstGap  float64  `json:"worst_gap_s"`
			Min       *float64 `json:"min"`
		}
		Polled []struct {
			Parameter string
			Channels  []string
			Wanted    float64  `json:"wanted_per_second"`
			Asked     float64  `json:"asked_per_second"`
			WorstGap  *float64 `json:"worst_gap_s"`
		}
		Gaps []struct{ Why string }
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &s))
	assert.Equal(t, id, s.ID)
	assert.Equal(t, "1D4GP00R55B123456", s.VIN)
	assert.Equal(t, s.VIN, s.Vehicle)
	require.Len(t, s.Computers, 1)
	assert.Equal(t, "ECM EngineControl", s.Computers[0].Name)
	assert.Equal(t, "CAL-0001", s.Computers[0].Calibrations[0].ID)
	require.Len(t, s.Diagnoses, 2)
	c := s.Diagnoses[0].Computers[0]
	assert.True(t, *c.Lamp)
	assert.Equal(t, []string{"P0143"}, c.Stored)
	assert.NotNil(t, c.Pending)
	assert.Empty(t, c.Pending)
	assert.Nil(t, c.Permanent, "not told is null, which is not the same as none")
	assert.Equal(t, 675.5, c.Frozen[0].Value)
	assert.Equal(t, "the car no longer answered", s.Diagnoses[1].Problem)
	require.Len(t, s.Polled, 2)
	assert.Equal(t, []string{"RPM"}, s.Polled[0].Channels)
	assert.InDelta(t, 2, *s.Polled[0].WorstGap, 1e-3)
	assert.Equal(t, 0.2, s.Polled[1].Wanted)
	assert.Equal(t, 0.25, s.Polled[1].Asked)
	assert.Nil(t, s.Polled[1].WorstGap, "it was never answered")
	assert.Len(t, s.Gaps, 1)
	by := map[string]int{}
	for i, c := range s.Channels {
		by[c.Name] = i
	}
	rpm := s.Channels[by["RPM"]]
	assert.Equal(t, 3, rpm.Readings)
	assert.InDelta(t, 2.0/3, rpm.PerSecond, 1e-9)
	assert.Equal(t, 2.0, rpm.WorstGap)
	assert.Equal(t, 1, s.Channels[by["LAMBDA11"]].Missing)
	assert.Equal(t, 4.8125, *s.Channels[by["MAF"]].Min)
	assert.Nil(t, s.Channels[by["MAFB"]].Min, "a meter that is not there has no least value")
}

// A session without anything but its file is shown too.
func TestShowAnEmptySession(t *testing.T) {
	s := storetest.Open(t)
	storetest.Session(t, s, store.Meta{})
	code, stdout, stderr := invoke(t, "show", "last", "--store", s.Dir())
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "No gaps")
	code, stdout, _ = invoke(t, "show", "last", "--json", "--store", s.Dir())
	require.Zero(t, code)
	assert.Contains(t, stdout, `"channels": []`)
}

// What a listing says of a car without a name is in the index: no session's file is opened for it.
func TestTheCarsNumberIsListedFromTheIndex(t *testing.T) {
	dir, id := described(t)
	path := filepath.Join(dir, id+".session")
	f, err := os.Stat(path)
	require.NoError(t, err)
	require.NoError(t, os.Chmod(path, 0o600))
	require.NoError(t, os.WriteFile(path, make([]byte, f.Size()), 0o600)) // as large and as old, and no session
	require.NoError(t, os.Chtimes(path, time.Time{}, f.ModTime()))
	t.Cleanup(func() { require.NoError(t, os.Remove(path)) }) // before the store's own check
	code, stdout, stderr := invoke(t, "sessions", "--store", dir)
	require.Zero(t, code, stderr)
	assert.Regexp(t, id+".*1D4GP00R55B123456 +complete", stdout)
}
