package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// invoke runs the command as a shell would.
func invoke(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = run(t.Context(), args, &out, &err)
	return code, out.String(), err.String()
}

func TestWrongInputGetsOneSentenceAndAnExitCode(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(file, []byte("[adapter]\nadress = \"/dev/ttyUSB0\"\n"), 0o600))
	missing := filepath.Join(dir, "missing")
	complete := filepath.Join(dir, "complete.toml")
	require.NoError(t, os.WriteFile(complete, []byte("[adapter]\naddress = \""+missing+"\"\n[[analog]]\nname=\"wideband\"\ndevice=\""+missing+
		"\"\nchannel=\"voltage0\"\nlow={volts=0.5,lambda=0.65}\nhigh={volts=4.5,lambda=1.35}\n"), 0o600))
	for _, row := range []struct {
		name string
		args []string
		code int
		says []string
	}{
		{"a command that is none", []string{"drive"}, exitUsage, []string{`"drive"`}},
		{"a flag that is none", []string{"sessions", "--colour"}, exitUsage, []string{"--colour", "--help"}},
		{"an argument too many", []string{"sessions", "x"}, exitUsage, []string{"no arguments"}},
		{"no session named", []string{"export"}, exitUsage, []string{"one session"}},
		{"no store there", []string{"sessions", "--store", missing}, exitUsage, []string{missing, "--store"}},
		{"a store that is a file", []string{"sessions", "--store", file}, exitUsage, []string{file, "directory"}},
		{"no session to show", []string{"show"}, exitUsage, []string{"one session"}},
		{"no such session to show", []string{"show", "00007", "--store", dir}, exitUsage, []string{"00007"}},
		{"no such session", []string{"export", "00007", "--store", dir}, exitUsage, []string{"00007"}},
		{"an empty store has no last session", []string{"export", "last", "--store", dir}, exitUsage, []string{"no session"}},
		{"a rate that is none", []string{"export", "last", "--rate", "-5", "--store", dir}, exitUsage, []string{"--rate -5", "0.1 to 1000"}},
		{"a number that is none", []string{"export", "last", "--rate", "abc", "--store", dir}, exitUsage, []string{"--rate abc: give a number, such as 10", "--help"}},
		{"a whole number that is none", []string{"demo", "--seconds", "20.5"}, exitUsage, []string{"--seconds 20.5: give a whole number"}},
		{"no configuration", []string{"run", "--config", missing}, exitUsage, []string{missing, "--config"}},
		{"a misspelt key", []string{"run", "--config", file}, exitUsage, []string{file + ":2:1", "adress", "address"}},
		{"no such format", []string{"export", "last", "--format", "xml", "--store", dir}, exitUsage, []string{"xml", "csv"}},
		{"a drive too short", []string{"demo", "--seconds", "3", "--dir", dir}, exitUsage, []string{"--seconds 3"}},
		{"nothing connected", []string{"check", "--config", complete}, exitFailed, []string{"not every source works"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			code, _, stderr := invoke(t, row.args...)
			assert.Equal(t, row.code, code)
			assert.Equal(t, 1, strings.Count(strings.TrimSpace(stderr), "underdash: ")+strings.Count(stderr, "\nunderdash: "), stderr)
			for _, word := range row.says {
				assert.Contains(t, stderr, word)
			}
		})
	}
}

func TestCheckSaysWhatIsMissing(t *testing.T) {
	dir := t.TempDir()
	missing := filepath.Join(dir, "missing")
	file := filepath.Join(dir, "c.toml")
	require.NoError(t, os.WriteFile(file, []byte("[adapter]\naddress = \""+missing+"\"\n"), 0o600))
	code, stdout, _ := invoke(t, "check", "--config", file)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stdout, "fault obd: ")
	assert.Contains(t, stdout, missing)

	code, stdout, _ = invoke(t, "check", "--config", file, "--json")
	assert.Equal(t, exitFailed, code)
	var findings []struct {
		Part, Text string
		OK         bool
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &findings))
	require.Len(t, findings, 1)
	assert.Equal(t, "obd", findings[0].Part)
	assert.False(t, findings[0].OK)
}

func TestAnEmptyStoreIsListed(t *testing.T) {
	code, stdout, stderr := invoke(t, "sessions", "--store", t.TempDir())
	assert.Zero(t, code, stderr)
	assert.Contains(t, stdout, "no sessions yet")
	code, stdout, _ = invoke(t, "sessions", "--json", "--store", t.TempDir())
	assert.Zero(t, code)
	var list struct{ Sessions []any }
	require.NoError(t, json.Unmarshal([]byte(stdout), &list))
	assert.NotNil(t, list.Sessions)
}

func TestTheStoreIsFoundByFlagConfigurationAndEnvironment(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "c.toml")
	require.NoError(t, os.WriteFile(file, []byte("[adapter]\naddress = \"/dev/ttyUSB0\"\n[store]\npath = \""+dir+"\"\n"), 0o600))
	code, stdout, _ := invoke(t, "sessions", "--json", "--config", file)
	assert.Zero(t, code)
	assert.Contains(t, stdout, dir)
	t.Setenv(storeEnv, dir)
	code, stdout, _ = invoke(t, "sessions", "--json")
	assert.Zero(t, code)
	assert.Contains(t, stdout, dir)
}

// listed is a listing as another program reads it.
type listed struct {
	Sessions []struct {
		ID, State string
		Length    float64 `json:"length_s"`
		Readings  uint64
	}
}

func parseCSV(t *testing.T, text string) (header []string, rows [][]string) {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(all), 1)
	return all[0], all[1:]
}
