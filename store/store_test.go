package store_test

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/storetest"
)

const ms = time.Millisecond

// car is a description with one parameter and one analog input.
func car() store.Meta {
	warmup := 5.0
	return store.Meta{
		BootID: "b7", Software: "test", Vehicle: "the grey van",
		Adapter: store.Adapter{Address: "tcp://192.0.2.1:35000", Version: "v1.4", Protocol: "6"},
		Fuel:    store.Fuel{Name: "E10", AFRst: 14.1},
		Anchors: []store.Anchor{{At: time.Second, UTC: time.Date(2024, 5, 6, 7, 8, 9, 10, time.UTC), Source: "system", MaxError: ms}},
		Channels: []store.Channel{
			{Name: "01.0C@7E8", OBD: &store.OBDChannel{Service: 1, PID: 0x0C, From: 0x7E8, Bytes: 2}},
			{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 0.1875, Divider: 1.5,
				Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}, WarmupVolts: &warmup, Rate: 100}},
		},
		Static:       []store.Static{{From: 0x7E8, Service: 1, PID: 0, Payload: []byte{0x41, 0x00, 0xBE, 0x1F, 0xA8, 0x13}}},
		Calibrations: []store.Calibration{{Input: "wideband", At: 9 * time.Second, Gain: 0.97, Method: "warm-up level", Levels: []store.Level{{Known: 5, Seen: 4.85, Sigma: 0.002, Kind: "warm-up"}}}},
		Events:       []store.Event{{At: time.Second, Until: store.StillOpen, Kind: "gap", Source: "obd", Text: "the car did not answer"}},
	}
}

func someBlocks(n int) [][]store.Sample {
	var blocks [][]store.Sample
	for i := range n {
		var b []store.Sample
		for k := range 50 {
			at := time.Duration(i*50+k) * 20 * ms
			b = append(b, store.Sample{At: at, Half: 48 * ms / 10, Channel: 0, Code: int64(3000 + i + k)},
				store.Sample{At: at + ms, Half: ms, Channel: 1, Code: int64(-i * k), Flags: store.Warming})
		}
		blocks = append(blocks, b)
	}
	return blocks
}

func read(t *testing.T, path string) (samples []store.Sample, errs []error) {
	t.Helper()
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	for s, err := range r.Samples() {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		samples = append(samples, s)
	}
	return samples, errs
}

func TestASessionComesBackAsItWasRecorded(t *testing.T) {
	s := storetest.Open(t)
	m := car()
	m.Format, m.ID, m.Number, m.Origin, m.End = 99, "mine", 99, "elsewhere", &store.End{}
	session, err := s.Begin(m)
	require.NoError(t, err)
	assert.Regexp(t, `^00001-[0-9a-hjkmnp-tv-z]{4}$`, session.ID())
	assert.Equal(t, uint64(1), session.Number())
	blocks := someBlocks(7)
	for _, b := range blocks {
		require.NoError(t, session.Append(b))
	}
	require.NoError(t, session.Append(nil))
	require.NoError(t, session.Update(func(m *store.Meta) {
		m.Events[0].Until = 3 * time.Second
		m.ID, m.Number, m.Format, m.Origin = "", 0, 0, ""
	}))
	require.NoError(t, session.End(8*time.Second, "the engine stopped"))
	require.NoError(t, session.End(9*time.Second, "again"), "ending twice is allowed")
	assert.ErrorIs(t, session.Append(blocks[0]), store.ErrEnded)
	assert.ErrorIs(t, session.Update(func(*store.Meta) {}), store.ErrEnded)

	path, err := store.Find(s.Dir(), store.Last)
	require.NoError(t, err)
	assert.Equal(t, session.Path(), path)
	samples, errs := read(t, path)
	assert.Empty(t, errs)
	assert.Equal(t, slices.Concat(blocks...), samples)

	infos, err := store.List(s.Dir())
	require.NoError(t, err)
	require.Len(t, infos, 1)
	want := car()
	want.Format, want.ID, want.Number, want.Origin, want.Revision = store.Format, session.ID(), 1, session.Meta().Origin, 3
	want.Events[0].Until = 3 * time.Second
	want.End = &store.End{At: 8 * time.Second, Reason: "the engine stopped", Blocks: 7, Samples: 700, Last: 6981 * ms}
	assert.NotEqual(t, "elsewhere", want.Origin)
	assert.Positive(t, infos[0].Bytes)
	assert.Len(t, infos[0].SHA256, 64)
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	assert.Equal(t, want, r.Meta())
	want.Channels, want.Static, want.Calibrations = nil, nil, nil
	assert.Equal(t, store.Info{ID: session.ID(), Number: 1, State: store.Complete, Meta: want, Blocks: 7, Samples: 700, Length: 8 * time.Second,
		Bytes: infos[0].Bytes, SHA256: infos[0].SHA256, File: session.ID() + ".session"}, infos[0])
}

