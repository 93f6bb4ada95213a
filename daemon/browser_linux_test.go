package daemon

import (
	"context"
	"encoding/csv"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	mouse "github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/store"
)

// served runs the daemon on a virtual car until the test ends, and returns where it is reached.
func served(t *testing.T, sessions string, o rig.Options) (base, code string) {
	car := rig.New(o)
	running, err := car.Start(t.Context(), t.TempDir())
	require.NoError(t, err)
	cfg, err := config.Parse("virtual car", []byte(running.ConfigFor(sessions)+"\n[session]\nstop_after = \"1s\"\n"))
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ready := make(chan struct{})
	d := New(cfg, Options{Log: slog.New(slog.DiscardHandler), Software: "test", Listen: nowhere, ListenNetwork: func() (net.Listener, error) { return l, nil }, Ready: func() { close(ready) }})
	var run sync.WaitGroup
	run.Go(func() { assert.NoError(t, d.Run(ctx)) })
	t.Cleanup(func() {
		cancel()
		run.Wait()
		_ = running.Close()
	})
	<-ready
	keeper, err := access.Open(filepath.Join(sessions, AccessDir), access.Options{})
	require.NoError(t, err)
	return "https://" + l.Addr().String(), keeper.Code()
}

// recorded has the virtual car drive, in simulated time, and returns the store's directory and the drive's ID.
func recorded(t *testing.T, length time.Duration) (sessions, id string) {
	sessions = filepath.Join(t.TempDir(), "sessions")
	t.Run("recording", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			b := newBubble(t, rig.Demo(length, 5))
			b.cfg.Store.Path = sessions
			b.start()
			time.Sleep(length / 2)
			require.NoError(t, b.daemon.Mark("second gear"))
			time.Sleep(length/2 + 10*time.Second)
			infos := b.stop()
			require.Len(t, infos, 1)
			id = infos[0].ID
		})
	})
	require.NotEmpty(t, id)
	return sessions, id
}

var widths = []struct {
	name  string
	width int64
}{{"a phone, 360 pixels wide", 360}, {"a laptop, 1280 pixels wide", 1280}}

// What a tuner does beside the car: signs in, looks at a drive, zooms, reads values, downloads, watches the car; and at
// another time calibrates in the driveway. At both widths, and nothing that a script throws is overlooked.
func TestThePageInABrowser(t *testing.T) {
	notUnderRace(t)
	axe := os.Getenv("UNDERDASH_AXE")
	if axe == "" {
		missing(t, "$UNDERDASH_AXE does not name axe.min.js, by which the page's accessibility is checked")
	}
	script, err := os.ReadFile(axe)
	require.NoError(t, err)
	sessions, id := recorded(t, 3*time.Minute)
	visit := func(t *testing.T, base, code string, width int64) *visitor {
		v := startBrowser(t, base)
		v.axe = string(script)
		v.do(emulation.SetDeviceMetricsOverride(width, 800, 1, false))
		v.signIn(code)
		t.Cleanup(func() {
			v.mu.Lock()
			defer v.mu.Unlock()
			assert.Empty(t, v.faults)
		})
		return v
	}
	t.Run("driving", func(t *testing.T) {
		base, code := served(t, sessions, rig.Demo(time.Hour, 6))
		for _, row := range widths {
			t.Run(row.name, func(t *testing.T) {
				v := visit(t, base, code, row.width)
				v.readsADrive(id)
				v.handlesThePlots(id)
				v.drawsWhatItShould()
				v.keeps(id)
				v.watches()
			})
		}
	})
	t.Run("in the driveway", func(t *testing.T) {
		base, code := served(t, sessions, rig.Options{Seed: 7, Held: true, HeldVolts: rig.WarmupVolts, LineLoss: 0.04, NoiseVolts: 0.003})
		for i, row := range widths {
			t.Run(row.name, func(t *testing.T) {
				v := visit(t, base, code, row.width)
				v.calibrates()
				list, err := store.Calibrations(sessions)
				require.NoError(t, err)
				require.Len(t, list, i+1)
				assert.InDelta(t, 0.96, list[i].Gain, 0.005, "the wire loses 4 %")
				if i == len(widths)-1 { // nobody needs the drive any more
					v.deletes(sessions, id)
				}
			})
		}
	})
}

