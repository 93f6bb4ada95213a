package calibration

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
	"underdash/store/storetest"
)

func day(d int) time.Time { return time.Date(2026, 5, d, 8, 0, 0, 0, time.UTC) }

// drives records a session on each of the given days of May.
func drives(t *testing.T, dir string, edit func(d int, m *store.Meta), days ...int) {
	t.Helper()
	s := storetest.OpenDir(t, dir)
	for _, d := range days {
		m := store.Meta{Anchors: []store.Anchor{{UTC: day(d), Source: "synchronised"}}}
		if edit != nil {
			edit(d, &m)
		}
		storetest.Session(t, s, m)
	}
}

// inForce is the gain by which each of the first n sessions is read; 0 for its own.
func inForce(t *testing.T, dir string, n uint64) (gains []float64) {
	t.Helper()
	list, err := store.Calibrations(dir)
	require.NoError(t, err)
	for i := uint64(1); i <= n; i++ {
		a, _ := store.InForce(list, "wideband", store.Origin(dir), i, 0)
		gains = append(gains, a.Gain)
	}
	return gains
}

func TestApplyExtendWithdraw(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	drives(t, dir, nil, 1, 3, 5)
	finding := func(gain float64) Finding {
		return Judge(sample(), seenThrough(t, sample(), mixture.Chain{Gain: gain}, "4.5", "0.5"), 14.7)
	}
	_, err := Extend(Drives{Dir: dir}, sample(), day(2), day(6))
	require.ErrorIs(t, err, ErrNotApplied)
	_, err = Withdraw(Drives{Dir: dir}, "wideband", nil, day(6))
	require.ErrorIs(t, err, ErrNotApplied)
	_, err = Apply(Drives{Dir: dir}, Judge(sample(), nil, 14.7), nil, day(6))
	require.ErrorIs(t, err, ErrNotApplied)
	assert.ErrorContains(t, err, "no measured level")

	for _, l := range seenThrough(t, sample(), mixture.Chain{Gain: 0.96}, "4.5", "0.5") {
		_, err = AddPending(dir, Pending{Input: "wideband", Made: day(5), Level: l})
		require.NoError(t, err)
	}
	_, err = AddPending(dir, Pending{Input: "other", Made: day(5)})
	require.NoError(t, err)

	a, err := Apply(Drives{Dir: dir}, finding(0.96), nil, day(6))
	require.NoError(t, err)
	assert.Equal(t, uint64(4), a.From, "from the next session on")
	assert.Equal(t, day(6), *a.Made)
	assert.InDeltaSlice(t, []float64{0, 0, 0, 0.96}, inForce(t, dir, 4), 0.001)
	left, err := ReadPending(dir)
	require.NoError(t, err)
	require.Len(t, left, 1, "the levels of the input are used up")
	assert.Equal(t, "other", left[0].Input)

	a, err = Extend(Drives{Dir: dir}, sample(), day(2), day(6))
	require.NoError(t, err)
	assert.Equal(t, uint64(2), a.From)
	assert.InDeltaSlice(t, []float64{0, 0.96, 0.96, 0.96}, inForce(t, dir, 4), 0.001, "earlier sessions, by reference")

	third := day(3)
	a, err = Apply(Drives{Dir: dir}, finding(0.94), &third, day(7))
	require.NoError(t, err)
	assert.Equal(t, uint64(2), a.From)
	assert.InDeltaSlice(t, []float64{0, 0.94, 0.94, 0.94}, inForce(t, dir, 4), 0.001, "the newest counts")

	_, err = Withdraw(Drives{Dir: dir}, "wideband", nil, day(6))
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{0, 0.94, 0.94, 0}, inForce(t, dir, 4), 0.001)
	first := day(1)
	_, err = Withdraw(Drives{Dir: dir}, "wideband", &first, day(6))
	require.NoError(t, err, "it holds for earlier drives yet")
	assert.InDeltaSlice(t, []float64{0, 0, 0, 0}, inForce(t, dir, 4), 0.001)
	_, err = Apply(Drives{Dir: filepath.Join(dir, "absent")}, finding(0.96), nil, day(6))
	require.Error(t, err)
}