func TestASecondWriterIsRefused(t *testing.T) {
	s := storetest.Open(t)
	_, err := store.Open(s.Dir(), store.Options{})
	require.ErrorIs(t, err, store.ErrLocked)
	assert.Regexp(t, `^open the store .*: another process writes to this store \(process [0-9]+\): stop that one first, or use another directory$`, err.Error())
	require.NoError(t, s.Close())
	again, err := store.Open(s.Dir(), store.Options{})
	require.NoError(t, err)
	require.NoError(t, again.Close())
	require.NoError(t, again.Close(), "closing twice is allowed")
	_, err = again.Begin(car())
	assert.ErrorIs(t, err, os.ErrClosed)
}

func TestStatesOfASession(t *testing.T) {
	s := storetest.Open(t)
	first := storetest.Session(t, s, car(), someBlocks(1)...)
	session, err := s.Begin(car())
	require.NoError(t, err)
	require.NoError(t, session.Append(someBlocks(1)[0]))
	_, err = s.Begin(car())
	assert.ErrorIs(t, err, store.ErrBusy)

	infos, err := store.List(s.Dir())
	require.NoError(t, err)
	require.Len(t, infos, 2)
	assert.Equal(t, store.Complete, infos[0].State)
	assert.Equal(t, store.Recording, infos[1].State)
	assert.Equal(t, session.ID(), infos[1].ID)
	assert.Equal(t, uint64(2), infos[1].Number)
	_, err = store.OpenReader(session.Path())
	require.ErrorIs(t, err, store.ErrRecording)
	assert.Equal(t, "session "+session.ID()+": it is being recorded: read it when the drive has ended", err.Error())

	require.NoError(t, s.Close())
	assert.ErrorIs(t, session.Append(someBlocks(1)[0]), store.ErrEnded)
	infos, err = store.List(s.Dir())
	require.NoError(t, err)
	assert.Equal(t, store.CutOff, infos[1].State)
	assert.Equal(t, uint64(100), infos[1].Samples)
	assert.Equal(t, 981*ms, infos[1].Length)
	samples, errs := read(t, session.Path())
	assert.Equal(t, someBlocks(1)[0], samples)
	assert.Empty(t, errs)
	assert.FileExists(t, first)
}

func TestListOfNoStore(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "nowhere")
	_, err := store.List(dir)
	require.ErrorIs(t, err, fs.ErrNotExist)
	assert.ErrorContains(t, err, "there is no session store at "+dir)
	_, err = store.Find(dir, store.Last)
	assert.ErrorIs(t, err, fs.ErrNotExist)
	infos, err := store.List(t.TempDir())
	require.NoError(t, err)
	assert.Empty(t, infos)
}

