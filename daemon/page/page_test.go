package page

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/calibration"
	"underdash/store/summary"
)

// The scenario is made up: a ferry company's launch tractor, and a mechanic who writes markup into names.
func harbour() Options {
	began := time.Date(2031, 3, 9, 7, 30, 0, 0, time.UTC)
	until := 95.0
	x := 1.02
	row := summary.Row{ID: "00007-aaaa", Began: &began, Clock: "synchronised", Length: 1860, Bytes: 2_400_000, Vehicle: `<b onclick="x">Launch tractor</b>`, Fuel: "E5",
		Gaps: []summary.Gap{{Source: "obd", From: 80, Until: &until, Why: "the adapter was pulled out"}}, Read: []summary.Reading{{Input: "wideband", Method: "references"}}}
	undated := summary.Row{ID: "00006-bbbb", Length: 40, Pulled: true, Read: []summary.Reading{{Input: "wideband", Method: "none"}}, Err: "the file is cut off"}
	finding := calibration.Finding{Input: "wideband", Effects: []calibration.Effect{{Lambda: 0.85, Reads: 0.83, Error: -0.02, Sigma: 0.002}, {Lambda: 1, Reads: 0.98, Error: -0.02}, {Lambda: 1.15, Reads: 1.13, Error: -0.02}}}
	find := func(id string) error {
		if id != row.ID {
			return fmt.Errorf("no drive %q: %w", id, fs.ErrNotExist)
		}
		return nil
	}
	return Options{
		Drives: func(context.Context) (Listing, error) { return Listing{Rows: []summary.Row{undated, row}}, nil },
		Outline: func(_ context.Context, id string) (Outline, error) {
			return Outline{Row: row, Channels: []Channel{{"RPM", "Engine speed", "1/min", "01 0C from 7E8"}, {"LAMBDA", "Commanded equivalence ratio", "1", "01 44 from 7E8"}, {"wideband lambda", "wideband, λ", "1", "wideband"}},
				Events: []summary.Event{{At: 12.34, Kind: "mark", Text: `slipway "two"`}}}, find(id)
		},
		Drive: func(_ context.Context, id string) (summary.Drive, error) {
			return summary.Drive{Row: row, Channels: []summary.Channel{{Name: "RPM", Description: "Engine speed", Unit: "1/min", Mean: &x}},
				Diagnoses: []summary.Diagnosis{{When: "start", Computers: []summary.Condition{{Address: "7E8", Stored: []string{}}, {Address: "7E9"}, {Address: "7EA", Stored: []string{"P0143"}}}}},
				Findings:  []summary.Finding{{Source: "wideband", Text: "reads richer than it is", Worry: true}, {Source: "bank 2", Text: "not corrected", Unsure: true}, {Text: "no trouble code is stored"}}}, find(id)
		},
		Inputs: func(context.Context) ([]Input, error) {
			return []Input{{Name: "wideband", Low: Point{0.5, 0.65}, High: Point{4.5, 1.35}, Top: 4.5, Finding: calibration.Finding{Input: "wideband"}}}, nil
		},
		Check: func(context.Context, string) (calibration.Check, error) {
			return calibration.Check{Finding: finding, Sessions: 9, Showing: 4, Summary: "The line loses 4 %."}, nil
		},
		Formats: []string{"csv"},
	}
}

func get(t *testing.T, p http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil)
	if strings.Contains(path, "fragment") {
		r.Header.Set("X-Fragment", "1")
	}
	p.ServeHTTP(w, r)
	return w
}

// inline is a script or style in the text of a page, which its rules of content forbid.
var inline = regexp.MustCompile(`(?i)<script(>|[^>]*[^"]>[^<])|<style|\son[a-z]+=["']|\sstyle=`)

func TestRooms(t *testing.T) {
	p := New(harbour())
	for _, row := range []struct {
		name, path string
		status     int
		has, lacks []string
	}{
		{"the drives", "/", 200, []string{"31 min 0 s", "obd: 15 s missing", "levels that drives showed by themselves", "nothing is known of its wiring", "the file is cut off", "1 cannot be read", `href="/drives/00007-aaaa"`}, []string{"<b onclick"}},
		{"a drive", "/drives/00007-aaaa", 200, []string{"9 March 2031, 07:30 UTC", "slipway &#34;two&#34;", "0:12.3", `value="RPM" checked`, "exports/csv"}, []string{"<b onclick"}},
		{"a drive with other channels", "/drives/00007-aaaa?channel=LAMBDA", 200, []string{`value="LAMBDA" checked`, `value="RPM"> `}, []string{`value="RPM" checked`}},
		{"no such drive", "/drives/00009-cccc", 404, []string{"no drive &#34;00009-cccc&#34;"}, []string{"file does not exist"}},
		{"a review", "/drives/00007-aaaa/review", 200, []string{"<html", `<li class="worry"><b>wideband</b>: reads richer than it is`, `<li class="unsure"><b>bank 2</b>: not corrected`, `<li class="fine">no trouble code is stored`, "no trouble code stored", "stored codes were not told", "stored P0143"}, nil},
		{"a review for a script", "/drives/00007-aaaa/review?fragment", 200, []string{"reads richer than it is"}, []string{"<html"}},
		{"now", "/now", 200, []string{"For the passenger", `aria-current="page"`}, nil},
		{"the wiring", "/wiring", 200, []string{"0.50 V stands for λ 0.650", "Nothing was measured yet", `data-do="apply" disabled`}, []string{`value="warmup"`}},
		{"what drives show", "/wiring/check?input=wideband&fragment", 200, []string{"4 of the last 9", "rich", "stoichiometric", "lean", "looks richer", "±0.004"}, []string{"<html"}},
		{"no such input", "/wiring/check?input=narrowband", 404, []string{"no wideband input"}, []string{"file does not exist"}},
		{"the way in", "/sign-in", 200, []string{`action="/sign-in"`, `name="next" value="/"`}, []string{"Sign out", "role=\"alert\"", "Wiring"}},
		{"a wrong code", "/sign-in?wrong=1&next=%2Fnow", 200, []string{"not the access code", `value="/now"`}, nil},
		{"too many codes", "/sign-in?wait=90", 200, []string{"Wait 1 min 30 s"}, nil},
		{"nothing", "/attic", 404, []string{"nothing at /attic<"}, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			w := get(t, p, row.path)
			text := w.Body.String()
			assert.Equal(t, row.status, w.Code)
			assert.Equal(t, "text/html; charset=utf-8", w.Header().Get("Content-Type"))
			assert.Equal(t, "no-store", w.Header().Get("Cache-Control"))
			for _, part := range row.has {
				assert.Contains(t, text, part)
			}
			for _, part := range row.lacks {
				assert.NotContains(t, text, part)
			}
			assert.Empty(t, inline.FindString(text))
			assert.NotContains(t, text, "ZgotmplZ")
			assert.NotRegexp(t, `(src|href|action)="(https?:)?//`, text, "nothing comes from elsewhere")
		})
	}
}

