package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon"
	"underdash/daemon/socket"
	"underdash/store"
	"underdash/store/storetest"
)

func describedDrive() store.Meta {
	return store.Meta{Vehicle: "the grey van", Fuel: store.Fuel{Name: "E10", AFRst: 14.1}, Adapter: store.Adapter{Protocol: "6"},
		Anchors: []store.Anchor{{UTC: time.Date(2024, 5, 6, 7, 8, 9, 0, time.UTC), Source: "synchronised"}},
		Channels: []store.Channel{
			{Name: "01.0C@7E8", OBD: &store.OBDChannel{Service: 1, PID: 0x0C, From: 0x7E8, Bytes: 2}},
			{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 0.125, Divider: 1.5,
				Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}, Rate: 100}},
		},
		Events: []store.Event{{At: time.Second, Until: 2 * time.Second, Kind: "gap", Source: "obd", Text: "the car did not answer"}},
	}
}

func drivenFor(from, n int) (all []store.Sample) {
	for i := from; i < from+n; i++ {
		at := time.Duration(i) * 10 * time.Millisecond
		all = append(all, store.Sample{At: at, Half: time.Millisecond, Channel: 1, Code: int64(18000 + i%100)})
		if i%10 == 0 {
			all = append(all, store.Sample{At: at, Half: 5 * time.Millisecond, Channel: 0, Code: int64(3200 + i)})
		}
	}
	return all
}

// served stands for a daemon that records into a store: its socket, and the status file that names it.
func served(t *testing.T, s *store.Store, recording string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "ud")
	require.NoError(t, err)
	l, err := socket.Listen(dir)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { assert.NoError(t, socket.Serve(ctx, l, socket.API{Store: s}.Handler())) })
	t.Cleanup(func() {
		cancel()
		wg.Wait()
		require.NoError(t, os.RemoveAll(dir))
	})
	text, err := json.Marshal(daemon.Status{PID: os.Getpid(), Recording: recording, Socket: l.Addr().String()})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(s.Dir(), daemon.StatusFile), text, 0o644))
}

// What is listed, shown and exported of a session is the same while it is recorded, through the daemon, and afterwards, from
// its file.
func TestTheSameOutputWhileRecordingAndAfterwards(t *testing.T) {
	s := storetest.Open(t)
	session, err := s.Begin(describedDrive())
	require.NoError(t, err)
	for i := range 20 {
		require.NoError(t, session.Append(drivenFor(i*100, 100)))
	}
	served(t, s, session.ID())
	out := t.TempDir()
	var shown []map[string]any
	take := func(name string) (row map[string]any, csv, description string) {
		code, stdout, stderr := invoke(t, "sessions", "--json", "--store", s.Dir())
		require.Zero(t, code, stderr)
		var list struct{ Sessions []map[string]any }
		require.NoError(t, json.Unmarshal([]byte(stdout), &list))
		require.Len(t, list.Sessions, 1)
		code, stdout, stderr = invoke(t, "show", "last", "--json", "--store", s.Dir())
		require.Zero(t, code, stderr)
		var one map[string]any
		require.NoError(t, json.Unmarshal([]byte(stdout), &one))
		shown = append(shown, one)
		code, csv, stderr = invoke(t, "export", "last", "--store", s.Dir(), "--out", "-")
		require.Zero(t, code, stderr)
		file := filepath.Join(out, name, "drive.csv")
		require.NoError(t, os.Mkdir(filepath.Dir(file), 0o755))
		code, _, stderr = invoke(t, "export", "last", "--store", s.Dir(), "--out", file)
		require.Zero(t, code, stderr)
		written, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Equal(t, csv, string(written))
		text, err := os.ReadFile(file + "-metadata.json")
		require.NoError(t, err)
		return list.Sessions[0], csv, string(text)
	}
	during, csvDuring, describedDuring := take("during")
	assert.Equal(t, "recording", during["state"])
	assert.InDelta(t, 2200, during["readings"], 0)
	require.NoError(t, session.End(19990*time.Millisecond, "the engine stopped"))
	after, csvAfter, describedAfter := take("after")
	assert.Equal(t, "complete", after["state"])
	assert.Len(t, after["sha256"], 64)
	assert.Equal(t, "recording", shown[0]["state"])
	assert.Equal(t, "the engine stopped", shown[1]["ended"])
	assert.Len(t, shown[1]["channels"], 4)
	for _, differs := range []string{"state", "sha256", "bytes", "ended"} {
		for _, of := range []map[string]any{during, after, shown[0], shown[1]} {
			delete(of, differs)
		}
	}
	assert.Equal(t, after, during)
	assert.Equal(t, shown[1], shown[0])
	assert.Equal(t, csvAfter, csvDuring)
	assert.Equal(t, describedAfter, describedDuring)
	_, rows := parseCSV(t, csvAfter)
	assert.Equal(t, 2200, len(rows))
}