func TestFind(t *testing.T) {
	dir := t.TempDir()
	for _, id := range []string{"00001-7fqk", "00001-zzzz", "00012-7fqk", "100000-0000", "99999-aaaa"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, id+".session"), nil, 0o644))
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "00013-aaaa.session.new"), nil, 0o644))
	for _, row := range []struct {
		name, ask, want string
		err             error
		text            string
	}{
		{"the whole id", "00012-7fqk", "00012-7fqk", nil, ""},
		{"a beginning", "00012", "00012-7fqk", nil, ""},
		{"capitals", "00001-Z", "00001-zzzz", nil, ""},
		{"the newest is the one with the highest number", "last", "100000-0000", nil, ""},
		{"two begin so", "00001", "", store.ErrAmbiguous, `2 sessions begin with "00001": 00001-7fqk, 00001-zzzz; write more of the one that is meant`},
		{"none", "7", "", store.ErrNotFound, `is called "7": a session is named by its id, the beginning of it, or "last"`},
		{"one that is not born", "00013", "", store.ErrNotFound, "00013"},
		{"nothing", "", "", store.ErrNotFound, `""`},
	} {
		t.Run(row.name, func(t *testing.T) {
			path, err := store.Find(dir, row.ask)
			if row.err == nil {
				require.NoError(t, err)
				assert.Equal(t, filepath.Join(dir, row.want+".session"), path)
				return
			}
			require.ErrorIs(t, err, row.err)
			assert.ErrorContains(t, err, row.text)
		})
	}
	_, err := store.Find(t.TempDir(), store.Last)
	assert.ErrorIs(t, err, store.ErrNotFound)
	assert.ErrorContains(t, err, "there is no session in")
}

func TestNumbersAreNeverGivenTwice(t *testing.T) {
	dir := t.TempDir()
	begin := func() uint64 {
		s := storetest.OpenDir(t, dir)
		defer func() { require.NoError(t, s.Close()) }()
		path := storetest.Session(t, s, car())
		r, err := store.OpenReader(path)
		require.NoError(t, err)
		defer func() { require.NoError(t, r.Close()) }()
		return r.Meta().Number
	}
	remove := func(pattern string) {
		paths, err := filepath.Glob(filepath.Join(dir, pattern))
		require.NoError(t, err)
		require.Len(t, paths, 1)
		require.NoError(t, os.Remove(paths[0]))
	}
	assert.Equal(t, uint64(1), begin())
	assert.Equal(t, uint64(2), begin())
	remove("00002-*.session")
	assert.Equal(t, uint64(3), begin(), "the newest session was deleted")
	remove("counter")
	assert.Equal(t, uint64(4), begin(), "the counter was lost")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "counter"), []byte("x7"), 0o644))
	assert.Equal(t, uint64(5), begin(), "the counter was garbage")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "counter"), []byte("41\n"), 0o644))
	assert.Equal(t, uint64(42), begin())
}

// A store has one name for all its sessions, and no other has it.
// Numbers say nothing about sessions of different stores; dates do.
func TestTheOrderOfSeveralStores(t *testing.T) {
	day := func(d int) store.Meta {
		m := car()
		m.BootID = fmt.Sprint("boot ", d)
		m.Anchors = []store.Anchor{{UTC: time.Date(2026, 5, d, 0, 0, 0, 0, time.UTC), Source: store.ByReference}}
		return m
	}
	undated := car()
	undated.BootID, undated.Anchors = "x", nil
	for _, row := range []struct {
		name     string
		one, two []store.Meta // of each store
		boots    string       // of all, in order; a pattern where two have one number
	}{
		{"the newest by date", []store.Meta{day(1), day(2), day(3)}, []store.Meta{day(4)}, "1 2 3 4"},
		{"the newest has the highest number", []store.Meta{day(5), day(6)}, []store.Meta{day(4)}, "4 5 6"},
		{"one store's clock was wrong in the middle", []store.Meta{day(1), day(9), day(3)}, []store.Meta{day(4)}, "1 9 3 4"},
		{"they recorded by turns", []store.Meta{day(1), day(3), day(6)}, []store.Meta{day(2), day(4), day(5)}, "1 2 3 4 5 6"},
		{"one of the middle is not dated", []store.Meta{day(1), undated, day(4)}, []store.Meta{day(2), day(3)}, "1 2 3 x 4"},
		{"one is not dated", []store.Meta{day(1), day(2)}, []store.Meta{undated}, "(1 x|x 1) 2"},
		{"one store alone goes by number", []store.Meta{day(9), day(2)}, nil, "9 2"},
	} {
		t.Run(row.name, func(t *testing.T) {
			archive := storetest.Open(t)
			for _, metas := range [][]store.Meta{row.one, row.two} {
				from := storetest.Open(t)
				for _, m := range metas {
					_, _, err := archive.Add(storetest.Session(t, from, m, someBlocks(1)...))
					require.NoError(t, err)
				}
			}
			path, err := store.Find(archive.Dir(), store.Last)
			require.NoError(t, err)
			r, err := store.OpenReader(path)
			require.NoError(t, err)
			defer r.Close()
			infos, err := store.List(archive.Dir())
			require.NoError(t, err)
			var boots []string
			for _, n := range store.Ordered(infos, store.Date(infos, store.Anchors(archive.Dir()))) {
				boots = append(boots, strings.TrimPrefix(infos[n].Meta.BootID, "boot "))
			}
			assert.Regexp(t, "^"+row.boots+"$", strings.Join(boots, " "))
			assert.Equal(t, boots[len(boots)-1], strings.TrimPrefix(r.Meta().BootID, "boot "))
		})
	}
}