// An archive has drives of several loggers, whose numbers and inputs are the same.
func TestWhoseDrivesAreMeant(t *testing.T) {
	dir := t.TempDir()
	d, err := Whose(dir, "")
	require.NoError(t, err)
	assert.Equal(t, Drives{Dir: dir}, d, "nothing yet")
	archive := storetest.OpenDir(t, filepath.Join(dir, "archive"))
	var ids, origins []string
	for i, days := range [][]int{{1, 3}, {2, 4, 6}} {
		logger := filepath.Join(dir, fmt.Sprint("logger", i))
		drives(t, logger, nil, days...)
		d, err := Whose(logger, "")
		require.NoError(t, err)
		assert.Equal(t, store.Origin(logger), d.Origin)
		origins = append(origins, d.Origin)
		sessions, err := store.List(logger)
		require.NoError(t, err)
		for _, s := range sessions {
			path, err := store.Find(logger, s.ID)
			require.NoError(t, err)
			id, _, err := archive.Add(path)
			require.NoError(t, err)
			ids = append(ids, id)
		}
		d, err = Whose(archive.Dir(), "")
		if i == 0 {
			require.NoError(t, err)
			assert.Equal(t, origins[0], d.Origin, "one logger's only")
		} else {
			require.ErrorIs(t, err, ErrWhose)
			assert.ErrorContains(t, err, ids[0])
		}
	}
	d, err = Whose(archive.Dir(), ids[2])
	require.NoError(t, err)
	assert.Equal(t, Drives{Dir: archive.Dir(), Origin: origins[1]}, d)
	_, err = Whose(archive.Dir(), "99999")
	assert.Error(t, err)
	one := filepath.Join(dir, "logger0")
	require.NoError(t, os.WriteFile(filepath.Join(one, "00009-aaaa.session"), []byte("no session"), 0o644))
	require.NoError(t, os.Remove(filepath.Join(one, "origin")))
	damaged, err := Whose(one, "")
	require.NoError(t, err, "a file that cannot be read comes from nobody else")
	assert.Equal(t, origins[0], damaged.Origin)
	require.NoError(t, os.Remove(filepath.Join(one, "00009-aaaa.session")))

	third := day(3)
	a, err := Apply(d, Judge(sample(), seenThrough(t, sample(), mixture.Chain{Gain: 0.96}, "4.5", "0.5"), 14.7), &third, day(7))
	require.NoError(t, err)
	assert.Equal(t, origins[1], a.Origin)
	assert.Equal(t, uint64(2), a.From, "the second logger's second drive")
	n, err := NextSession(d)
	require.NoError(t, err)
	assert.Equal(t, uint64(4), n)
	list, err := store.Calibrations(archive.Dir())
	require.NoError(t, err)
	_, ok := store.InForce(list, "wideband", origins[0], 2, 0)
	assert.False(t, ok, "the first logger's drives are left alone")
	_, ok = store.InForce(list, "wideband", origins[1], 2, 0)
	assert.True(t, ok)
	c, err := CheckSessions(t.Context(), d, sample(), 10, 14.7)
	require.NoError(t, err)
	assert.Equal(t, 3, c.Sessions)
}

// From the next drive on means the one behind that which is being recorded.
func TestTheDriveThatIsBeingRecordedIsNotTheNext(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	s := storetest.OpenDir(t, dir)
	storetest.Session(t, s, store.Meta{})
	running, err := s.Begin(store.Meta{})
	require.NoError(t, err)
	d, err := Whose(dir, "")
	require.NoError(t, err)
	require.NotEmpty(t, d.Origin)
	a, err := Apply(d, Judge(sample(), seenThrough(t, sample(), mixture.Chain{Gain: 0.96}, "4.5", "0.5"), 14.7), nil, day(7))
	require.NoError(t, err)
	assert.Equal(t, uint64(3), a.From)
	now, err := InForce(d, sample())
	require.NoError(t, err)
	require.NotNil(t, now)
	require.NoError(t, running.End(0, "the test ends it"))
}

// A divider that is configured otherwise makes other volts of the same codes: what was measured before counts no more, neither waiting
// nor applied, and that is said.
func TestWhatWasMeasuredThroughAnotherDivider(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	drives(t, dir, nil, 1)
	d, err := Whose(dir, "")
	require.NoError(t, err)
	before, after := sample(), sample()
	after.Divider = before.Divider / 0.96
	held := func(a config.Analog, name string, volts float64) {
		l, err := ParseLevel(name, a)
		require.NoError(t, err)
		_, err = Keep(dir, l, Seen{Volts: volts, Sigma: 0.0005, Noise: 0.005, Step: 0.0001875, Readings: 500}, a, day(2))
		require.NoError(t, err)
	}
	held(before, "1", 0.96)
	held(after, "4", 4)
	f, err := Waiting(dir, after, 14.7)
	require.NoError(t, err)
	require.Len(t, f.Levels, 1)
	assert.Equal(t, 1, f.Others)
	assert.Contains(t, f.Text, "1 were measured through another divider")
	assert.Contains(t, f.Text, "as it should be")

	held(before, "4", 3.84)
	f, err = Waiting(dir, before, 14.7)
	require.NoError(t, err)
	require.Len(t, f.Levels, 2)
	assert.Zero(t, f.Others)
	a, err := Apply(d, f, nil, day(3))
	require.NoError(t, err)
	assert.Equal(t, 1.5, a.PlugPerPin)
	now, err := InForce(d, before)
	require.NoError(t, err)
	require.NotNil(t, now)
	now, err = InForce(d, after)
	require.NoError(t, err)
	assert.Nil(t, now)
	_, err = Extend(d, after, day(1), day(3))
	assert.ErrorIs(t, err, ErrNotApplied)
}