// readsADrive opens a drive from the list, zooms, and compares what stands at the cursor with a CSV that it downloads.
func (v *visitor) readsADrive(id string) {
	t := v.t
	v.do(chromedp.Navigate(v.base+"/"), chromedp.WaitVisible(".drives"))
	v.accessible("the drives")
	const drawn = `document.querySelector("#plot").getAttribute("aria-busy") === "false"`
	v.do(chromedp.Click(fmt.Sprintf(`a[href="/drives/%s"]`, id)), chromedp.WaitVisible("#plot .strip"))
	v.until(drawn)
	v.until(`document.querySelector("#reviewed table")`)
	v.accessible("a drive")

	// By dragging, then by keys, until single readings are there.
	box := ask[[]float64](v, `(() => { document.querySelector("#plot").scrollIntoView(); const b = document.querySelector(".surface").getBoundingClientRect(); return [b.left, b.top, b.width] })()`)
	left, right, y := box[0]+box[2]*0.4, box[0]+box[2]*0.6, box[1]+60
	v.do(mouse.DispatchMouseEvent(mouse.MousePressed, left, y).WithButton(mouse.Left).WithClickCount(1),
		mouse.DispatchMouseEvent(mouse.MouseMoved, (left+right)/2, y).WithButton(mouse.Left),
		mouse.DispatchMouseEvent(mouse.MouseMoved, right, y).WithButton(mouse.Left),
		mouse.DispatchMouseEvent(mouse.MouseReleased, right, y).WithButton(mouse.Left).WithClickCount(1))
	v.until(drawn)
	span := ask[[]float64](v, `JSON.parse(document.querySelector("#plot").dataset.drawn)`)
	assert.InDelta(t, 3*60*0.2/0.9, span[1]-span[0], 6, "a fifth of the plots' width was dragged over")
	for range 5 {
		v.do(chromedp.KeyEvent("+"))
		v.until(drawn)
	}
	v.do(chromedp.KeyEvent("ArrowRight"), chromedp.KeyEvent("ArrowRight"))
	pens := ask[[]struct {
		Channel, At, Value, Text string
	}](v, `[...document.querySelectorAll("output[data-at]")].map(o => ({Channel: o.dataset.channel, At: o.dataset.at, Value: o.dataset.value, Text: o.textContent}))`)
	require.GreaterOrEqual(t, len(pens), 4)
	assert.Contains(t, ask[string](v, `document.querySelector("[role=slider]").getAttribute("aria-valuetext")`), pens[0].Text, "who hears the page hears the values, too")

	rows, columns := v.downloads()
	for _, p := range pens {
		at, err := strconv.ParseFloat(p.At, 64)
		require.NoError(t, err)
		cells := rows[strconv.FormatFloat(at, 'f', 6, 64)]
		require.NotEmpty(t, cells, "the export has a reading of %s at %s s", p.Channel, p.At)
		var found []string
		for i, name := range columns {
			if name == p.Channel || strings.HasPrefix(name, p.Channel+" [") {
				for _, row := range cells {
					if row[i] != "" {
						found = append(found, strconv.FormatFloat(parsed(t, row[i]), 'f', -1, 64))
					}
				}
			}
		}
		assert.Contains(t, found, strconv.FormatFloat(parsed(t, p.Value), 'f', -1, 64), "%s at %s s", p.Channel, p.At)
		shown, err := strconv.ParseFloat(strings.ReplaceAll(strings.FieldsFunc(p.Text, func(r rune) bool { return r == '\u202f' || r == ',' })[0], "−", "-"), 64)
		require.NoError(t, err, "%q is one reading's", p.Text)
		assert.InEpsilon(t, 1+parsed(t, p.Value), 1+shown, 1e-5, "%s as shown", p.Channel)
	}
}

// plotted says that a drive's page has drawn its plots, after which every button works.
const plotted = `document.querySelector("#plot")?.getAttribute("aria-busy") === "false"`

// shows is the range that the plots show, seconds.
func (v *visitor) shows() float64 {
	v.until(plotted)
	span := ask[[]float64](v, `JSON.parse(document.querySelector("#plot").dataset.drawn)`)
	return span[1] - span[0]
}