func TestSessionsKnowTheirStore(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	origin := func(dir string) string {
		s := storetest.OpenDir(t, dir)
		session, err := s.Begin(car())
		require.NoError(t, err)
		require.NoError(t, session.End(0, ""))
		require.NoError(t, s.Close())
		return session.Meta().Origin
	}
	first := origin(dir)
	assert.Regexp(t, `^[0-9a-z]{12}$`, first)
	assert.Equal(t, first, origin(dir))
	assert.NotEqual(t, first, origin(other))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "origin"), []byte("garb"), 0o644))
	second := origin(dir)
	assert.Regexp(t, `^[0-9a-z]{12}$`, second)
	assert.NotEqual(t, first, second)
}

// What a power cut left half-made is removed, nothing that somebody else put there, and what cannot be removed keeps nobody
// from recording.
func TestHalfMadeFilesAreRemoved(t *testing.T) {
	for _, row := range []struct {
		name, file string
		isDir      bool // with something in it
		stays      bool
		told       bool
	}{
		{"a session", "00007-aaaa.session.new", false, false, false},
		{"an added session whose ID was taken", "00007-aaaa-0123abcd.session.new", false, false, false},
		{"the counter", "counter.new", false, false, false},
		{"the store's name", "origin.new", false, false, false},
		{"the index", "index.new", false, false, false},
		{"the marks", "marks.new", false, false, false},
		{"the anchors", "anchors.new", false, false, false},
		{"calibrations that another process may be writing", "calibrations.json.new", false, true, false},
		{"a stranger's file", "what is.new", false, true, false},
		{"a stranger's session", "holiday.session.new", false, true, false},
		{"a stranger's directory", "photos.new", true, true, false},
		{"a directory under a session's name", "00007-aaaa.session.new", true, true, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := t.TempDir()
			half := filepath.Join(dir, row.file)
			if row.isDir {
				require.NoError(t, os.MkdirAll(filepath.Join(half, "inside"), 0o755))
			} else {
				require.NoError(t, os.WriteFile(half, []byte("half"), 0o644))
			}
			infos, err := store.List(dir)
			require.NoError(t, err)
			assert.Empty(t, infos)
			var told []store.Notice
			s, err := store.Open(dir, store.Options{Told: func(n store.Notice) { told = append(told, n) }})
			require.NoError(t, err)
			session, err := s.Begin(car())
			require.NoError(t, err)
			require.NoError(t, session.End(0, ""))
			require.NoError(t, s.Close())
			_, err = os.Stat(half)
			assert.Equal(t, row.stays, err == nil)
			if row.told {
				require.Len(t, told, 1)
				assert.Equal(t, store.Unsettled, told[0].Kind)
				assert.Contains(t, told[0].Text, "could not be removed")
			} else {
				assert.Empty(t, told)
			}
		})
	}
}

