package httpapi

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/calibration"
	"underdash/daemon/page"
	"underdash/store"
	"underdash/store/storetest"
)

// What is applied from a browser is kept with the fuel, as what the command applies is.
func TestAppliedIsKeptWithTheFuel(t *testing.T) {
	l := startLogger(t, time.Second)
	l.daemon.seen = calibration.Seen{Volts: 4.8, Sigma: 0.001, Noise: 0.002, Low: 4.79, High: 4.81, Readings: 500, Step: 0.001, Length: 5 * time.Second}
	l.daemon.meta = wideMeta()
	l.daemon.meta.Fuel = store.Fuel{Name: "E10", AFRst: 14.1, Source: "configured"}
	response, text := l.do("POST", prefix+"/calibration/levels", `{"level":"warmup"}`)
	require.Equal(t, 200, response.StatusCode, "%s", text)
	response, text = l.do("POST", prefix+"/calibration/apply", `{"input":"wideband"}`)
	require.Equal(t, 200, response.StatusCode, "%s", text)
	all, err := store.Calibrations(l.store.Dir())
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.NotNil(t, all[0].Fuel)
	assert.Equal(t, l.daemon.meta.Fuel, *all[0].Fuel)
}

// A live value says how often it is read; of one that has only begun, that is not known.
func TestLiveRates(t *testing.T) {
	l := startLogger(t, time.Second)
	l.daemon.meta, l.daemon.clock = wideMeta(), 10*time.Second
	l.daemon.newest = []store.Sample{{At: 9 * time.Second, Channel: 0, Code: 4000}, {At: 9900 * time.Millisecond, Channel: 2, Code: 2500}}
	_, text := l.do("GET", prefix+"/newest", "")
	var n Now
	require.NoError(t, json.Unmarshal(text, &n))
	rates := map[string]*float64{}
	for _, c := range n.Channels {
		rates[c.Name] = c.Rate
	}
	require.NotNil(t, rates["RPM"], "%s", text)
	assert.Equal(t, 12.5, *rates["RPM"])
	assert.Contains(t, rates, "wideband")
	assert.Nil(t, rates["wideband"])
}

// A board without a clock of its own begins in some year long past. No surface gives such a drive that date.
func TestADateThatCannotBeIsNotTold(t *testing.T) {
	meta := wideMeta()
	meta.Anchors = []store.Anchor{{UTC: time.Date(1999, 12, 31, 23, 59, 0, 0, time.UTC), Source: store.BySystem}}
	l := startLoggerWith(t, meta, readings(time.Second))
	noon := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	later := wideMeta()
	later.Anchors = []store.Anchor{{UTC: noon, Source: store.ByReference}}
	storetest.Session(t, l.store, later, readings(time.Second)...)
	pages := page.New(l.server.Rooms())
	for path, want := range map[string][]string{
		"/":                            {"Undated, began before 2026-05-01 12:00:00", "1 May 2026, 12:00 UTC"},
		"/drives/" + l.id():            {"<title>Undated drive", "<h1>Undated, began before 2026-05-01 12:00:00"},
		prefix + "/sessions":           {`"began_before":"2026-05-01T12:00:00Z"`},
		prefix + "/sessions/" + l.id(): {`"began_before":"2026-05-01T12:00:00Z"`},
		prefix + "/sessions/" + l.id() + "/exports/csv/description": {"date: not known; it began before 2026-05-01T12:00:00Z"},
	} {
		var text []byte
		if strings.HasPrefix(path, prefix) {
			_, text = l.do("GET", path, "")
		} else {
			w := httptest.NewRecorder()
			pages.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
			text = w.Body.Bytes()
		}
		for _, words := range want {
			assert.Contains(t, string(text), words, path)
		}
		assert.NotContains(t, string(text), "1999", path)
		assert.NotContains(t, string(text), "guess", path)
	}
}