// handlesThePlots looks closer by the wheel and by two fingers, and chooses another channel by keys.
func (v *visitor) handlesThePlots(id string) {
	t := v.t
	v.do(chromedp.Navigate(v.base+"/drives/"+id), chromedp.WaitVisible("#plot .strip"))
	whole := v.shows()
	box := ask[[]float64](v, `(() => { document.querySelector("#plot").scrollIntoView(); const b = document.querySelector(".surface").getBoundingClientRect(); return [b.left, b.top, b.width] })()`)
	x, y := box[0]+box[2]/2, box[1]+200 // well within them, also when the page has scrolled by the wheel
	wheel := mouse.DispatchMouseEvent(mouse.MouseWheel, x, y).WithDeltaX(0).WithDeltaY(-60)
	v.do(wheel)
	assert.InDelta(t, whole, v.shows(), 0.01, "the page scrolls until somebody has clicked on the plots")
	v.do(chromedp.Evaluate(`document.querySelector("#plot").scrollIntoView()`, nil), chromedp.MouseClickXY(x, y), wheel)
	const shorter = `(() => { const [from, to] = JSON.parse(document.querySelector("#plot").dataset.drawn); return to - from < %f })()`
	v.until(fmt.Sprintf(shorter, whole*0.9))
	wheeled := v.shows()

	fingers := func(a, b float64) []*mouse.TouchPoint {
		return []*mouse.TouchPoint{{X: a, Y: y, ID: 1}, {X: b, Y: y, ID: 2}}
	}
	v.do(mouse.DispatchTouchEvent(mouse.TouchStart, fingers(x-20, x+20)), mouse.DispatchTouchEvent(mouse.TouchMove, fingers(x-40, x+40)),
		mouse.DispatchTouchEvent(mouse.TouchMove, fingers(x-80, x+80)), mouse.DispatchTouchEvent(mouse.TouchEnd, []*mouse.TouchPoint{}))
	v.until(fmt.Sprintf(shorter, wheeled*0.3))
	assert.InDelta(t, wheeled/4, v.shows(), wheeled/20, "two fingers four times as far apart")

	v.focus(".chooser summary")
	v.do(chromedp.KeyEvent("\r"), chromedp.WaitVisible(`#channels input[value="ECT"]`))
	v.accessible("a drive, channels to choose")
	v.focus(`#channels input[value="ECT"]`)
	v.do(chromedp.KeyEvent(" "))
	v.until(`document.querySelector('output[data-channel="ECT"]')?.textContent`)
}

// drawsWhatItShould asks the page's scripts about lines and gaps that the drive has not. It stands on a drive's page.
func (v *visitor) drawsWhatItShould() {
	t := v.t
	// One reading every five seconds; an engine computer's range ends in the last but one.
	ranges := ask[[][]float64](v, `(async () => {
		const { read, range } = await import("/assets/series.js");
		const s = read({ width: 0, columns: [[0, 80], [5, 84], null, [30, 90], [35, 2], [40, 70]], states: [[35, 35, "saturated"]] });
		return [range(s, 1, 2), range(s, 6, 20), range(s, 0, 5), range(s, 31, 36), range(s, 34.9, 35.1), range(s, 50, 60)];
	})()`)
	assert.Equal(t, [][]float64{{80, 84}, nil, {80, 84}, {70, 90}, {70, 90}, nil}, ranges,
		"a line that only crosses the picture has limits, a gap has none, and the end of a range makes none")

	shaded := ask[[]string](v, `(async () => {
		const { Strips } = await import("/assets/strips.js");
		const root = document.createElement("div");
		document.body.append(root);
		const channel = (name, source) => ({ name, source, description: name, unit: "1", strip: "" });
		const s = new Strips(root, { length: 60, events: [], channels: [channel("RPM", "01 0C from 7E8"), channel("wb", "wb"), channel("wb lambda", "wb")], gaps: [
			{ source: "wide", from_s: 0, until_s: 60, why: "no such device" }, { source: "obd", from_s: 10, until_s: 20 }, { source: "wb", from_s: 30, until_s: null }, { source: "recorder", from_s: 40, until_s: 41 }] });
		s.choose(["RPM", "wb", "wb lambda"]);
		root.remove();
		return s.strips.map((x) => x.name + " " + x.gaps.map((g) => g.from + "-" + g.to).join(" "));
	})()`)
	assert.Equal(t, []string{"RPM 10-20 40-41", "wb 30-Infinity 40-41", "wb lambda 30-Infinity 40-41"}, shaded, "a gap is that of its own source")

	drawn := ask[[]bool](v, `(async () => {
		const draw = await import("/assets/draw.js");
		const { read } = await import("/assets/series.js");
		const canvas = document.createElement("canvas");
		canvas.style.cssText = "width:600px;height:150px;display:block";
		document.body.append(canvas);
		const colours = { ...draw.colours(), lines: ["rgb(1,2,3)"] };
		const pixels = (lambda) => {
			draw.strip({ canvas, name: "λ", series: [{ ...read({ width: 0, columns: [[0, lambda], [10, lambda]] }), channel: "x" }], gaps: [], tall: true }, { from: 0, to: 10 }, [], colours);
			const d = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
			let n = 0;
			for (let i = 0; i < d.length; i += 4) if (d[i] < 9 && d[i + 1] < 9 && d[i + 2] < 9 && d[i + 3] > 80) n++;
			return n;
		};
		const all = [0.5, 0.85, 1.01, 1.42, 1.5, 1.6].map((x) => pixels(x) > 300);
		canvas.remove();
		return all;
	})()`)
	assert.Equal(t, []bool{true, true, true, true, true, true}, drawn, "every λ that was read is drawn")
}

