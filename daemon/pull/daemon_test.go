package pull

import (
	"bytes"
	"context"
	"crypto/tls"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/daemon/httpapi"
	"underdash/store"
	"underdash/store/export"
	"underdash/store/storetest"
)

// idle is a daemon that records nothing.
type idle struct{ offered []time.Duration }

func (*idle) Mark(string) error                    { return httpapi.ErrNoSession }
func (*idle) Status() any                          { return map[string]any{} }
func (*idle) Newest() (store.Meta, []store.Sample) { return store.Meta{}, nil }
func (*idle) Rates() map[uint16]float64            { return nil }

func (*idle) Clock() time.Duration    { return 0 }
func (*idle) Inputs() []config.Analog { return nil }

func (d *idle) Offer(_ time.Time, maxError time.Duration) (bool, error) {
	d.offered = append(d.offered, maxError)
	return true, nil
}

func (*idle) Measure(context.Context, string, time.Duration) (calibration.Seen, error) {
	return calibration.Seen{}, nil
}

// whole gets something at once.
func whole(t *testing.T, server *httptest.Server, token, path string) []byte {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL+path, nil)
	require.NoError(t, err)
	r.Header.Set("Authorization", "Bearer "+token)
	resp, err := server.Client().Transport.RoundTrip(r)
	require.NoError(t, err)
	defer func() { _ = resp.Body.Close() }()
	require.Equal(t, http.StatusOK, resp.StatusCode)
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return text
}

// The daemon's own server, through the proxy that drops connections.
func TestAgainstTheServer(t *testing.T) {
	for _, c := range []struct{ name, format string }{{"sessions", ""}, {"exports", "csv"}} {
		t.Run(c.name, func(t *testing.T) {
			files, err := drives()
			require.NoError(t, err)
			s := storetest.Open(t)
			for id, text := range files {
				path := filepath.Join(t.TempDir(), id+".session")
				require.NoError(t, os.WriteFile(path, text, 0o644))
				_, _, err := s.Add(path)
				require.NoError(t, err)
			}
			keeper, err := access.Open(t.TempDir(), access.Options{})
			require.NoError(t, err)
			certificate, err := access.Certificate(t.TempDir(), nil, time.Now())
			require.NoError(t, err)
			daemon := &idle{}
			server := httptest.NewUnstartedServer(httpapi.New(httpapi.Options{Store: s, Access: keeper, Daemon: daemon}))
			server.Config.SetKeepAlivesEnabled(false) // so that there are many connections
			server.TLS = &tls.Config{Certificates: []tls.Certificate{certificate}}
			server.StartTLS()
			defer server.Close()
			server.Client().Transport.(*http.Transport).TLSClientConfig.InsecureSkipVerify = true // it is this test's own
			through := newProxy(t, server.Listener.Addr().String())
			to, keep := t.TempDir(), filepath.Join(t.TempDir(), "loggers.json")
			run := func() Report {
				p, err := New("https://"+through.Addr().String(), Options{To: to, Format: c.format, Keep: keep, Fingerprint: access.Fingerprint(certificate), Code: keeper.Code(), Name: "a test"})
				require.NoError(t, err)
				report, err := p.Run(t.Context())
				require.NoError(t, err)
				return report
			}
			recorded, err := s.List()
			require.NoError(t, err)
			applied := store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 0.96}, From: 2, Origin: recorded[0].Meta.Origin}
			require.NoError(t, store.ApplyCalibration(s.Dir(), applied, time.Now()))
			assert.Len(t, run().Brought, len(files))
			assert.Positive(t, through.dropped.Load())
			again := run()
			assert.Empty(t, again.Brought)
			assert.Equal(t, len(files), again.Had)
			came, err := store.Calibrations(to)
			require.NoError(t, err)
			if c.format == "" {
				require.Len(t, came, 1, "once, in two runs")
				assert.Equal(t, 0.96, came[0].Gain)
				infos, err := s.List()
				require.NoError(t, err)
				assert.Equal(t, infos[0].Meta.Origin, came[0].Origin, "for this logger's drives only")
			} else {
				assert.Empty(t, came)
			}
			assert.Len(t, keeper.List(), 1, "one token for both runs")
			assert.NotEmpty(t, daemon.offered)
			token, err := keeper.Grant(keeper.Code(), "", "another")
			require.NoError(t, err)
			infos, err := s.List()
			require.NoError(t, err)
			for _, i := range infos {
				assert.Equal(t, c.format == "", i.Pulled, "told of %s", i.ID)
				if c.format == "" {
					got, err := os.ReadFile(filepath.Join(to, i.ID+".session"))
					require.NoError(t, err)
					assert.True(t, bytes.Equal(files[i.ID], got))
					continue
				}
				got, err := os.ReadFile(filepath.Join(to, i.ID+"."+c.format))
				require.NoError(t, err)
				want := whole(t, server, token, "/api/v1/sessions/"+i.ID+"/exports/"+c.format)
				assert.True(t, bytes.Equal(want, got), "what comes over a connection that holds")
				_, err = os.Stat(filepath.Join(to, i.ID+"."+c.format+export.DescriptionSuffix))
				assert.NoError(t, err, "described beside it")
			}
		})
	}
}
