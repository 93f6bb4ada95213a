package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
)

// driveway is a folder in which a virtual controller is made to hold one level after the other.
type driveway struct {
	t   *testing.T
	dir string
}

// held runs 'demo --hold' in the folder while do runs, as a person has it in another terminal.
func (d driveway) held(do func(), flags ...string) {
	d.t.Helper()
	ctx, cancel := context.WithCancel(d.t.Context())
	defer cancel()
	said := &waited{text: make(chan struct{})}
	var demo sync.WaitGroup
	demo.Go(func() {
		var stderr bytes.Buffer
		assert.Zero(d.t, run(ctx, append([]string{"demo", "--dir", relative(d.t, d.dir)}, flags...), said, &stderr), "%s", &stderr)
		said.close()
	})
	<-said.text
	do()
	cancel()
	demo.Wait()
}

// waited is written to once the converter is there.
type waited struct {
	once sync.Once
	text chan struct{}
}

func (w *waited) Write(b []byte) (int, error) { w.close(); return len(b), nil }
func (w *waited) close()                      { w.once.Do(func() { close(w.text) }) }

var _ io.Writer = (*waited)(nil)

// calibrate runs the command on the folder's configuration.
func (d driveway) calibrate(args ...string) (code int, stdout, stderr string) {
	return invoke(d.t, append([]string{"calibrate", "--config", filepath.Join(d.dir, "underdash.toml"), "--seconds", "1"}, args...)...)
}

// unwrapped is a text as if it had been written on one line.
func unwrapped(text string) string { return strings.Join(strings.Fields(text), " ") }

// What a new user does with each fault of the wiring, from the levels to the finding in plain words.
func TestCalibrateInTheDriveway(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name    string
		chain   []string
		levels  []string
		says    []string
		not     []string
		verdict string
	}{
		{"nothing wrong", nil, []string{"4.5", "0.5"}, []string{"The chain is well", "not worth typing in by hand"}, nil, "agrees"},
		{"4 % loss", []string{"--loss", "4"}, []string{"warmup", "2.5"}, []string{"A line loss of 4.", "worth correcting", "AFR 20.3"}, []string{"ground shift of"}, "line loss"},
		{"100 mV of ground shift", []string{"--ground-shift", "100"}, []string{"warmup", "0.5"}, []string{"A ground shift of +", "leaner", "differential pair", "worth correcting"}, []string{"line loss of"}, "ground shift"},
		{"both", []string{"--loss", "4", "--ground-shift", "100"}, []string{"4.5", "0.5"}, []string{"Both a line loss and a shifted ground", "A line loss of 4.", "A ground shift of +"}, nil, "line loss and ground shift"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			d := driveway{t, t.TempDir()}
			for i, level := range row.levels {
				d.held(func() {
					code, stdout, stderr := d.calibrate("--level", level)
					require.Zero(t, code, stderr)
					assert.Contains(t, stdout, "Kept: ")
					if i == 0 {
						assert.Contains(t, unwrapped(stdout), "One level")
						return
					}
					for _, words := range row.says {
						assert.Contains(t, unwrapped(stdout), words)
					}
					for _, words := range row.not {
						assert.NotContains(t, unwrapped(stdout), words)
					}
				}, append([]string{"--hold", level}, row.chain...)...)
			}
			// Nothing is applied before it is asked for, and then it is, from the next drive on.
			sessions := filepath.Join(d.dir, "sessions")
			list, err := store.Calibrations(sessions)
			require.NoError(t, err)
			assert.Empty(t, list)
			code, stdout, stderr := d.calibrate("--apply", "--json")
			require.Zero(t, code, stderr)
			var got calibrated
			require.NoError(t, json.Unmarshal([]byte(stdout), &got))
			assert.Equal(t, row.verdict, got.Finding.Verdict)
			list, err = store.Calibrations(sessions)
			require.NoError(t, err)
			require.Len(t, list, 1)
			assert.Equal(t, uint64(1), list[0].From)
			assert.Equal(t, row.verdict, list[0].Finding)
			require.Len(t, list[0].Levels, 2)
			code, _, stderr = d.calibrate("--apply")
			assert.Equal(t, exitFailed, code)
			assert.Contains(t, stderr, "no measured level")
		})
	}
}

// A plug that is not plugged in ends in a sentence that says so, and in nothing that is kept.
func TestCalibrateWithoutAPlug(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ plug, says string }{
		{"out", "wideband is not plugged in, as it seems: it lies at 0 V"},
		{"floating", "wideband is not plugged in, as it seems: it floats"},
		{"at-supply", "wideband is at the end of the converter's range"},
	} {
		t.Run(row.plug, func(t *testing.T) {
			t.Parallel()
			d := driveway{t, t.TempDir()}
			d.held(func() {
				code, _, stderr := d.calibrate("--level", "warmup")
				assert.Equal(t, exitFailed, code)
				assert.Contains(t, stderr, row.says)
				assert.Equal(t, 1, strings.Count(stderr, "\n"))
				code, stdout, stderr := d.calibrate()
				assert.Zero(t, code, stderr)
				assert.Contains(t, stdout, row.says)
				assert.Contains(t, stdout, "Nothing is kept yet")
			}, "--hold", "warmup", "--plug", row.plug)
		})
	}
	t.Run("frozen", func(t *testing.T) {
		t.Parallel()
		d := driveway{t, t.TempDir()}
		d.held(func() {
			_, stdout, _ := d.calibrate()
			assert.Contains(t, stdout, "one and the same code")
		}, "--hold", "2.5", "--plug", "frozen")
	})
}