func TestPendingLevels(t *testing.T) {
	dir := t.TempDir()
	all, err := ReadPending(dir)
	require.NoError(t, err)
	assert.Empty(t, all)
	p := Pending{Input: "wideband", Made: day(1), Level: store.Level{Kind: "set level", Known: 2.5, Seen: 2.4}}
	_, err = AddPending(dir, p)
	require.NoError(t, err)
	p.Seen = 2.41
	q := p
	q.Known = 4.5
	_, err = AddPending(dir, q)
	require.NoError(t, err)
	all, err = AddPending(dir, p)
	require.NoError(t, err)
	assert.Equal(t, []Pending{q, p}, all, "the same level again takes its place")
	read, err := ReadPending(dir)
	require.NoError(t, err)
	assert.Equal(t, all, read)
	assert.Equal(t, all, Of(append([]Pending{{Input: "other"}}, all...), "wideband"))

	n, err := ClearPending(dir, "other")
	require.NoError(t, err)
	assert.Zero(t, n)
	n, err = ClearPending(dir, "wideband")
	require.NoError(t, err)
	assert.Equal(t, 2, n)

	for _, text := range []string{"", "{", `{"format": 7}`} {
		path := filepath.Join(dir, PendingFile)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		_, err = ReadPending(dir)
		require.ErrorContains(t, err, "--clear")
		_, err = AddPending(dir, p)
		require.Error(t, err, "what cannot be read is not overwritten")
		_, err = ClearPending(dir, "wideband")
		require.NoError(t, err)
		assert.NoFileExists(t, path)
	}
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, entries, "nothing is left behind")
}

