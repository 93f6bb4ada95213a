package store_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
)

func TestDate(t *testing.T) {
	noon := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	past := time.Date(1970, 1, 1, 0, 1, 0, 0, time.UTC)
	// drive is a session of ten minutes that began so long after its boot.
	drive := func(number uint64, boot string, since time.Duration, anchors ...store.Anchor) store.Info {
		return store.Info{Number: number, Length: 10 * time.Minute, Meta: store.Meta{ID: string(rune('a' + number)), BootID: boot, SinceBoot: since, Anchors: anchors}}
	}
	guess := func(at time.Duration, utc time.Time) store.Anchor {
		return store.Anchor{At: at, UTC: utc, Source: store.BySystem}
	}
	known := func(at time.Duration, utc time.Time) store.Anchor {
		return store.Anchor{At: at, UTC: utc, Source: store.ByReference, MaxError: 10 * time.Millisecond}
	}
	of := func(origin string, i store.Info) store.Info {
		i.Meta.Origin = origin
		return i
	}
	min := time.Minute
	for _, row := range []struct {
		name    string
		infos   []store.Info
		anchors []store.BootAnchor
		want    []store.Dating
	}{
		{"nothing is known", []store.Info{drive(1, "", 0)}, nil, []store.Dating{{}}},
		{"by its own anchor, which came late", []store.Info{drive(1, "A", 5*min, guess(0, past), known(2*min, noon))}, nil,
			[]store.Dating{{Began: noon.Add(-2 * min), Source: store.ByReference, MaxError: 22 * time.Millisecond}}},
		{"no more than a guess", []store.Info{drive(1, "A", 5*min, guess(0, past))}, nil,
			[]store.Dating{{Began: past, Source: store.BySystem}}},
		{"by another session of the boot, recorded later", []store.Info{drive(1, "A", 5*min, guess(0, past)), drive(2, "A", 65*min, known(0, noon))}, nil,
			[]store.Dating{{Began: noon.Add(-60 * min), Source: store.ByReference, MaxError: 370 * time.Millisecond}, {Began: noon, Source: store.ByReference, MaxError: 10 * time.Millisecond}}},
		{"by what came after the last session", []store.Info{drive(1, "A", 5*min, guess(0, past))},
			[]store.BootAnchor{{BootID: "A", SinceBoot: 25 * min, UTC: noon, Source: store.ByClient, MaxError: time.Second}},
			[]store.Dating{{Began: noon.Add(-20 * min), Source: store.ByClient, MaxError: 1120 * time.Millisecond}}},
		{"another boot's anchor says nothing", []store.Info{drive(1, "A", 5*min, guess(0, past))},
			[]store.BootAnchor{{BootID: "B", SinceBoot: 25 * min, UTC: noon, Source: store.ByReference}},
			[]store.Dating{{Began: past, Source: store.BySystem}}},
		{"a reference goes before a client", []store.Info{drive(1, "A", 0, known(0, noon))},
			[]store.BootAnchor{{BootID: "A", SinceBoot: min, UTC: noon.Add(time.Hour), Source: store.ByClient}},
			[]store.Dating{{Began: noon, Source: store.ByReference, MaxError: 10 * time.Millisecond}}},
		{"a reference that was put right later", []store.Info{drive(1, "A", 0, known(0, noon.Add(time.Hour)), known(min, noon.Add(min)))}, nil,
			[]store.Dating{{Began: noon, Source: store.ByReference, MaxError: 16 * time.Millisecond}}},
		{"of two that agree, the nearer", []store.Info{drive(1, "A", 0, known(min, noon.Add(min)), known(200*min, noon.Add(200*min+500*time.Millisecond)))}, nil,
			[]store.Dating{{Began: noon, Source: store.ByReference, MaxError: 16 * time.Millisecond}}},
		{"undated between dated ones", []store.Info{of("x", drive(1, "A", 0, known(0, noon))), of("x", drive(2, "B", 0, guess(0, past))), of("x", drive(3, "C", 0)), of("x", drive(4, "D", 0, known(0, noon.Add(24*time.Hour))))}, nil,
			[]store.Dating{
				{Began: noon, Source: store.ByReference, MaxError: 10 * time.Millisecond},
				{Began: past, Source: store.BySystem, After: noon.Add(10 * min), Before: noon.Add(24 * time.Hour)},
				{After: noon.Add(10 * min), Before: noon.Add(24 * time.Hour)},
				{Began: noon.Add(24 * time.Hour), Source: store.ByReference, MaxError: 10 * time.Millisecond},
			}},
		{"undated between dated ones of another store", []store.Info{of("x", drive(1, "A", 0, known(0, noon))), of("y", drive(1, "E", 0, known(0, noon.Add(-24*time.Hour)))),
			of("y", drive(2, "B", 0, guess(0, past))), of("x", drive(3, "D", 0, known(0, noon.Add(24*time.Hour))))}, nil,
			[]store.Dating{
				{Began: noon, Source: store.ByReference, MaxError: 10 * time.Millisecond},
				{Began: noon.Add(-24 * time.Hour), Source: store.ByReference, MaxError: 10 * time.Millisecond},
				{Began: past, Source: store.BySystem, After: noon.Add(-24*time.Hour + 10*min)},
				{Began: noon.Add(24 * time.Hour), Source: store.ByReference, MaxError: 10 * time.Millisecond},
			}},
		{"undated, and nobody knows of which store", []store.Info{drive(1, "A", 0, known(0, noon)), drive(2, "B", 0, guess(0, past))}, nil,
			[]store.Dating{{Began: noon, Source: store.ByReference, MaxError: 10 * time.Millisecond}, {Began: past, Source: store.BySystem}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			got := store.Date(row.infos, row.anchors)
			assert.Equal(t, row.want, got)
			for i, d := range got {
				assert.Equal(t, d.Source == store.ByReference || d.Source == store.ByClient, d.Dated(), "%d", i)
			}
		})
	}
}

