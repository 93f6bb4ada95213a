package daemon

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// visitor is somebody with a browser, a real one without a window.
type visitor struct {
	t       *testing.T
	ctx     context.Context
	base    string
	faults  []string // what scripts threw and pages complained of
	mu      sync.Mutex
	axe     string // the accessibility checker's script; empty: none
	arrived chan string
}

// startBrowser starts a browser. A test without one is skipped.
func startBrowser(t *testing.T, base string) *visitor {
	path, err := exec.LookPath("chromium")
	if err != nil {
		missing(t, "chromium is not installed, in which the page is tried: "+err.Error())
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.Flag("ignore-certificate-errors", true), chromedp.Flag("lang", "en-GB"))
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	all, stop := chromedp.NewExecAllocator(t.Context(), options...)
	ctx, closed := chromedp.NewContext(all)
	limited, enough := context.WithTimeout(ctx, 2*time.Minute)
	t.Cleanup(func() {
		enough()
		closed()
		stop()
	})
	v := &visitor{t: t, ctx: limited, base: base, arrived: make(chan string, 8)}
	chromedp.ListenTarget(ctx, func(event any) {
		switch e := event.(type) {
		case *runtime.EventExceptionThrown:
			v.complain(e.ExceptionDetails.Error())
		case *runtime.EventConsoleAPICalled:
			if e.Type == runtime.APITypeError {
				v.complain(fmt.Sprint("the console has an error: ", e.Args))
			}
		case *cdpbrowser.EventDownloadProgress:
			if e.State == cdpbrowser.DownloadProgressStateCompleted {
				v.arrived <- e.GUID
			}
		}
	})
	v.do(chromedp.Navigate("about:blank"))
	return v
}

// missing skips a test for want of something, or fails it where nothing may be skipped.
func missing(t *testing.T, why string) {
	if os.Getenv("UNDERDASH_NO_SKIP") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

func (v *visitor) complain(text string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.faults = append(v.faults, text)
}

func (v *visitor) do(actions ...chromedp.Action) {
	v.t.Helper()
	require.NoError(v.t, chromedp.Run(v.ctx, actions...))
}

// ask evaluates an expression in the page, and waits for it where it is a promise.
func ask[T any](v *visitor, expression string) (x T) {
	v.t.Helper()
	v.do(chromedp.Evaluate(expression, &x, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }))
	return x
}

// focus gives something the keyboard's focus, in one step: the page may be replaced by another between two.
func (v *visitor) focus(selector string) {
	v.t.Helper()
	v.until(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e?.focus(); return e !== null && document.activeElement === e })()`, selector))
}

// until waits for a condition in the page, or in the one that comes after it.
func (v *visitor) until(condition string) {
	v.t.Helper()
	var err error
	for range 3 {
		err = chromedp.Run(v.ctx, chromedp.Poll(condition, nil, chromedp.WithPollingTimeout(30*time.Second)))
		if err == nil {
			return
		}
		if !strings.Contains(err.Error(), "navigated") && !strings.Contains(err.Error(), "context") {
			break
		}
	}
	v.t.Fatalf("%s: %v; the page has: %s", condition, err, ask[string](v, "document.body.innerText"))
}

// signIn comes in by the access code of a store, having first tried a wrong one.
func (v *visitor) signIn(code string) {
	v.t.Helper()
	v.do(chromedp.Navigate(v.base+"/wiring"), chromedp.WaitVisible("#code"))
	v.accessible("the sign-in page")
	v.do(chromedp.SendKeys("#code", "0000-0000-0000-0000\r"), chromedp.WaitVisible("#wrong"), chromedp.SendKeys("#code", code+"\r"), chromedp.WaitVisible("nav"))
	require.Equal(v.t, "/wiring", ask[string](v, "location.pathname"), "who signs in is led to where they wanted to go")
}

// accessible lets the accessibility checker look at the page, in light and in dark: nothing serious or critical may be found.
func (v *visitor) accessible(what string) {
	v.t.Helper()
	if v.axe == "" {
		return
	}
	v.do(chromedp.Evaluate(v.axe+"; 0", nil))
	for _, scheme := range []string{"dark", "light"} {
		v.do(emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}))
		v.violations(what + ", " + scheme)
	}
	assert.Zero(v.t, ask[int](v, "Math.max(0, document.documentElement.scrollWidth - innerWidth)"), "%s must not scroll sideways", what)
}

func (v *visitor) violations(what string) {
	v.t.Helper()
	found := ask[[]string](v, `axe.run().then(r => r.violations.filter(x => x.impact === "serious" || x.impact === "critical").
		map(x => x.id + ": " + x.help + ": " + x.nodes.map(n => n.target.join(" ")).slice(0, 5).join(", ")))`)
	assert.Empty(v.t, found, what)
}