func TestWithoutADaemonTheSessionBeingRecordedIsSaidToBe(t *testing.T) {
	s := storetest.Open(t)
	session, err := s.Begin(describedDrive())
	require.NoError(t, err)
	defer func() { require.NoError(t, session.End(0, "")) }()
	code, stdout, _ := invoke(t, "sessions", "--store", s.Dir())
	assert.Zero(t, code)
	assert.Regexp(t, session.ID()+".* recording", stdout)
	code, _, stderr := invoke(t, "export", "last", "--store", s.Dir(), "--out", "-")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "it is being recorded")
}

// threeDrives is a store with three sealed sessions.
func threeDrives(t *testing.T) (dir string, ids []string) {
	t.Helper()
	s, err := store.Open(filepath.Join(t.TempDir(), "sessions"), store.Options{})
	require.NoError(t, err)
	for i := range 3 {
		m := describedDrive()
		path := storetest.Session(t, s, m, drivenFor(0, 100), drivenFor(100, 100), drivenFor(200, 100+i))
		ids = append(ids, strings.TrimSuffix(filepath.Base(path), ".session"))
	}
	require.NoError(t, s.Close())
	return s.Dir(), ids
}

// damageBlock changes a byte in the n-th block of a session file.
func damageBlock(t *testing.T, path string, n int) {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	at := 0
	for range n + 1 {
		i := bytes.Index(b[at:], []byte("udBk"))
		require.GreaterOrEqual(t, i, 0)
		at += i + 4
	}
	b[at+30] ^= 0x20
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.WriteFile(path, b, 0o444))
}

func TestStoreCheckSaysWhatIsDamagedAndWhatItCost(t *testing.T) {
	dir, ids := threeDrives(t)
	code, stdout, stderr := invoke(t, "store", "check", "--store", dir)
	assert.Zero(t, code, stderr)
	assert.Contains(t, stdout, ids[1]+"  sound: complete, 3 blocks, 332 readings, digest right\n")
	assert.Contains(t, stdout, "3 sessions, none damaged")

	path := filepath.Join(dir, ids[1]+".session")
	damageBlock(t, path, 1)
	code, stdout, stderr = invoke(t, "store", "check", "--store", dir)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "1 of 3 sessions are damaged")
	assert.Contains(t, stdout, ids[1]+"  damaged: 110 of 332 readings are lost\n")
	assert.Regexp(t, `lost: block 1, between 1\.0 s and 2\.0 s: .*checksum`, stdout)

	code, stdout, _ = invoke(t, "store", "check", path, "--json")
	assert.Equal(t, exitFailed, code)
	var reports []store.Report
	require.NoError(t, json.Unmarshal([]byte(stdout), &reports))
	require.Len(t, reports, 1)
	assert.Equal(t, uint64(110), reports[0].Missing)

	code, _, stderr = invoke(t, "store", "check", ids[0][:5], "--store", dir)
	assert.Zero(t, code, stderr)
	code, _, _ = invoke(t, "store", "check", "--store", dir, "00009")
	assert.Equal(t, exitUsage, code)
	code, stdout, _ = invoke(t, "store", "check", filepath.Join(dir, "none.session"))
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stdout, "it could not be checked")

	// What can be read of it is exported, and the rest told.
	code, stdout, stderr = invoke(t, "export", ids[1], "--store", dir, "--out", "-")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "written without 1 damaged blocks")
	_, rows := parseCSV(t, stdout)
	assert.Equal(t, 222, len(rows))
}

