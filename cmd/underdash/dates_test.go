package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon"
	"underdash/daemon/health"
	"underdash/store"
	"underdash/store/export"
	"underdash/store/storetest"
	"underdash/store/summary"
)

func TestSessionsWithoutADateSaySo(t *testing.T) {
	s := storetest.Open(t)
	noon := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	drive := func(boot string, anchors ...store.Anchor) {
		storetest.Session(t, s, store.Meta{BootID: boot, Channels: []store.Channel{{Name: "a"}}, Anchors: anchors},
			[]store.Sample{{}, {At: 10 * time.Minute}})
	}
	board := func(utc time.Time) store.Anchor { return store.Anchor{UTC: utc, Source: store.BySystem} }
	drive("A", store.Anchor{UTC: noon, Source: store.ByReference, MaxError: 40 * time.Millisecond})
	drive("B", board(time.Unix(60, 0)))
	drive("C", board(noon.Add(time.Hour)))
	drive("D", board(noon.Add(-time.Hour)))
	drive("E")
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "E", SinceBoot: 0, UTC: noon.Add(24 * time.Hour), Source: store.ByClient, MaxError: time.Second}))

	code, stdout, stderr := invoke(t, "sessions", "--store", s.Dir())
	require.Zero(t, code, stderr)
	lines := strings.Split(stdout, "\n")
	const between = "began between 2026-05-01 12:10:00 and 2026-05-02 12:00:00"
	for i, want := range [][]string{
		{"2026-05-01 12:00:00"}, {"not known", between}, {"~2026-05-01 13:00:00", between}, {"not known", between}, {"2026-05-02 12:00:00"},
	} {
		for _, words := range want {
			assert.Contains(t, lines[i+1], words, "session %d", i+1)
		}
		assert.Equal(t, len(want) == 2, strings.Contains(lines[i+1], "began"), "session %d", i+1)
	}
	assert.Contains(t, stdout, "~ by the board's own clock")

	code, stdout, _ = invoke(t, "sessions", "--store", s.Dir(), "--json")
	require.Zero(t, code)
	var list struct {
		Sessions []struct {
			Began       *time.Time
			Clock       string
			Off         *float64   `json:"clock_error_s"`
			BeganAfter  *time.Time `json:"began_after"`
			BeganBefore *time.Time `json:"began_before"`
		}
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &list))
	require.Len(t, list.Sessions, 5)
	assert.Equal(t, store.ByReference, list.Sessions[0].Clock)
	assert.InDelta(t, 0.04, *list.Sessions[0].Off, 1e-9)
	assert.Nil(t, list.Sessions[0].BeganAfter)
	assert.Nil(t, list.Sessions[1].Began, "no drive was in 1970")
	assert.Empty(t, list.Sessions[1].Clock)
	assert.Equal(t, store.BySystem, list.Sessions[2].Clock)
	assert.Equal(t, noon.Add(time.Hour), *list.Sessions[2].Began)
	assert.Nil(t, list.Sessions[3].Began, "the drive before it was not over")
	assert.Equal(t, noon.Add(10*time.Minute), *list.Sessions[1].BeganAfter)
	assert.Equal(t, noon.Add(24*time.Hour), *list.Sessions[1].BeganBefore)
	assert.Equal(t, store.ByClient, list.Sessions[4].Clock)

	for id, row := range map[string]struct{ shown, created, described string }{
		"00001": {"2026-05-01 12:00:00 UTC", "2026-05-01T12:00:00Z", ""},
		"00002": {"not known; it " + between + " UTC", "", "date: not known; it began between 2026-05-01T12:10:00Z and 2026-05-02T12:00:00Z"},
		"00003": {"2026-05-01 13:00:00 UTC, by the board's own clock, which was not known to be right", "2026-05-01T13:00:00Z", "date: by the board's own clock, which was not known to be right"},
		"00004": {"not known; it " + between + " UTC", "", "date: not known; it began between 2026-05-01T12:10:00Z and 2026-05-02T12:00:00Z"},
		"00005": {"2026-05-02 12:00:00 UTC, by the clock of somebody who asked the logger", "2026-05-02T12:00:00Z", ""},
	} {
		code, stdout, stderr := invoke(t, "show", id, "--store", s.Dir())
		require.Zero(t, code, stderr)
		assert.Regexp(t, `(?m)^began +`+regexp.QuoteMeta(row.shown)+"$", stdout, id)
		out := filepath.Join(t.TempDir(), "drive.csv")
		code, _, stderr = invoke(t, "export", id, "--store", s.Dir(), "--out", out)
		require.Zero(t, code, stderr)
		text, err := os.ReadFile(out + export.DescriptionSuffix)
		require.NoError(t, err)
		var d struct {
			Created     string   `json:"dc:created"`
			Description []string `json:"dc:description"`
		}
		require.NoError(t, json.Unmarshal(text, &d))
		assert.Equal(t, row.created, d.Created, id)
		assert.Equal(t, row.described, strings.Join(d.Description, " "), id)
	}
}