// Of very many drives a page lists the newest, and leads to the others; it says of each what is to be looked at.
func TestManyDrives(t *testing.T) {
	o := harbour()
	l := Listing{Fault: "calibrations.json is damaged"}
	for i := range 120 {
		row := summary.Row{ID: fmt.Sprintf("%05d-aaaa", i+1), State: "complete", Length: 600, Bytes: 1 << 20}
		if i == 119 {
			row.Worries = []string{"trouble codes are stored: P0143 (7E8)"}
		}
		l.Rows = append(l.Rows, row)
	}
	o.Drives = func(context.Context) (Listing, error) { return l, nil }
	p := New(o)
	drive := regexp.MustCompile(`href="/drives/(\d{5})-aaaa"`)
	path := "/"
	var seen []string
	for range 3 {
		w := get(t, p, path)
		require.Equal(t, http.StatusOK, w.Code)
		text := w.Body.String()
		assert.Contains(t, text, "120 drives")
		assert.Contains(t, text, "calibrations.json is damaged")
		assert.Equal(t, path == "/", strings.Contains(text, "trouble codes are stored: P0143"))
		assert.Equal(t, path != "/", strings.Contains(text, "The newest drives"))
		assert.Less(t, len(text), 50_000)
		for _, m := range drive.FindAllStringSubmatch(text, -1) {
			seen = append(seen, m[1])
		}
		_, rest, more := strings.Cut(text, `href="/?before=`)
		if !more {
			break
		}
		id, _, _ := strings.Cut(rest, `"`)
		path = "/?before=" + id
	}
	require.Len(t, seen, 120, "each once")
	assert.Equal(t, "00120", seen[0])
	assert.Equal(t, "00001", seen[119])
}

func TestAFaultIsToldOnThePage(t *testing.T) {
	o := harbour()
	o.Drives = func(context.Context) (Listing, error) { return Listing{}, errors.New("the card is gone") }
	w := get(t, New(o), "/")
	assert.Equal(t, http.StatusInternalServerError, w.Code)
	assert.Contains(t, w.Body.String(), "the card is gone")
}

func TestAssets(t *testing.T) {
	p := New(harbour())
	whole := 0
	for name, kind := range map[string]string{"style.css": "text/css; charset=utf-8", "drive.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml"} {
		w := get(t, p, "/assets/"+name)
		require.Equal(t, http.StatusOK, w.Code, name)
		assert.Equal(t, kind, w.Header().Get("Content-Type"))
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/assets/"+name, nil)
		r.Header.Set("If-None-Match", w.Header().Get("ETag"))
		again := httptest.NewRecorder()
		p.ServeHTTP(again, r)
		assert.Equal(t, http.StatusNotModified, again.Code, name)
	}
	for name, a := range p.assets {
		whole += len(a.text)
		assert.NotRegexp(t, `https?://`, strings.ReplaceAll(string(a.text), "http://www.w3.org/2000/svg", ""), "%s needs nothing from elsewhere", name)
	}
	assert.Less(t, whole, 100_000, "all assets together, so that the rooms keep to 150 kB")
	for _, path := range []string{"/assets/", "/assets/none.js", "/assets/..%2fpage.go"} {
		assert.Equal(t, http.StatusNotFound, get(t, p, path).Code, path)
	}
}

func TestWords(t *testing.T) {
	for want, got := range map[string]string{
		"0 s": length(0), "59 s": length(59.4), "1 min 0 s": length(59.6), "1 h 1 min": length(3660),
		"0:00.0": clock(-1), "1:05.3": clock(65.34), "1:00:00.0": clock(3599.96),
		"–": short(nil), "12.5": short(new(12.5)), "−0.0044": short(new(-0.0044)), "5957": short(new(5957.0)), "0": short(new(0.0)),
	} {
		assert.Equal(t, want, got)
	}
}
