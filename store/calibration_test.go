package store

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func applied(input string, from uint64, gain float64) Applied {
	return Applied{Calibration: Calibration{Input: input, Gain: gain, Levels: []Level{{Known: 5, Seen: 5 * gain, Kind: "bench supply"}}}, From: from}
}

func TestCalibrationsAreKept(t *testing.T) {
	dir := t.TempDir()
	list, err := Calibrations(dir)
	require.NoError(t, err)
	assert.Empty(t, list, "none is no error")

	made := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	first := applied("wideband", 3, 0.97)
	first.Made, first.Since = &made, &made
	first.Fuel = &Fuel{Name: "E10", AFRst: 14.1}
	first.Levels = []Level{{Known: 5, Seen: 4.84, Kind: "set level"}, {Known: 0.5, Seen: 0.49, Kind: "set level"}}
	require.NoError(t, ApplyCalibration(dir, first))
	require.NoError(t, ApplyCalibration(dir, applied("other", 1, 0.99)))
	list, err = Calibrations(dir)
	require.NoError(t, err)
	require.Len(t, list, 2)
	assert.Zero(t, first.Levels[0].Residual, "what was given is left alone")
	assert.InDelta(t, 4.84-0.97*5, list[0].Levels[0].Residual, 1e-12)
	assert.InDelta(t, 0.49-0.97*0.5, list[0].Levels[1].Residual, 1e-12)
	first.Method, first.Levels = MethodApplied, list[0].Levels
	assert.Equal(t, first, list[0])
	assert.NoFileExists(t, filepath.Join(dir, CalibrationsFile+".new"))

	assert.ErrorContains(t, ApplyCalibration(dir, Applied{}), "names no input")
	assert.Error(t, ApplyCalibration(filepath.Join(dir, "absent"), first))

	sessions, err := List(dir)
	require.NoError(t, err)
	assert.Empty(t, sessions, "the list is no session")
}

func TestCalibrationsDamaged(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, ApplyCalibration(dir, applied("wideband", 1, 0.97)))
	path := filepath.Join(dir, CalibrationsFile)
	good, err := os.ReadFile(path)
	require.NoError(t, err)
	for _, row := range []struct {
		name string
		text []byte
		is   error
	}{
		{"cut short", good[:len(good)/2], ErrDamaged},
		{"empty", nil, ErrDamaged},
		{"a digit changed", []byte(string(good[:len(good)-20]) + "9" + string(good[len(good)-19:])), ErrDamaged},
		{"of a later version", []byte(`{"format":2,"crc32c":"00000000","calibrations":[]}`), ErrVersion},
		{"of no version", []byte(`{"calibrations":[]}`), ErrDamaged},
	} {
		t.Run(row.name, func(t *testing.T) {
			require.NoError(t, os.WriteFile(path, row.text, 0o644))
			_, err := Calibrations(dir)
			assert.ErrorIs(t, err, row.is)
			assert.ErrorIs(t, ApplyCalibration(dir, applied("wideband", 2, 1)), row.is, "what cannot be read is not overwritten")
		})
	}
}

func TestInForce(t *testing.T) {
	withdrawn := Applied{Calibration: Calibration{Input: "wideband"}, From: 9, Withdrawn: true}
	list := []Applied{applied("wideband", 5, 0.95), applied("other", 1, 0.5), applied("wideband", 3, 0.97), withdrawn, applied("wideband", 12, 0.96)}
	for session, gain := range map[uint64]float64{1: 0, 2: 0, 3: 0.97, 5: 0.97, 8: 0.97, 9: 0, 11: 0, 12: 0.96, 100: 0.96} {
		a, ok := InForce(list, "wideband", "abcdefghjkmn", session)
		assert.Equal(t, gain != 0, ok, "session %d", session)
		assert.Equal(t, gain, a.Gain, "session %d", session)
	}
	_, ok := InForce(nil, "wideband", "", 1)
	assert.False(t, ok)
}

// Two loggers' sessions have the same numbers and inputs of the same name.
func TestCalibrationsOfSeveralStores(t *testing.T) {
	const one, two = "abcdefghjkmn", "23456789abcd"
	of := func(origin string, a Applied) Applied { a.Origin = origin; return a }
	list := []Applied{applied("wideband", 1, 0.99), of(one, applied("wideband", 2, 0.95)), of(two, Applied{Calibration: Calibration{Input: "wideband"}, From: 4, Withdrawn: true})}
	for _, row := range []struct {
		origin  string
		session uint64
		gain    float64
	}{{one, 1, 0.99}, {one, 2, 0.95}, {one, 9, 0.95}, {two, 2, 0.99}, {two, 4, 0}, {"", 9, 0.99}} {
		a, ok := InForce(list, "wideband", row.origin, row.session)
		assert.Equal(t, row.gain != 0, ok, row)
		assert.Equal(t, row.gain, a.Gain, row)
	}

	dir := t.TempDir()
	require.NoError(t, ApplyCalibration(dir, list[1]))
	own, err := Calibrations(dir)
	require.NoError(t, err)
	n, err := MergeCalibrations(dir, append(own, list[2], list[2]))
	require.NoError(t, err)
	assert.Equal(t, 1, n, "what is there is not added, and nothing twice")
	text, err := os.ReadFile(filepath.Join(dir, CalibrationsFile))
	require.NoError(t, err)
	n, err = MergeCalibrations(dir, append(own, list[2]))
	require.NoError(t, err)
	assert.Zero(t, n)
	again, err := os.ReadFile(filepath.Join(dir, CalibrationsFile))
	require.NoError(t, err)
	assert.Equal(t, text, again)
	merged, err := Calibrations(dir)
	require.NoError(t, err)
	require.Len(t, merged, 2)
	assert.Equal(t, two, merged[1].Origin)

	for _, bad := range []Applied{list[0], of("../up", list[1]), of(one, Applied{})} {
		_, err = MergeCalibrations(dir, []Applied{bad})
		assert.ErrorContains(t, err, "no store's name")
	}
}

func TestFirstSince(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2026, 5, d, 0, 0, 0, 0, time.UTC) }
	session := func(n uint64, anchors ...Anchor) Info {
		return Info{Number: n, Meta: Meta{ID: fmt.Sprint(n), Anchors: anchors}}
	}
	sessions := []Info{
		session(1, Anchor{UTC: day(1)}),
		session(2), // no wall clock
		session(3, Anchor{UTC: day(3).Add(time.Hour), At: time.Hour, Source: "system"}, Anchor{UTC: day(4), Source: "synchronised"}),
		session(5, Anchor{UTC: day(6)}),
	}
	for d, want := range map[int]uint64{1: 1, 2: 2, 3: 2, 4: 2, 5: 4, 6: 4, 7: 6} {
		assert.Equal(t, want, FirstSince(sessions, nil, day(d)), "since the %d.", d)
	}
	assert.Equal(t, uint64(1), FirstSince(nil, nil, day(1)))
}

func FuzzDecodeCalibrations(f *testing.F) {
	text, err := encodeCalibrations([]Applied{applied("wideband", 1, 0.97)})
	require.NoError(f, err)
	f.Add(text)
	f.Add([]byte(`{"format":1,"crc32c":"","calibrations":null}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := decodeCalibrations(text)
		if err != nil {
			return
		}
		again, err := encodeCalibrations(list)
		require.NoError(t, err)
		back, err := decodeCalibrations(again)
		require.NoError(t, err)
		require.Equal(t, len(list), len(back))
	})
}
