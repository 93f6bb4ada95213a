package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/daemon/httpapi"
	"underdash/daemon/pull"
	"underdash/store"
	"underdash/store/storetest"
)

// idleDaemon records nothing.
type idleDaemon struct{}

func (idleDaemon) Mark(string) error                            { return httpapi.ErrNoSession }
func (idleDaemon) Status() any                                  { return nil }
func (idleDaemon) Newest() (m store.Meta, s []store.Sample)     { return m, s }
func (idleDaemon) Rates() map[uint16]float64                    { return nil }
func (idleDaemon) Clock() time.Duration                         { return 0 }
func (idleDaemon) Inputs() []config.Analog                      { return nil }
func (idleDaemon) Offer(time.Time, time.Duration) (bool, error) { return false, nil }
func (idleDaemon) Measure(context.Context, string, time.Duration) (s calibration.Seen, err error) {
	return s, nil
}

func TestPullCommand(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("where the configuration directory is cannot be told by $XDG_CONFIG_HOME here")
	}
	s := storetest.Open(t)
	drive := storetest.Reference{Seed: 1, Length: time.Minute}
	id := strings.TrimSuffix(filepath.Base(storetest.Session(t, s, drive.Meta(), drive.Samples())), ".session")
	keeper, err := access.Open(t.TempDir(), access.Options{})
	require.NoError(t, err)
	certificate, err := access.Certificate(t.TempDir(), nil, time.Now())
	require.NoError(t, err)
	server := httptest.NewUnstartedServer(httpapi.New(httpapi.Options{Store: s, Access: keeper, Daemon: idleDaemon{}}))
	server.TLS = &tls.Config{Certificates: []tls.Certificate{certificate}}
	server.StartTLS()
	t.Cleanup(server.Close)
	settings := t.TempDir()
	t.Setenv("XDG_CONFIG_HOME", settings)
	t.Setenv(codeEnv, "")
	dir, csv := filepath.Join(t.TempDir(), "drives"), t.TempDir()
	right := access.Fingerprint(certificate)
	for _, c := range []struct {
		name string
		args []string
		env  string // the access code
		code int
		said []string
	}{
		{"no directory", []string{server.URL}, "", exitUsage, []string{"--to"}},
		{"no address", []string{"--to", dir}, "", exitUsage, []string{"such as https://logger.local:8443"}},
		{"no logger's address", []string{"ftp://logger", "--to", dir}, "", exitUsage, []string{"not a logger's address"}},
		{"no format", []string{server.URL, "--to", dir, "--format", "xls"}, "", exitUsage, []string{"there is csv"}},
		{"no patience", []string{server.URL, "--to", dir, "--patience", "0s"}, "", exitUsage, []string{"give more than 0"}},
		{"no fingerprint", []string{server.URL, "--to", dir, "--fingerprint", "12:34"}, "", exitUsage, []string{"64 hexadecimal digits"}},
		{"unknown, nobody at a terminal", []string{server.URL, "--to", dir}, keeper.Code(), exitFailed, []string{right, "--fingerprint"}},
		{"no code", []string{server.URL, "--to", dir, "--fingerprint", right}, "", exitFailed, []string{"$" + codeEnv}},
		{"a wrong code", []string{server.URL, "--to", dir, "--fingerprint", right, "--code", "WRONG"}, "", exitFailed, []string{"this is not the access code"}},
		{"right", []string{server.URL, "--to", dir, "--fingerprint", right}, keeper.Code(), 0, []string{"1/1 " + id, "MB/s", "\n1 session: 1 brought"}},
		{"again, with what is kept", []string{server.URL, "--to", dir}, "", 0, []string{"0 brought", "1 there already"}},
		{"exports", []string{server.URL, "--to", csv, "--format", "csv"}, "", 0, []string{id + ".csv", "1 brought"}},
		{"another certificate than ever", []string{server.URL, "--to", dir, "--fingerprint", strings.Repeat("00", 32)}, "", exitFailed, []string{"nothing is sent to it"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Setenv(codeEnv, c.env)
			code, _, stderr := invoke(t, append([]string{"pull"}, c.args...)...)
			assert.Equal(t, c.code, code, stderr)
			for _, text := range c.said {
				assert.Contains(t, stderr, text)
			}
			assert.NotContains(t, stderr, keeper.Code())
		})
	}
	info, err := os.Stat(filepath.Join(settings, "underdash", "loggers.json"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	code, listed, stderr := invoke(t, "sessions", "--store", dir)
	require.Zero(t, code, stderr)
	assert.Contains(t, listed, id)
	assert.FileExists(t, filepath.Join(csv, id+".csv-metadata.json"))
}

func TestHowAPullIsShown(t *testing.T) {
	for _, c := range []struct {
		name string
		at   []pull.Progress
		want string
	}{
		{"a short one", []pull.Progress{{Done: 1e6, Total: 2e6, Took: time.Second, Received: 1e6}, {Done: 2e6, Total: 2e6, Took: 2 * time.Second, Received: 2e6, Finished: true}},
			"1/2 drive  2.00 MB, 1.00 MB/s\n"},
		{"a long one", []pull.Progress{{Done: 1e6, Total: -1, Took: 11 * time.Second, Received: 11e5}, {Done: 2e6, Total: 4e6, Took: 15 * time.Second, Received: 2e6}, {Done: 3e6, Total: 4e6, Took: 21 * time.Second, Received: 21e6}},
			"1/2 drive  1.00 MB so far, 0.10 MB/s\n1/2 drive  3.00 MB of 4.00 MB so far, 1.00 MB/s\n"},
		{"what was all there", []pull.Progress{{Done: 1e6, Total: 1e6, Took: time.Second, Finished: true}}, "1/2 drive  1.00 MB, nothing of it came anew\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var out bytes.Buffer
			shown := &pullShown{out: &out}
			for _, p := range c.at {
				p.Name, p.Nth, p.Of = "drive", 1, 2
				shown.progress(p)
			}
			assert.Equal(t, c.want, out.String())
		})
	}
}

func TestConfirmingAFingerprint(t *testing.T) {
	for _, c := range []struct {
		name, typed string
		right, ok   bool
	}{{"yes", "y\nrest", true, true}, {"in full, of Windows", "Yes\r\n", true, true}, {"no", "n\n", false, true}, {"nothing", "\n", false, true},
		{"the end", "", false, false}, {"without a line's end", "y", true, true}} {
		t.Run(c.name, func(t *testing.T) {
			in := strings.NewReader(c.typed)
			right, err := confirm(in, &bytes.Buffer{}, "logger.local", "AB:CD")
			assert.Equal(t, c.ok, err == nil)
			assert.Equal(t, c.right, right)
			if c.name == "yes" {
				assert.Equal(t, 4, in.Len(), "what follows is for who asks next")
			}
		})
	}
}
