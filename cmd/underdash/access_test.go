package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
)

// accessSaid is what the command prints, as another program reads it.
type accessSaid struct {
	Addresses   []string
	Code        string
	Fingerprint string
	Passes      []struct{ ID, Kind, Name string }
}

// logger is a store's directory and a configuration that names it, with the network's keys given.
func logger(t *testing.T, network string) (dir, file string) {
	t.Helper()
	dir = t.TempDir()
	file = filepath.Join(t.TempDir(), "c.toml")
	require.NoError(t, os.WriteFile(file, []byte("[adapter]\naddress = \"/dev/ttyUSB0\"\n[store]\npath = '"+dir+"'\n[network]\n"+network), 0o600))
	return dir, file
}

func askAccess(t *testing.T, args ...string) (said accessSaid) {
	t.Helper()
	code, stdout, stderr := invoke(t, append([]string{"access", "--json"}, args...)...)
	require.Zero(t, code, stderr)
	require.NoError(t, json.Unmarshal([]byte(stdout), &said))
	require.NotNil(t, said.Passes)
	require.NotNil(t, said.Addresses)
	return said
}

// The command beside a daemon: what it grants lets in, what it revokes is out at once.
func TestAccessBesideTheDaemon(t *testing.T) {
	dir, file := logger(t, "names = [\"logger.example\"]\n")
	daemon, err := access.Open(filepath.Join(dir, "access"), access.Options{})
	require.NoError(t, err)
	c, err := access.Certificate(filepath.Join(dir, "access"), nil, time.Now())
	require.NoError(t, err)

	said := askAccess(t, "--config", file)
	assert.Equal(t, daemon.Code(), said.Code)
	assert.Equal(t, access.Fingerprint(c), said.Fingerprint)
	assert.Contains(t, said.Addresses, "https://logger.example:8443")
	assert.Empty(t, said.Passes)

	code, token, stderr := invoke(t, "access", "--config", file, "--grant", "archive")
	require.Zero(t, code, stderr)
	token = strings.TrimSpace(token)
	p, ok := daemon.Check(token)
	require.True(t, ok)
	assert.Equal(t, "archive", p.Name)
	code, stdout, stderr := invoke(t, "access", "--config", file, "--grant", "another", "--json")
	require.Zero(t, code, stderr)
	var granted struct{ Token string }
	require.NoError(t, json.Unmarshal([]byte(stdout), &granted))
	cookie, _, err := daemon.SignIn(daemon.Code(), "10.42.0.7:1", "a browser")
	require.NoError(t, err)

	code, stdout, stderr = invoke(t, "access", "--config", file)
	require.Zero(t, code, stderr)
	for _, says := range []string{said.Code, said.Fingerprint, p.ID, "archive", "another", "a browser", "10.42.0.7:1", "https://logger.example:8443"} {
		assert.Contains(t, stdout, says)
	}
	for _, secret := range []string{token, granted.Token, cookie} {
		assert.NotContains(t, stdout, secret)
	}

	require.Len(t, askAccess(t, "--config", file, "--revoke", p.ID).Passes, 2)
	_, ok = daemon.Check(token)
	assert.False(t, ok)
	anew := askAccess(t, "--config", file, "--new-code")
	assert.NotEqual(t, said.Code, anew.Code)
	assert.Equal(t, daemon.Code(), anew.Code)
	_, ok = daemon.Check(cookie)
	assert.False(t, ok)
	_, ok = daemon.Check(granted.Token)
	assert.True(t, ok)
	assert.Empty(t, askAccess(t, "--config", file, "--revoke-all").Passes)
	_, ok = daemon.Check(granted.Token)
	assert.False(t, ok)
}

func TestAccessSaysWhatIsServed(t *testing.T) {
	for _, row := range []struct {
		name, network string
		addresses     []string
		says          string
	}{
		{"nothing", `listen = ""`, []string{}, "nothing is served"},
		{"one address", `listen = "192.168.0.2:443"`, []string{"https://192.168.0.2:443"}, "none yet"},
		{"one of IPv6", `listen = "[fd00::1]:443"`, []string{"https://[fd00::1]:443"}, "none yet"},
		{"plain", "listen = \"127.0.0.1:8080\"\nplain = true", []string{"http://127.0.0.1:8080"}, "without encryption"},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, file := logger(t, row.network)
			assert.Equal(t, row.addresses, askAccess(t, "--config", file).Addresses)
			code, stdout, stderr := invoke(t, "access", "--config", file)
			require.Zero(t, code, stderr)
			assert.Contains(t, stdout, row.says)
			assert.Contains(t, stdout, "nobody has come in")
		})
	}
}

func TestAccessAskedWrongly(t *testing.T) {
	_, file := logger(t, "")
	damagedDir, damaged := logger(t, "")
	require.NoError(t, os.Mkdir(filepath.Join(damagedDir, "access"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(damagedDir, "access", "access.json"), []byte("half"), 0o600))
	for _, row := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"no such pass", []string{"--config", file, "--revoke", "zzzzzzzz"}, exitUsage, `"zzzzzzzz"`},
		{"no pass", []string{"--config", file, "--revoke", ""}, exitUsage, "ID"},
		{"no name", []string{"--config", file, "--grant", " "}, exitUsage, "a name"},
		{"a name too long", []string{"--config", file, "--grant", strings.Repeat("n", 61)}, exitUsage, "60"},
		{"two wishes", []string{"--config", file, "--new-code", "--revoke-all"}, exitUsage, "new-code"},
		{"no store", []string{"--store", filepath.Join(damagedDir, "missing")}, exitUsage, "--store"},
		{"no such configuration", []string{"--config", file + ".missing"}, exitUsage, "--config"},
		{"a damaged file", []string{"--config", damaged}, exitFailed, "remove it"},
		{"a damaged file, changed", []string{"--config", damaged, "--new-code"}, exitFailed, "remove it"},
	} {
		t.Run(row.name, func(t *testing.T) {
			code, stdout, stderr := invoke(t, append([]string{"access"}, row.args...)...)
			assert.Equal(t, row.code, code, stderr)
			assert.Contains(t, stderr, row.says)
			assert.Equal(t, 1, strings.Count(stderr, "\n"), stderr)
			assert.Empty(t, stdout)
		})
	}
}
