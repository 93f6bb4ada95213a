package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/export"
	"underdash/store/storetest"
	"underdash/store/summary"
)

// wideSession records a session of one wideband input whose scale is 0.5 to 4.5 V for λ 0.65 to 1.35, at 100 readings a second.
func wideSession(t *testing.T, dir string, n int, millivolts func(i int) int64) {
	t.Helper()
	wideSessionThrough(t, dir, 1, n, millivolts)
}

// wideSessionThrough is the same through a divider.
func wideSessionThrough(t *testing.T, dir string, divider float64, n int, millivolts func(i int) int64) {
	t.Helper()
	var samples []store.Sample
	for i := range n {
		samples = append(samples, store.Sample{At: time.Duration(i) * 10 * time.Millisecond, Code: millivolts(i)})
	}
	storetest.Session(t, storetest.OpenDir(t, dir), store.Meta{
		Anchors: []store.Anchor{{UTC: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC), Source: "synchronised"}},
		Channels: []store.Channel{{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 1, Divider: divider,
			Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}}}},
	}, samples)
}

// What was applied is not known then; what was recorded is.
func TestADamagedListOfCalibrationsWithholdsNoSession(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	wideSession(t, dir, 5, func(int) int64 { return 2500 })
	_, want, _ := invoke(t, "export", "last", "--store", dir, "--out", "-")
	list := filepath.Join(dir, store.CalibrationsFile)
	require.NoError(t, os.WriteFile(list, []byte(`{"format":1,"crc32c":"00000000","calibrations":[]}`), 0o644))
	says := " by the session's own calibrations alone: the store's list of calibrations, " + list +
		", is damaged (it does not match its checksum): move that file away, and apply again what it held\n"

	code, stdout, stderr := invoke(t, "export", "last", "--store", dir, "--out", "-")
	assert.Equal(t, exitFailed, code)
	assert.Equal(t, "underdash: exported"+says, stderr)
	assert.Equal(t, want, stdout)
	out := filepath.Join(t.TempDir(), "drive.csv")
	code, _, stderr = invoke(t, "export", "last", "--store", dir, "--out", out)
	assert.Equal(t, exitFailed, code)
	assert.Equal(t, "wrote "+out+"\nunderdash: exported"+says, stderr)
	assert.FileExists(t, out)
	code, stdout, stderr = invoke(t, "show", "last", "--store", dir)
	assert.Zero(t, code)
	assert.Equal(t, "shown"+says, stderr)
	assert.Contains(t, stdout, "wideband")
	code, stdout, stderr = invoke(t, "sessions", "--store", dir)
	assert.Zero(t, code, stderr)
	assert.Contains(t, stdout, "move that file away")

	applied := store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 1}}
	err := store.ApplyCalibration(dir, applied, time.Now())
	require.ErrorIs(t, err, store.ErrDamaged)
	assert.Contains(t, err.Error(), "move that file away")
	require.NoError(t, os.Rename(list, list+".damaged"))
	assert.NoError(t, store.ApplyCalibration(dir, applied, time.Now()), "the way out")
}

func TestExportAtARate(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	wideSession(t, dir, 500, func(i int) int64 {
		if i%100 == 55 {
			return 4000 // a spike a second
		}
		return 2500
	})
	code, stdout, stderr := invoke(t, "export", "last", "--store", dir, "--out", "-")
	require.Zero(t, code, stderr)
	_, rows := parseCSV(t, stdout)
	assert.Len(t, rows, 500, "every reading, unless something else is asked for")

	out := filepath.Join(t.TempDir(), "drive.csv")
	code, _, stderr = invoke(t, "export", "last", "--store", dir, "--rate", "10", "--out", out)
	require.Zero(t, code, stderr)
	text, err := os.ReadFile(out)
	require.NoError(t, err)
	header, rows := parseCSV(t, string(text))
	require.Equal(t, "wideband lambda [1]", header[3])
	assert.Len(t, rows, 50)
	for _, row := range rows {
		assert.Equal(t, "1.0000", row[3])
	}
	description, err := os.ReadFile(out + export.DescriptionSuffix)
	require.NoError(t, err)
	assert.Contains(t, string(description), "averaged to 10 a second")
}

// A listing tells other programs by which calibration each session is read.
func TestSessionsTellHowTheyAreRead(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	wideSession(t, dir, 3, func(int) int64 { return 2500 })
	read := func() []summary.Reading {
		code, stdout, stderr := invoke(t, "sessions", "--store", dir, "--json")
		require.Zero(t, code, stderr)
		var list sessionList
		require.NoError(t, json.Unmarshal([]byte(stdout), &list))
		require.Len(t, list.Sessions, 1)
		return list.Sessions[0].Read
	}
	assert.Equal(t, []summary.Reading{{Input: "wideband", Gain: 1, Method: "none"}}, read())
	require.NoError(t, store.ApplyCalibration(dir, store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 0.97, Offset: 0.05}, From: 1}, time.Now()))
	assert.Equal(t, []summary.Reading{{Input: "wideband", Gain: 0.97, Offset: 0.05, Method: store.MethodApplied, From: 1}}, read())
	require.NoError(t, os.WriteFile(filepath.Join(dir, store.CalibrationsFile), []byte("{"), 0o600))
	code, stdout, _ := invoke(t, "sessions", "--store", dir)
	assert.Zero(t, code, "a damaged list hides no session")
	assert.Contains(t, stdout, store.CalibrationsFile)
	code, _, stderr := invoke(t, "export", "last", "--store", dir, "--out", "-")
	assert.Equal(t, exitFailed, code, "but no program takes an export without it for one with it")
	assert.Contains(t, stderr, store.CalibrationsFile)
}
