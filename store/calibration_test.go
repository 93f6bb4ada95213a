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
	require.NoError(t, ApplyCalibration(dir, first, time.Now()))
	require.NoError(t, ApplyCalibration(dir, applied("other", 1, 0.99), time.Now()))
	list, err = Calibrations(dir)
	require.NoError(t, err)
	require.Len(t, list, 2)
	assert.Zero(t, first.Levels[0].Residual, "what was given is left alone")
	assert.InDelta(t, 4.84-0.97*5, list[0].Levels[0].Residual, 1e-12)
	assert.InDelta(t, 0.49-0.97*0.5, list[0].Levels[1].Residual, 1e-12)
	assert.Regexp(t, originPattern, list[0].ID)
	assert.NotEqual(t, list[0].ID, list[1].ID)
	assert.WithinDuration(t, time.Now(), *list[0].Entered, time.Minute)
	first.Method, first.Levels, first.ID, first.Entered = MethodApplied, list[0].Levels, list[0].ID, list[0].Entered
	assert.Equal(t, first, list[0])
	assert.NoFileExists(t, filepath.Join(dir, CalibrationsFile+".new"))

	assert.ErrorContains(t, ApplyCalibration(dir, Applied{}, time.Now()), "names no input")
	assert.Error(t, ApplyCalibration(filepath.Join(dir, "absent"), first, time.Now()))

	sessions, err := List(dir)
	require.NoError(t, err)
	assert.Empty(t, sessions, "the list is no session")
}

func TestCalibrationsDamaged(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, ApplyCalibration(dir, applied("wideband", 1, 0.97), time.Now()))
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
			assert.ErrorIs(t, ApplyCalibration(dir, applied("wideband", 2, 1), time.Now()), row.is, "what cannot be read is not overwritten")
		})
	}
}

func TestInForce(t *testing.T) {
	withdrawn := Applied{Calibration: Calibration{Input: "wideband"}, From: 9, Withdrawn: true}
	list := []Applied{applied("wideband", 5, 0.95), applied("other", 1, 0.5), applied("wideband", 3, 0.97), withdrawn, applied("wideband", 12, 0.96)}
	for session, gain := range map[uint64]float64{1: 0, 2: 0, 3: 0.97, 5: 0.97, 8: 0.97, 9: 0, 11: 0, 12: 0.96, 100: 0.96} {
		a, ok := InForce(list, "wideband", "abcdefghjkmn", session, 0)
		assert.Equal(t, gain != 0, ok, "session %d", session)
		assert.Equal(t, gain, a.Gain, "session %d", session)
	}
	_, ok := InForce(nil, "wideband", "", 1, 0)
	assert.False(t, ok)
}

// What was measured through another divider than a session was recorded with does not count for it; what is not known of either does.
func TestInForceThroughItsDivider(t *testing.T) {
	through := func(plugPerPin float64, a Applied) Applied { a.PlugPerPin = plugPerPin; return a }
	list := []Applied{applied("wideband", 1, 0.97), through(1.5, applied("wideband", 1, 0.96)), through(1.5625, applied("wideband", 1, 0.95))}
	for plugPerPin, gain := range map[float64]float64{1.5: 0.96, 1.5 * (1 + 1e-12): 0.96, 1.5625: 0.95, 2: 0.97, 0: 0.95} {
		a, ok := InForce(list, "wideband", "", 1, plugPerPin)
		assert.True(t, ok)
		assert.Equal(t, gain, a.Gain, "%v", plugPerPin)
	}
	withdrawn := append(list, Applied{Calibration: Calibration{Input: "wideband"}, From: 1, Withdrawn: true})
	_, ok := InForce(withdrawn, "wideband", "", 1, 1.5)
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
		a, ok := InForce(list, "wideband", row.origin, row.session, 0)
		assert.Equal(t, row.gain != 0, ok, row)
		assert.Equal(t, row.gain, a.Gain, row)
	}

}

// What another store's list has that is new takes its place among what was applied here.
func TestMergeCalibrations(t *testing.T) {
	const logger = "abcdefghjkmn"
	at := func(hour int) time.Time { return time.Date(2026, 5, 1, hour, 0, 0, 0, time.UTC) }
	there, here := t.TempDir(), t.TempDir()
	apply := func(dir string, gain float64, when time.Time) {
		t.Helper()
		a := applied("wideband", 3, gain)
		a.Origin, a.Withdrawn = logger, gain == 0
		require.NoError(t, ApplyCalibration(dir, a, when))
	}
	merge := func(want int, gains ...float64) {
		t.Helper()
		others, err := Calibrations(there)
		require.NoError(t, err)
		n, err := MergeCalibrations(here, others)
		require.NoError(t, err)
		assert.Equal(t, want, n)
		list, err := Calibrations(here)
		require.NoError(t, err)
		var got []float64
		for _, a := range list {
			got = append(got, a.Gain)
		}
		assert.Equal(t, gains, got)
	}
	apply(there, 0.95, at(1))
	apply(there, 0, at(2))
	apply(there, 0.97, at(3))
	apply(there, 0, at(4)) // says the same as the other withdrawal
	merge(4, 0.95, 0, 0.97, 0)
	text, err := os.ReadFile(filepath.Join(here, CalibrationsFile))
	require.NoError(t, err)
	merge(0, 0.95, 0, 0.97, 0)
	again, err := os.ReadFile(filepath.Join(here, CalibrationsFile))
	require.NoError(t, err)
	assert.Equal(t, text, again)

	apply(here, 0.91, at(9))
	apply(there, 0.93, at(8))
	merge(1, 0.95, 0, 0.97, 0, 0.93, 0.91)
	apply(there, 0.92, at(10))
	merge(1, 0.95, 0, 0.97, 0, 0.93, 0.91, 0.92)
	apply(there, 0.94, time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC)) // its clock was not set
	merge(1, 0.95, 0, 0.97, 0, 0.93, 0.91, 0.92, 0.94)

	good, err := Calibrations(there)
	require.NoError(t, err)
	for _, spoil := range []func(*Applied){func(a *Applied) { a.Origin = "" }, func(a *Applied) { a.Origin = "../up" }, func(a *Applied) { a.Input = "" }, func(a *Applied) { a.ID = "x" }} {
		bad := good[0]
		spoil(&bad)
		_, err = MergeCalibrations(here, []Applied{bad})
		assert.ErrorContains(t, err, "no names")
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