func FuzzDecodePending(f *testing.F) {
	f.Add([]byte(`{"format":1,"levels":[{"input":"a","known":5,"seen":4.8,"kind":"set level"}]}`))
	f.Add([]byte(`{"format":1}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		levels, err := decodePending("file", text)
		if err == nil {
			for _, l := range levels {
				Judge(sample(), []store.Level{l.Level}, 14.7)
			}
		}
	})
}

// recorded is an input as a session's channel keeps it.
func recorded(a config.Analog) []store.Channel {
	return []store.Channel{{Name: a.Name, Analog: &store.AnalogChannel{Kind: a.Kind, ScaleMillivolts: 0.125, Divider: a.PlugPerPin(),
		WarmupVolts: a.Warmup, TopVolts: a.Top, Low: store.Point{Volts: a.Low.Volts, Value: a.Low.Value}, High: store.Point{Volts: a.High.Volts, Value: a.High.Value}}}}
}

// Volts of a drive on which the input was configured in another way are not put together with those that the scale of now makes a
// mixture of.
func TestCheckLeavesOutOtherConfigurations(t *testing.T) {
	known := func(known, seen float64) []store.Reference {
		return []store.Reference{{Input: "wideband", Level: store.Level{Kind: "fuel cut", Known: known, Seen: seen, Random: 0.001, Tolerance: 0.006}},
			{Input: "wideband", Level: store.Level{Kind: "cruise", Known: known / 2, Seen: seen / 2, Random: 0.001, Tolerance: 0.006}}}
	}
	for _, row := range []struct {
		name string
		was  func(a *config.Analog)
		left int
	}{
		{"as now", func(*config.Analog) {}, 0},
		{"another law", func(a *config.Analog) { a.High.Value = 1.2 }, 2},
		{"another divider", func(a *config.Analog) { a.Divider = 2 }, 2},
		{"another warm-up level", func(a *config.Analog) { a.Warmup = volts(4.8) }, 2},
		{"no warm-up level", func(a *config.Analog) { a.Warmup = nil }, 2},
		{"another top", func(a *config.Analog) { a.Top = volts(4.3) }, 2},
		{"another kind", func(a *config.Analog) { a.Kind = config.Linear }, 2},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "sessions")
			was := sample()
			row.was(&was)
			drives(t, dir, func(d int, m *store.Meta) {
				m.References, m.Channels = known(4.5, 4.5), recorded(sample())
				if d <= 2 {
					m.References, m.Channels = known(4.5, 4.2), recorded(was)
				}
			}, 1, 2, 4, 6)
			c, err := CheckSessions(t.Context(), Drives{Dir: dir}, sample(), 10, 14.7)
			require.NoError(t, err)
			assert.Equal(t, row.left, c.Others)
			assert.Equal(t, 4-row.left, c.Showing)
			assert.Equal(t, row.left > 0, strings.Contains(c.Summary, "2 had wideband configured with another scale"), c.Summary)
			if row.left > 0 {
				assert.InDelta(t, 1, c.Gain, 0.001)
				assert.Contains(t, c.Summary, "The wiring is good")
			}
		})
	}
}

// A logger that was moved to another car is checked by what that one showed; a drive that tells no identification number may be any car's.
func TestCheckSessionsOfAnotherCar(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	drives(t, dir, func(d int, m *store.Meta) {
		m.Channels = recorded(sample())
		vin, seen := "ZZ9VRTLXCAR000001", 0.96
		if d > 2 {
			vin, seen = "ZZ9VRTLXCAR000002", 1
		}
		if d != 4 {
			m.Static = []store.Static{{From: 0x7E8, Service: 9, PID: 2, Payload: append([]byte{0x49, 0x02, 0x01}, vin...)}}
		}
		for kind, volts := range map[string]float64{"fuel cut": 4.5, "cruise": 2.5} {
			m.References = append(m.References, store.Reference{Input: "wideband", Level: store.Level{Kind: kind, Known: volts, Seen: seen * volts, Random: 0.001, Tolerance: 0.006}})
		}
	}, 1, 2, 4, 6, 7)
	c, err := CheckSessions(t.Context(), Drives{Dir: dir}, sample(), 10, 14.7)
	require.NoError(t, err)
	assert.Equal(t, 2, c.Cars)
	assert.Equal(t, 3, c.Showing)
	assert.Contains(t, c.Summary, "The wiring is good")
	assert.Contains(t, c.Summary, "2 were of another car")
}

// What sessions show by themselves is put together, and how it moves is told.
func TestCheckSessions(t *testing.T) {
	reference := func(input, kind string, known, seen float64) store.Reference {
		return store.Reference{Input: input, Level: store.Level{Kind: kind, Known: known, Seen: seen, Random: 0.001, Tolerance: 0.006}}
	}
	for _, row := range []struct {
		name   string
		edit   func(d int, m *store.Meta)
		shown  int
		says   []string
		drifts map[string]float64 // mV a month
	}{
		{"nothing", nil, 0, []string{"None of the last 6 sessions", "cold start"}, nil},
		{"steady", func(d int, m *store.Meta) {
			m.References = []store.Reference{reference("wideband", "fuel cut", 4.5, 4.5), reference("wideband", "cruise", 2.5, 2.5), reference("other", "cruise", 2.5, 1)}
		}, 6, []string{"The wiring is good", "Nothing drifts"}, map[string]float64{"fuel cut": 0, "cruise": 0}},
		{"a connector that corrodes", func(d int, m *store.Meta) {
			m.References = []store.Reference{reference("wideband", "fuel cut", 4.5, 4.45-0.01*float64(d)), reference("wideband", "cruise", 2.5, 2.47-0.0055*float64(d))}
		}, 6, []string{"The line loses 3.", "The fuel cut falls by 300", "a month"}, map[string]float64{"fuel cut": -300, "cruise": -165}},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "sessions")
			drives(t, dir, func(d int, m *store.Meta) {
				if m.Channels = recorded(sample()); row.edit != nil {
					row.edit(d, m)
				}
			}, 1, 2, 4, 6, 7, 9)
			c, err := CheckSessions(t.Context(), Drives{Dir: dir}, sample(), 10, 14.7)
			require.NoError(t, err)
			assert.Equal(t, row.shown, c.Showing)
			for _, words := range row.says {
				assert.Contains(t, c.Summary, words)
			}
			got := map[string]float64{}
			for _, d := range c.Drifts {
				got[d.Kind] = 1000 * d.PerMonth
				assert.Equal(t, row.drifts[d.Kind] != 0, d.Moves)
			}
			require.Len(t, got, len(row.drifts))
			for kind, want := range row.drifts {
				assert.InDelta(t, want, got[kind], 1)
			}
			c, err = CheckSessions(t.Context(), Drives{Dir: dir}, sample(), 2, 14.7)
			require.NoError(t, err)
			assert.Equal(t, 2, c.Sessions)
		})
	}
}