// Every file is checked, a copy too that has another name than the session.
func TestStoreCheckChecksTheFilesThatAreThere(t *testing.T) {
	dir, ids := threeDrives(t)
	text, err := os.ReadFile(filepath.Join(dir, ids[0]+".session"))
	require.NoError(t, err)
	copied := filepath.Join(dir, ids[0]+" (1).session")
	require.NoError(t, os.WriteFile(copied, text, 0o644))
	damageBlock(t, copied, 1)
	code, stdout, stderr := invoke(t, "store", "check", "--store", dir)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "1 of 4 sessions are damaged")
	assert.Contains(t, stdout, ids[0]+"  sound: ")
	assert.Contains(t, stdout, ids[0]+" (1)  damaged: ")

	require.NoError(t, os.Rename(filepath.Join(dir, ids[0]+".session"), filepath.Join(dir, "backup.session")))
	require.NoError(t, os.Remove(copied))
	code, stdout, stderr = invoke(t, "store", "check", "--store", dir)
	assert.Zero(t, code, stderr)
	assert.Contains(t, stdout, "backup  sound: ")
}

func TestASalvagedSessionGoesIntoAnArchiveOnce(t *testing.T) {
	dir, ids := threeDrives(t)
	damaged := filepath.Join(dir, ids[1]+".session")
	damageBlock(t, damaged, 0)
	t.Chdir(t.TempDir())
	archive := filepath.Join(t.TempDir(), "archive")
	files := []string{filepath.Join(dir, ids[0]+".session"), damaged, filepath.Join(dir, ids[2]+".session")}
	code, stdout, stderr := invoke(t, append([]string{"store", "add", "--store", archive}, files...)...)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "salvage it first, with 'store salvage'")
	assert.Equal(t, 2, strings.Count(stdout, "added from"))

	code, stdout, stderr = invoke(t, "store", "salvage", damaged)
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "wrote "+ids[1]+".salvaged: 2 blocks, 222 readings")
	assert.Regexp(t, `lost: block 0`, stdout)
	code, _, stderr = invoke(t, "store", "salvage", damaged)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "name another file")
	code, _, _ = invoke(t, "store", "salvage", "none")
	assert.Equal(t, exitUsage, code)

	for i, want := range []string{"added from", "was there already"} {
		code, stdout, stderr = invoke(t, "store", "add", "--store", archive, ids[1]+".salvaged")
		require.Zero(t, code, stderr, i)
		assert.Contains(t, stdout, ids[1]+"  "+want)
	}
	code, stdout, _ = invoke(t, "sessions", "--store", archive)
	assert.Zero(t, code)
	assert.Len(t, regexp.MustCompile(`(?m)^0000[123]-`).FindAllString(stdout, -1), 3)
	assert.Contains(t, stdout, "lost: block 0")
	code, _, stderr = invoke(t, "store", "add", "--store", archive)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, "one session file or more")
}