// An archive of two loggers is listed by date: a number says which drive of its logger one is.
func TestSessionsOfSeveralLoggersAreListedByDate(t *testing.T) {
	archive := storetest.Open(t)
	for _, days := range [][]int{{1, 5}, {2, 3, 4}} {
		from := storetest.Open(t)
		for _, d := range days {
			m := store.Meta{BootID: strconv.Itoa(d), Vehicle: "day " + strconv.Itoa(d), Channels: []store.Channel{{Name: "a"}},
				Anchors: []store.Anchor{{UTC: time.Date(2026, 5, d, 0, 0, 0, 0, time.UTC), Source: store.ByReference}}}
			_, _, err := archive.Add(storetest.Session(t, from, m, []store.Sample{{}}))
			require.NoError(t, err)
		}
	}
	code, stdout, stderr := invoke(t, "sessions", "--store", archive.Dir())
	require.Zero(t, code, stderr)
	assert.Equal(t, []string{"day 1", "day 2", "day 3", "day 4", "day 5"}, regexp.MustCompile(`day \d`).FindAllString(stdout, -1))
}

func TestAStoreThatHasNoRoomIsShown(t *testing.T) {
	var out bytes.Buffer
	l := sessionList{Daemon: &daemon.Status{Recording: "00007-abcd", Parts: []health.Part{
		{Name: "store", State: health.Stopped, Why: "no room to record: the sessions take 2.0 GB and may take 2.0 GB", Counts: map[string]uint64{daemon.WrittenCount: 12_345_678}},
	}, Polling: []daemon.Polling{{Parameter: "01 05 from 7E8", Class: "normal", Wanted: 1, Asked: 1.02, Got: 0.98, WorstGap: 1.5}}}}
	l.printDaemon(&out)
	assert.Contains(t, out.String(), "records session 00007-abcd")
	assert.Regexp(t, `01 05 from 7E8 +normal +1\.0 +1\.0 +1\.0 +1\.50 s`, out.String())
	assert.Contains(t, out.String(), "store: stopped since 00:00:00: no room to record")
	assert.Contains(t, out.String(), "12.3 MB went to the medium since it started")
}

func TestMarkWithoutADaemon(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	storetest.OpenDir(t, dir)
	code, _, stderr := invoke(t, "mark", "a", "knock", "--store", dir)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "no daemon is recording into "+dir)
	code, _, stderr = invoke(t, "mark", " ", "--store", dir)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, "needs a text")
}

func TestRemarksCountTheirGaps(t *testing.T) {
	until := 2.0
	gap := summary.Gap{Source: "obd", From: 1, Until: &until, Why: "it hung"}
	for n, want := range []string{"", "no obd from 1.0 s to 2.0 s: it hung", "no obd from 1.0 s to 2.0 s: it hung (and 1 more gap)", "no obd from 1.0 s to 2.0 s: it hung (and 2 more gaps)"} {
		assert.Equal(t, want, sessionRow{summary.Row{Gaps: slices.Repeat([]summary.Gap{gap}, n)}}.remarks())
	}
}
