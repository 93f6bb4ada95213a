package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// relative is a path from where the test runs, as the demonstration's own folder is one.
func relative(t *testing.T, path string) string {
	here, err := os.Getwd()
	require.NoError(t, err)
	path, err = filepath.Rel(here, path)
	require.NoError(t, err)
	return path
}

// The demonstration as a new user runs it, and then the commands it names.
func TestDemo(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "drive")
	code, stdout, stderr := invoke(t, "demo", "--seconds", "20", "--dir", relative(t, dir))
	require.Zero(t, code, "%s\n%s", stdout, stderr)
	for _, words := range []string{" of 20 s ", "idle", "cruise", "pull", "corrected by a gain of 0.97", "0 differ", "Next:"} {
		assert.Contains(t, stdout, words)
	}
	assert.NoDirExists(t, filepath.Join(dir, "converter"), "the virtual converter is cleared away")

	store := filepath.Join(dir, "sessions")
	code, stdout, _ = invoke(t, "sessions", "--store", store, "--json")
	require.Zero(t, code)
	var list listed
	require.NoError(t, json.Unmarshal([]byte(stdout), &list))
	require.Len(t, list.Sessions, 1)
	s := list.Sessions[0]
	assert.Equal(t, "complete", s.State)
	assert.Greater(t, s.Readings, uint64(500), "thousands, fewer on a busy machine")

	code, stdout, _ = invoke(t, "sessions", "--store", store)
	require.Zero(t, code)
	assert.Contains(t, stdout, s.ID)
	assert.Contains(t, stdout, "No daemon is recording")

	code, stdout, _ = invoke(t, "export", "last", "--store", store, "--out", "-")
	require.Zero(t, code)
	file, err := os.ReadFile(filepath.Join(dir, s.ID+".csv"))
	require.NoError(t, err)
	assert.Equal(t, string(file), stdout, "the same session, the same bytes")

	header, rows := parseCSV(t, stdout)
	lambda, state := slices.Index(header, "wideband lambda [1]"), slices.Index(header, "wideband state")
	require.Positive(t, lambda)
	require.Positive(t, state)
	last, warming, valid := -1.0, 0, 0
	for _, row := range rows {
		at, err := strconv.ParseFloat(row[0], 64)
		require.NoError(t, err)
		require.GreaterOrEqual(t, at, last, "instants in order")
		last = at
		switch row[state] {
		case "valid":
			valid++
			require.NotEmpty(t, row[lambda])
		case "warming":
			warming++
			require.Empty(t, row[lambda], "a warm-up level is no λ")
		default:
			require.Empty(t, row[lambda])
		}
	}
	assert.Greater(t, warming, 20)
	assert.Greater(t, valid, 100, "a busy machine takes fewer readings")
}