// Applying since a date re-corrects an earlier drive by reference: its file stays what it was, its λ does not, and the export says by
// which calibration. Withdrawing it gives the old λ back.
func TestCalibrateSince(t *testing.T) {
	t.Parallel()
	d := driveway{t, t.TempDir()}
	sessions := filepath.Join(d.dir, "sessions")
	wideSessionThrough(t, sessions, 1.5, 100, func(int) int64 { return 1600 })
	path, err := store.Find(sessions, store.Last)
	require.NoError(t, err)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	lambda := func() string {
		code, stdout, stderr := invoke(t, "export", "last", "--store", sessions, "--out", "-")
		require.Zero(t, code, stderr)
		_, rows := parseCSV(t, stdout)
		return rows[0][3]
	}
	assert.Equal(t, "0.9825", lambda())
	for _, level := range []string{"4.5", "0.5"} {
		d.held(func() {
			code, _, stderr := d.calibrate("--level", level)
			require.Zero(t, code, stderr)
		}, "--hold", level, "--loss", "4")
	}
	code, stdout, stderr := d.calibrate("--apply")
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "Applied from session 2 on, the next")
	assert.Equal(t, "0.9825", lambda(), "the drive was before")

	code, stdout, stderr = d.calibrate("--since", "2026-02-01")
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "from session 1 on, the first since 2026-02-01")
	corrected, err := strconv.ParseFloat(lambda(), 64)
	require.NoError(t, err)
	assert.InDelta(t, 1, corrected, 0.001)
	out := filepath.Join(t.TempDir(), "x.csv")
	code, _, stderr = invoke(t, "export", "last", "--store", sessions, "--out", out)
	require.Zero(t, code, stderr)
	description, err := os.ReadFile(out + "-metadata.json")
	require.NoError(t, err)
	assert.Contains(t, string(description), "set level of 4.5 V")
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, before, after, "readings are never rewritten")

	code, stdout, stderr = d.calibrate("--withdraw", "--since", "2026-02-01")
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "Withdrawn from session 1 on")
	assert.Equal(t, "0.9825", lambda())
}

func TestCalibrateForgetsAndChecks(t *testing.T) {
	t.Parallel()
	d := driveway{t, t.TempDir()}
	d.held(func() {
		code, _, stderr := d.calibrate("--level", "2.5")
		require.Zero(t, code, stderr)
	}, "--hold", "2.5")
	code, stdout, _ := d.calibrate("--clear")
	assert.Zero(t, code)
	assert.Contains(t, stdout, "Forgot 1 measured level")
	code, stdout, _ = d.calibrate("--check")
	assert.Zero(t, code)
	assert.Contains(t, unwrapped(stdout), "None of the last 0 sessions showed a level that is known")

	for _, row := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--level", "full"}, exitUsage, `"full" is no level: give warmup`},
		{[]string{"--since", "yesterday"}, exitUsage, `--since "yesterday" is no date: write it like 2026-05-01`},
		{[]string{"--seconds", "0"}, exitUsage, "1 to 600 seconds"},
		{[]string{"--check", "--sessions", "0"}, exitUsage, "--sessions 0: look at 1 to 100 sessions"},
		{[]string{"--check", "--sessions", "101"}, exitUsage, "--sessions 101: look at 1 to 100 sessions"},
		{[]string{"--apply", "--check"}, exitUsage, "--check and --apply cannot be asked for together"},
		{[]string{"--clear", "--since", "2026-01-01"}, exitUsage, "--clear forgets the measured levels, whatever their date: leave --since out"},
		{[]string{"--clear", "--apply"}, exitUsage, "--clear forgets the levels that --apply would need"},
		{[]string{"--check", "--level", "1"}, exitUsage, "measures nothing"},
		{[]string{"--input", "bank 2"}, exitUsage, `there is no wideband input "bank 2": there is "wideband"`},
		{[]string{"--afr", "0"}, exitUsage, "most scales in AFR are made for 14.7"},
		{[]string{"--since", "2026-01-01"}, exitFailed, "there is no applied calibration of wideband"},
		{[]string{"--withdraw"}, exitFailed, "there is no applied calibration"},
		{[]string{}, exitFailed, "there is no converter at"},
	} {
		code, _, stderr := d.calibrate(row.args...)
		assert.Equal(t, row.code, code, row.args)
		assert.Contains(t, stderr, row.says)
	}
	for _, row := range [][]string{{"--hold", "9"}, {"--hold", "cold"}, {"--hold", "1", "--plug", "lost"}, {"--hold", "1", "--loss", "100"}, {"--loss", "3"}} {
		code, _, stderr := invoke(t, append([]string{"demo", "--dir", d.dir}, row...)...)
		assert.Equal(t, exitUsage, code, "%v: %s", row, stderr)
	}
}
