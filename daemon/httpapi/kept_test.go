package httpapi

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/calibration"
	"underdash/store"
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