// keeps lets a drive be kept, and again not.
func (v *visitor) keeps(id string) {
	v.do(chromedp.Navigate(v.base + "/drives/" + id))
	v.until(plotted)
	for _, pinned := range []string{"true", "false"} {
		v.focus("#pin")
		v.do(chromedp.KeyEvent("\r"))
		v.until(fmt.Sprintf(`document.querySelector("#pin")?.dataset.pinned === "%s" && %s`, pinned, plotted))
	}
}

// deletes thinks better of it once, and then deletes a drive.
func (v *visitor) deletes(sessions, id string) {
	path, err := store.Find(sessions, id)
	require.NoError(v.t, err)
	v.do(chromedp.Navigate(v.base + "/drives/" + id))
	v.until(plotted)
	v.focus("#delete")
	v.do(chromedp.KeyEvent("\r"), chromedp.WaitVisible("#sure"))
	v.accessible("the question whether to delete")
	v.do(chromedp.KeyEvent("\r"), chromedp.WaitNotVisible("#sure")) // what stands first is to leave it
	assert.FileExists(v.t, path)
	v.focus("#delete")
	v.do(chromedp.KeyEvent("\r"), chromedp.WaitVisible("#sure"), chromedp.Click(`#sure [value="yes"]`))
	v.until(`location.pathname === "/"`)
	assert.NoFileExists(v.t, path)
}

func parsed(t *testing.T, text string) float64 {
	x, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return x
}

// downloads downloads the drive's CSV by its button, and returns its rows by their instants, and its columns' titles.
func (v *visitor) downloads() (rows map[string][][]string, columns []string) {
	dir := v.t.TempDir()
	v.do(cdpbrowser.SetDownloadBehavior(cdpbrowser.SetDownloadBehaviorBehaviorAllowAndName).WithDownloadPath(dir).WithEventsEnabled(true),
		chromedp.Click(`button[formaction$="/exports/csv"]`))
	var name string
	select {
	case name = <-v.arrived:
	case <-v.ctx.Done():
		v.t.Fatal("no download came")
	}
	f, err := os.Open(filepath.Join(dir, name))
	require.NoError(v.t, err)
	defer func() { assert.NoError(v.t, f.Close()) }()
	all, err := csv.NewReader(f).ReadAll()
	require.NoError(v.t, err)
	require.Greater(v.t, len(all), 1000)
	rows = make(map[string][][]string)
	for _, row := range all[1:] {
		rows[row[0]] = append(rows[row[0]], row)
	}
	return rows, all[0]
}

// watches sees live values change, and marks an instant.
func (v *visitor) watches() {
	v.do(chromedp.Navigate(v.base+"/now"), chromedp.WaitVisible(".big .value"))
	v.until(`(() => { const v = document.querySelector('[data-channel="RPM"] .value')?.textContent; if (!v) return false; window.seen ||= v; return v !== window.seen })()`)
	v.until(`document.querySelectorAll("#parts .fine").length >= 2`)
	v.until(`document.querySelector("#link").textContent.startsWith("A drive is being recorded")`)
	v.accessible("now")
	v.do(chromedp.SendKeys("#text", "here\r"))
	v.until(`document.querySelector("#marked").textContent === "Marked: here."`)
}

// calibrates goes through the steps of the driveway.
func (v *visitor) calibrates() {
	v.do(chromedp.Navigate(v.base+"/wiring"), chromedp.WaitVisible(".steps"))
	v.until(`document.querySelector(".check").getAttribute("aria-busy") === null`)
	v.do(chromedp.Click(`[data-do="measure"]`))
	v.until(`document.querySelector(".said").textContent.startsWith("Choose first")`)
	v.do(chromedp.Click(`input[value="warmup"]`), chromedp.SetValue(`[name="seconds"]`, "3"), chromedp.Click(`[data-do="measure"]`))
	v.until(`!document.querySelector('[data-do="apply"]').disabled`)
	effects := ask[string](v, `document.querySelector(".finding .effects").innerText`)
	for _, mixture := range []string{"rich", "stoichiometric", "lean"} {
		assert.Contains(v.t, effects, mixture, "what it means for λ is told before it is applied")
	}
	v.accessible("the wiring")
	v.do(chromedp.Click(`[data-do="apply"]`))
	v.until(`document.querySelector(".done").textContent === "Applied."`)
	assert.Contains(v.t, ask[string](v, `document.querySelector("section.input").innerText`), "gain 0.9")
}
