package daemon

import (
	"fmt"
	"net/url"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
)

// twelve are the channels that the measurements plot.
var twelve = []string{"wideband lambda", "LAMBDA", "LAMBDA11", "SHRTFT1", "LONGFT1", "RPM", "MAP", "MAF", "TP", "VSS", "SPARKADV", "ECT"}

// TestNumbersWifiPage measures the page in a browser: how soon a long drive is drawn, at first and closer, and what has to come
// over the air for it. Instants are the browser's own, from the click that leads to the page.
func TestNumbersWifiPage(t *testing.T) {
	quick, _ := numbersMode(t)
	length, first, zoom := time.Hour, 1000.0, 150.0
	if quick {
		length, first, zoom = 10*time.Minute, 5000, 1000
	}
	sessions, id := recorded(t, length)
	base, code := served(t, sessions, rig.Options{Seed: 7, Held: true, HeldVolts: 2.5, NoiseVolts: 0.003})
	v := startBrowser(t, base)
	v.do(emulation.SetDeviceMetricsOverride(1280, 800, 1, false), network.Enable(), network.SetCacheDisabled(true))
	v.signIn(code)

	address := v.base + "/drives/" + id + "?" + url.Values{"channel": twelve}.Encode()
	plotted := func() float64 {
		v.do(chromedp.Navigate(address), chromedp.WaitVisible("#plot .strip"))
		v.until(`performance.getEntriesByName("plotted").length > 0`)
		return ask[float64](v, `performance.getEntriesByName("plotted")[0].startTime`)
	}
	var took []float64
	for range 5 { // the first one decodes the drive, the others find it decoded
		took = append(took, plotted())
	}
	number(fmt.Sprintf("drive of %v, 12 channels, to its first plot, worst of %d (middle %.0f ms)", length, len(took), slices.Sorted(slices.Values(took))[len(took)/2]), fmt.Sprintf("%.0f ms", slices.Max(took)), fmt.Sprintf("%.0f ms", first), slices.Max(took) <= first)
	require.Equal(t, 12, ask[int](v, `document.querySelectorAll("output[data-channel]").length`))

	const look = `new Promise(done => {
		const plot = document.querySelector("#plot");
		const began = performance.now();
		new MutationObserver((_, o) => {
			if (plot.getAttribute("aria-busy") !== "false") return;
			o.disconnect();
			requestAnimationFrame(() => done(performance.now() - began));
		}).observe(plot, { attributes: true, attributeFilter: ["aria-busy"] });
		document.querySelector("[data-do=%s]").click();
	})`
	took = took[:0]
	for _, way := range []string{"closer", "closer", "later", "closer", "earlier", "closer", "closer", "closer", "further", "closer", "all"} {
		took = append(took, ask[float64](v, fmt.Sprintf(look, way)))
	}
	slices.Sort(took)
	worst := took[len(took)-1]
	number(fmt.Sprintf("zoom in it until everything is drawn anew, worst of %d (middle %.0f ms)", len(took), took[len(took)/2]), fmt.Sprintf("%.0f ms", worst), fmt.Sprintf("%.0f ms", zoom), worst <= zoom)

	// All that a first look at every room loads, and no data of a drive.
	weight := 0.0
	const loaded = `performance.getEntries().filter(e => ["navigation", "resource"].includes(e.entryType) && !e.name.includes("/api/") && !e.name.endsWith("/review")).reduce((n, e) => n + e.encodedBodySize, 0)`
	for _, path := range []string{"/", "/drives/" + id, "/now", "/wiring"} {
		v.do(chromedp.Navigate(v.base+path), chromedp.WaitVisible("main"))
		v.until(`document.readyState === "complete"`)
		weight += ask[float64](v, loaded)
	}
	number("page weight, first load of all four rooms, nothing shared", fmt.Sprintf("%.0f kB", weight/1000), "150 kB", weight <= 150e3)
}