func TestReadingsOfUnknownChannelsAreRefusedWhole(t *testing.T) {
	s := storetest.Open(t)
	session, err := s.Begin(car())
	require.NoError(t, err)
	bad := append(someBlocks(1)[0], store.Sample{At: time.Minute, Channel: 2})
	assert.ErrorContains(t, session.Append(bad), "a reading of channel 2, but the session has 2 channels: describe it with Update first")
	require.NoError(t, session.Update(func(m *store.Meta) { m.Channels = append(m.Channels, store.Channel{Name: "late"}) }))
	require.NoError(t, session.Append(bad))
	assert.ErrorContains(t, session.Append([]store.Sample{{At: math.MaxInt64}}), "out of range")
	require.NoError(t, session.End(0, ""))
	samples, errs := read(t, session.Path())
	assert.Equal(t, bad, samples)
	assert.Empty(t, errs)
}

func TestAFailedUpdateLeavesTheDescription(t *testing.T) {
	s := storetest.Open(t)
	session, err := s.Begin(car())
	require.NoError(t, err)
	before := session.Meta()
	require.Error(t, session.Update(func(m *store.Meta) {
		m.Events[0].Text, m.Calibrations[0].Gain = "changed", math.NaN() // JSON has no NaN
	}))
	assert.Equal(t, before, session.Meta())
	_, err = s.Begin(store.Meta{Fuel: store.Fuel{AFRst: math.Inf(1)}})
	require.ErrorIs(t, err, store.ErrBusy)
	require.NoError(t, session.End(0, ""))
	_, err = s.Begin(store.Meta{Fuel: store.Fuel{AFRst: math.Inf(1)}})
	require.Error(t, err)
	next, err := s.Begin(car())
	require.NoError(t, err)
	assert.Equal(t, uint64(2), next.Number(), "a session that never was has no number")
}

// A reader sees what was there when it began, block for block, while the writer goes on, and also when the recording
// ends and the file is sealed while it reads.
func TestReadingWhileRecording(t *testing.T) {
	for _, row := range []struct {
		name string
		ends bool
	}{{"the recording goes on", false}, {"the recording ends", true}} {
		t.Run(row.name, func(t *testing.T) {
			s := storetest.Open(t)
			session, err := s.Begin(car())
			require.NoError(t, err)
			blocks := someBlocks(40)
			for _, b := range blocks[:10] {
				require.NoError(t, session.Append(b))
			}
			r := session.Reader()
			assert.Equal(t, store.Recording, r.Info().State)
			assert.Equal(t, uint64(1000), r.Info().Samples)
			var wg sync.WaitGroup
			defer wg.Wait()
			var got []store.Sample
			for x, err := range r.Samples() {
				require.NoError(t, err)
				got = append(got, x)
				if len(got) == 150 { // in the midst of the second block
					wg.Go(func() {
						for _, b := range blocks[10:] {
							assert.NoError(t, session.Append(b))
						}
						if row.ends {
							assert.NoError(t, session.End(0, ""))
						}
					})
					if row.ends {
						wg.Wait()
					}
				}
			}
			wg.Wait()
			assert.Equal(t, slices.Concat(blocks[:10]...), got)
			require.NoError(t, r.Close())
			require.NoError(t, session.End(0, ""))
		})
	}
}

// Recording works inside a bubble, where the daemon's hour-long drives are tested.
func TestInABubble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := storetest.Open(t)
		session, err := s.Begin(car())
		require.NoError(t, err)
		began := time.Now()
		for _, b := range someBlocks(20) {
			time.Sleep(5 * time.Second)
			require.NoError(t, session.Append(b))
		}
		require.NoError(t, session.End(time.Since(began), "time is up"))
		infos, err := store.List(s.Dir())
		require.NoError(t, err)
		assert.Equal(t, 100*time.Second, infos[0].Length)
	})
}

func TestErrorsSayWhatTheyAre(t *testing.T) {
	err := error(&store.BlockError{Session: "00001-aaaa", First: 3, Last: 3, Err: errors.New("missing")})
	assert.ErrorIs(t, err, store.ErrDamaged)
	assert.Equal(t, "session 00001-aaaa, block 3: missing", err.Error())
	many := &store.FindError{Name: "0", Matches: strings.Split("a b c d e f", " "), Err: store.ErrAmbiguous}
	assert.Equal(t, `6 sessions begin with "0": write more of the one that is meant, such as a`, many.Error())
}
