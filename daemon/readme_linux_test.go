package daemon

import (
	"bytes"
	"context"
	"crypto/tls"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/daemon/rig"
	"underdash/store"
)

// byHand are the lines of the README that ask the logger with curl.
func byHand(t *testing.T) string {
	text, err := os.ReadFile(filepath.Join("..", "README.md"))
	require.NoError(t, err)
	_, section, ok := strings.Cut(string(text), "\n## From a browser, and from programs of your own\n")
	require.True(t, ok)
	section, _, _ = strings.Cut(section, "\n## ")
	var lines []string
	for line := range strings.Lines(section) {
		if command, ok := strings.CutPrefix(line, "    "); ok {
			lines = append(lines, command)
		}
	}
	require.NotEmpty(t, lines)
	return strings.Join(lines, "")
}

// exportOf is a session's CSV and its tag.
func exportOf(t *testing.T, base, token, id string) (text []byte, tag string) {
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, base+"/api/v1/sessions/"+id+"/exports/csv", nil)
	require.NoError(t, err)
	r.Header.Set("Authorization", "Bearer "+token)
	client := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} // it is this test's own
	defer client.CloseIdleConnections()
	response, err := client.Do(r)
	require.NoError(t, err)
	defer func() { assert.NoError(t, response.Body.Close()) }()
	require.Equal(t, http.StatusOK, response.StatusCode)
	text, err = io.ReadAll(response.Body)
	require.NoError(t, err)
	return text, response.Header.Get("ETag")
}

// What the README says of curl works as it is written there.
func TestAskingByHandAsTheReadmeSays(t *testing.T) {
	for _, program := range []string{"curl", "openssl"} {
		if _, err := exec.LookPath(program); err != nil {
			missing(t, program+" is not installed here, so the README's requests are not tried")
			return
		}
	}
	sessions, id := recorded(t, time.Minute)
	base, code := served(t, sessions, rig.Options{})
	keeper, err := access.Open(filepath.Join(sessions, AccessDir), access.Options{})
	require.NoError(t, err)
	token, err := keeper.Grant(code, "", "a test")
	require.NoError(t, err)

	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	script := "set -e\n" + strings.ReplaceAll(byHand(t), "curl ", "curl --fail --silent --show-error ")
	cmd := exec.CommandContext(ctx, "sh", "-c", script)
	cmd.Dir = t.TempDir()
	whole, tag := exportOf(t, base, token, id)
	rest := filepath.Join(cmd.Dir, "rest.csv")
	require.NoError(t, os.WriteFile(rest, whole[:len(whole)/2], 0o600))
	cmd.Env = append(os.Environ(), "LOGGER="+strings.TrimPrefix(base, "https://"), "CODE="+code, "TOKEN="+token, "SESSION="+id, "TAG="+tag)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, words := range []string{"ingerprint=", `"token"`, id, "data: "} {
		assert.Contains(t, string(out), words)
	}
	got, err := os.ReadFile(rest)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(whole, got), "what broke off is whole")
	_, resume, ok := strings.Cut(byHand(t), "curl --fail ")
	require.True(t, ok)
	require.NoError(t, os.WriteFile(rest, whole[:len(whole)/2], 0o600))
	again := exec.CommandContext(ctx, "sh", "-c", "curl --silent --fail "+resume)
	again.Dir, again.Env = cmd.Dir, append(cmd.Env, `TAG="another"`)
	require.Error(t, again.Run())
	got, err = os.ReadFile(rest)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(whole[:len(whole)/2], got), "of another export nothing is added")

	csv, err := os.ReadFile(filepath.Join(cmd.Dir, "drive.csv"))
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(string(csv), "time [s],"))
	infos, err := store.List(sessions)
	require.NoError(t, err)
	assert.True(t, slices.ContainsFunc(infos, func(i store.Info) bool { return i.Pinned }), "the last of them, which may be one that has begun meanwhile")
}