func TestPinningAndDeleting(t *testing.T) {
	for _, row := range []struct {
		name   string
		daemon bool
	}{{"by itself", false}, {"through the daemon", true}} {
		t.Run(row.name, func(t *testing.T) {
			dir, ids := threeDrives(t)
			if row.daemon {
				s := storetest.OpenDir(t, dir)
				served(t, s, "")
			}
			code, stdout, stderr := invoke(t, "store", "pin", ids[0], "00002", "--store", dir)
			require.Zero(t, code, stderr)
			assert.Contains(t, stdout, ids[1]+"  pinned")
			code, _, stderr = invoke(t, "store", "delete", ids[0], ids[2], "--store", dir)
			assert.Equal(t, exitFailed, code)
			assert.Contains(t, stderr, "it is pinned: unpin it first")
			assert.NoFileExists(t, filepath.Join(dir, ids[2]+".session"))
			_, stdout, _ = invoke(t, "sessions", "--store", dir)
			assert.Regexp(t, ids[0]+".* pinned; no obd from", stdout)
			code, _, stderr = invoke(t, "store", "unpin", ids[0], "--store", dir)
			require.Zero(t, code, stderr)
			code, _, stderr = invoke(t, "store", "delete", ids[0], "--store", dir)
			require.Zero(t, code, stderr)
			code, _, _ = invoke(t, "store", "delete", ids[0], "--store", dir)
			assert.Equal(t, exitUsage, code)
			infos, err := store.List(dir)
			require.NoError(t, err)
			require.Len(t, infos, 1)
			assert.True(t, infos[0].Pinned)
		})
	}
}

// A daemon that was killed, or whose power was cut, leaves its status behind, whole or not.
func TestALeftStatusIsNoDaemon(t *testing.T) {
	dead := `{"pid": ` + strconv.Itoa(os.Getpid()) + `, "recording": "00001-aaaa", "socket": "/nowhere/daemon.sock", "parts": []}`
	for _, left := range []struct{ name, text string }{{"empty", ""}, {"cut short", dead[:20]}, {"of a process that lives", dead}} {
		t.Run(left.name, func(t *testing.T) {
			dir, ids := threeDrives(t)
			file := filepath.Join(dir, daemon.StatusFile)
			require.NoError(t, os.WriteFile(file, []byte(left.text), 0o644))
			code, stdout, stderr := invoke(t, "sessions", "--store", dir)
			require.Zero(t, code, stderr)
			assert.Contains(t, stdout, ids[2])
			assert.Contains(t, stdout, "No daemon is recording into this store.")
			code, _, stderr = invoke(t, "store", "pin", ids[0], "--store", dir)
			assert.Zero(t, code, stderr)
			code, _, stderr = invoke(t, "store", "delete", ids[1], "--store", dir)
			assert.Zero(t, code, stderr)
		})
	}
}

func TestADaemonsUnreadableStatusWithholdsNoSessions(t *testing.T) {
	dir, ids := threeDrives(t)
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	file := filepath.Join(dir, daemon.StatusFile)
	require.NoError(t, os.WriteFile(file, nil, 0o644))
	code, stdout, stderr := invoke(t, "sessions", "--store", dir)
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, ids[2])
	assert.Contains(t, stdout, "What the daemon is doing is not known: ")

	other := `{"pid": ` + strconv.Itoa(os.Getpid()+1) + `, "recording": "00001-aaaa", "parts": []}`
	require.NoError(t, os.WriteFile(file, []byte(other), 0o644))
	code, stdout, stderr = invoke(t, "sessions", "--store", dir)
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "No daemon is recording into this store.", "it was killed, and another process has the store")
}

func TestStoreCheckLooksAtTheMarks(t *testing.T) {
	dir, ids := threeDrives(t)
	code, _, stderr := invoke(t, "store", "pin", ids[0], ids[1], "--store", dir)
	require.Zero(t, code, stderr)
	code, _, stderr = invoke(t, "store", "check", "--store", dir)
	require.Zero(t, code, stderr)
	marks := filepath.Join(dir, "marks")
	text, err := os.ReadFile(marks)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(marks, bytes.Replace(text, []byte("pinned"), []byte("pimned"), 1), 0o644))
	code, stdout, stderr := invoke(t, "store", "check", "--store", dir)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stdout, "3 sessions, none damaged")
	assert.Contains(t, stderr, "line 2 of "+marks+" is damaged: pin again what is to be kept, then take that line out of the file")
	code, _, stderr = invoke(t, "store", "delete", ids[0], "--store", dir)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "delete session "+ids[0]+": any session may have been pinned where line 2 of")
	code, _, stderr = invoke(t, "store", "check", ids[0], "--store", dir)
	assert.Zero(t, code, stderr)
}