// An anchor that came when a session was sealed already dates it, and its file stays as it is.
func TestAnAnchorDatesASealedSession(t *testing.T) {
	s := storetest.Open(t)
	boot := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	m := car()
	m.BootID, m.SinceBoot = "A", 100*time.Second
	path := storetest.Session(t, s, m, someBlocks(1)...)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "A", SinceBoot: time.Hour, UTC: boot.Add(time.Hour), Source: store.ByReference}))
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "B", SinceBoot: 0, UTC: boot.AddDate(1, 0, 0), Source: store.ByReference}))

	r, err := store.OpenReader(path)
	require.NoError(t, err)
	began := r.Meta().Began()
	assert.Equal(t, boot.Add(100*time.Second), began.Began)
	assert.True(t, began.Dated())
	require.NoError(t, r.Close())
	infos, err := store.List(s.Dir())
	require.NoError(t, err)
	assert.Equal(t, began.Began, store.Date(infos, store.Anchors(s.Dir()))[0].Began)
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, before, after)
}

// A drive has the same date while it is recorded, also for another process, and afterwards.
func TestAnAnchorDatesTheSessionThatIsRecorded(t *testing.T) {
	s := storetest.Open(t)
	boot := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	m := car()
	m.BootID, m.SinceBoot = "A", 100*time.Second
	session, err := s.Begin(m)
	require.NoError(t, err)
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "A", SinceBoot: time.Hour, UTC: boot.Add(time.Hour), Source: store.ByReference}))
	live := session.Reader()
	assert.Equal(t, boot.Add(100*time.Second), live.Meta().Began().Began)
	elsewhere := store.NewReader(live.Info(), nil)
	assert.Equal(t, boot.Add(100*time.Second), elsewhere.Meta().Began().Began)
	require.NoError(t, session.End(0, ""))
	r, err := store.OpenReader(session.Path())
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	assert.Equal(t, live.Meta().Anchors, r.Meta().Anchors)
	assert.Equal(t, r.Meta(), r.Info().Meta)
}

func TestTornAnchorsAreLeftOut(t *testing.T) {
	s := storetest.Open(t)
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "A", SinceBoot: 1, Source: store.ByClient}))
	path := filepath.Join(s.Dir(), "anchors")
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, whole[:len(whole)-7], 0o644))
	assert.Empty(t, store.Anchors(s.Dir()))
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "B", SinceBoot: 2, Source: store.ByClient}))
	assert.Equal(t, []store.BootAnchor{{BootID: "B", SinceBoot: 2, Source: store.ByClient}}, store.Anchors(s.Dir()))
}

// A line of the index that could not be written is made up for by a look into the file, an anchor by nothing.
func TestAnchorsStayWhereTheIndexLacksASession(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "index.recent"), 0o755)) // so that none can be
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	m := car()
	m.BootID = "kept"
	storetest.Session(t, s, m, someBlocks(1)...)
	for range 110 {
		require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "kept", Source: store.ByClient}))
	}
	require.NoError(t, s.Close())
	s, err = store.Open(dir, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	assert.Len(t, store.Anchors(dir), 110)
}

func TestAnchorsOfForgottenBootsAreForgotten(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	m := car()
	m.BootID = "kept"
	storetest.Session(t, s, m, someBlocks(1)...)
	require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "kept", Source: store.ByClient}))
	for range 110 {
		require.NoError(t, s.AddAnchor(store.BootAnchor{BootID: "gone", Source: store.ByClient}))
	}
	require.NoError(t, s.Close())
	s, err = store.Open(dir, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	assert.Equal(t, []store.BootAnchor{{BootID: "kept", Source: store.ByClient}}, store.Anchors(dir))
}

// A board's own clock is no date where what it says cannot be; one that was told the time is believed.
func TestKnown(t *testing.T) {
	noon := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	long := time.Date(1999, 12, 31, 23, 59, 0, 0, time.UTC)
	for _, row := range []struct {
		name string
		date store.Dating
		want bool
	}{
		{"nothing is known", store.Dating{}, false},
		{"nothing but the bounds", store.Dating{After: noon, Before: noon.Add(time.Hour)}, false},
		{"a guess", store.Dating{Began: noon, Source: store.BySystem}, true},
		{"a guess of before this program was", store.Dating{Began: long, Source: store.BySystem}, false},
		{"a guess within the bounds", store.Dating{Began: noon, Source: store.BySystem, After: noon, Before: noon}, true},
		{"a guess that is too early", store.Dating{Began: noon, Source: store.BySystem, After: noon.Add(time.Second)}, false},
		{"a guess that is too late", store.Dating{Began: noon, Source: store.BySystem, Before: noon.Add(-time.Second)}, false},
		{"what a reference said is no guess", store.Dating{Began: long, Source: store.ByReference}, true},
	} {
		assert.Equal(t, row.want, row.date.Known(), row.name)
	}
}
