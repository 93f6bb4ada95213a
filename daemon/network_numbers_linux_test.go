package daemon

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/daemon/rig/compare"
	"underdash/store"
	"underdash/store/derive"
)

// reachedDrive is what a drive over a real tty came to while the network was served.
type reachedDrive struct {
	report   compare.Report
	lost     uint64  // readings, by the daemon's own counters
	wideband float64 // readings a second
	worst    time.Duration
	bytes    int64 // that clients took
	events   int64 // that watchers saw
}

// driveReached logs a drive in real time while so many clients download an hour's session as CSV, over and over, and so many
// watch live values, all of them encrypted as in a car.
func driveReached(t *testing.T, seed uint64, length time.Duration, downloads, watchers int) (out reachedDrive) {
	car := rig.New(rig.Demo(length, seed))
	dir := t.TempDir()
	running, err := car.Start(t.Context(), dir)
	require.NoError(t, err)
	defer running.Close()
	sessions := filepath.Join(dir, "sessions")
	hourBefore(t, sessions)
	cfg, err := config.Parse("virtual car", []byte(running.ConfigFor(sessions)+"\n[session]\nstop_after = \"1s\"\n"))
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), length+2*time.Second)
	defer cancel()
	ready := make(chan struct{})
	d := New(cfg, Options{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Software: "test", Ready: func() { close(ready) },
		ListenNetwork: func() (net.Listener, error) { return l, nil }})
	var run, clients sync.WaitGroup
	run.Go(func() { assert.NoError(t, d.Run(ctx)) })
	<-ready
	keeper, err := access.Open(filepath.Join(sessions, AccessDir), access.Options{})
	require.NoError(t, err)
	token, err := keeper.Grant(keeper.Code(), "", "numbers")
	require.NoError(t, err)
	var bytes, events atomic.Int64
	client := http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: downloads + watchers, TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} // it is this test's own
	take := func(path string, count *atomic.Int64, each int64) {
		for ctx.Err() == nil {
			r, err := http.NewRequestWithContext(ctx, http.MethodGet, "https://"+l.Addr().String()+"/api/v1"+path, nil)
			if err != nil {
				return
			}
			r.Header.Set("Authorization", "Bearer "+token)
			response, err := client.Do(r)
			if err != nil {
				return
			}
			buffer := make([]byte, 32<<10)
			for err == nil {
				var n int
				n, err = response.Body.Read(buffer)
				count.Add(min(int64(n), each))
			}
			_ = response.Body.Close()
		}
	}
	for range downloads {
		clients.Go(func() { take("/sessions/00001/exports/csv", &bytes, 1<<20) })
	}
	for range watchers {
		clients.Go(func() { take("/live", &events, 1) })
	}
	run.Wait()
	cancel()
	clients.Wait()
	client.CloseIdleConnections()
	out.bytes, out.events = bytes.Load(), events.Load()
	for _, p := range d.health.Parts() {
		out.lost += p.Counts["readings lost"]
	}
	path, err := store.Find(sessions, store.Last)
	require.NoError(t, err)
	out.report = compareFile(t, path, car.Truth())
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { assert.NoError(t, r.Close()) }()
	s, err := derive.New(r)
	require.NoError(t, err)
	rates, err := s.Rates()
	require.NoError(t, err)
	for i, c := range s.Channels() {
		if c.Kind == derive.Volts {
			out.wideband, out.worst = rates[i].PerSecond, rates[i].WorstGap
		}
	}
	return out
}

// hourBefore is an earlier session of an hour.
func hourBefore(t *testing.T, dir string) {
	st, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	s, err := st.Begin(store.Meta{Channels: []store.Channel{{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 1, Divider: 1,
		Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}, Rate: 100}}}})
	require.NoError(t, err)
	var block []store.Sample
	for i := range 360000 {
		block = append(block, store.Sample{At: time.Duration(i) * 10 * time.Millisecond, Half: time.Duration(100+i*7919%97) * time.Microsecond, Code: int64(2500 + i*104729%300)})
		if len(block) == 4000 {
			require.NoError(t, s.Append(block))
			block = block[:0]
		}
	}
	require.NoError(t, s.End(time.Hour, "the test ends it"))
	require.NoError(t, st.Close())
}

// TestNumbersWifiRecording logs the same drive twice, once alone and once while four clients download and two watch.
func TestNumbersWifiRecording(t *testing.T) {
	quick, seed := numbersMode(t)
	length, obdShare, wideShare := 90*time.Second, 0.98, 0.99
	if quick { // on a busy machine the two drives differ by themselves
		length, obdShare, wideShare = 24*time.Second, 0.3, 0.5
	}
	alone := driveReached(t, seed, length, 0, 0)
	busy := driveReached(t, seed, length, 4, 2)
	under := fmt.Sprintf(" while 4 downloaded %.0f MB and 2 watched %d events", float64(busy.bytes)/1e6, busy.events)
	number("readings lost"+under, fmt.Sprint(busy.lost), "0", busy.lost == 0)
	o := busy.report.OBD
	late := 0
	if quick {
		late = mostLate(o.Readings)
	}
	number("OBD readings other than sent", fmt.Sprint(o.Differ), "0", o.Readings > 0 && o.Differ == 0)
	number(fmt.Sprintf("OBD instants outside their stated bound, of %d", o.Readings), fmt.Sprint(o.Late), fmt.Sprint(late), o.Readings > 0 && o.Late <= late)
	share := float64(o.Readings) / float64(max(1, alone.report.OBD.Readings))
	number("OBD readings, against the same drive alone", fmt.Sprintf("%.3f", share), fmt.Sprintf("%.3f", obdShare), share >= obdShare)
	share = busy.wideband / alone.wideband
	number(fmt.Sprintf("wideband readings a second, against the same drive alone (%.1f)", alone.wideband), fmt.Sprintf("%.3f", share), fmt.Sprintf("%.3f", wideShare), share >= wideShare)
	number("wideband's longest time without a reading, alone "+alone.worst.Round(time.Millisecond).String(), busy.worst.Round(time.Millisecond).String(), "-", true)
}

// A daemon serves while it logs, and what it cannot serve keeps it from nothing.
func TestTheNetworkReachesTheDaemon(t *testing.T) {
	for _, row := range []struct {
		name   string
		listen func() (net.Listener, error)
		served bool
	}{
		{"served", func() (net.Listener, error) { return net.Listen("tcp", "127.0.0.1:0") }, true},
		{"the address is taken", func() (net.Listener, error) { return nil, syscall.EADDRINUSE }, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			cfg := config.Default()
			cfg.Store.Path, cfg.Store.Floor, cfg.Session.Begin, cfg.Network.Plain = filepath.Join(t.TempDir(), "sessions"), 0, config.Always, true
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			ready := make(chan struct{})
			address := make(chan string, 1)
			var said lockedText
			d := New(cfg, Options{Log: slog.New(slog.NewTextHandler(&said, nil)), Listen: nowhere, Ready: func() { close(ready) }, ListenNetwork: func() (net.Listener, error) {
				l, err := row.listen()
				if err == nil {
					address <- l.Addr().String()
				}
				return l, err
			}})
			var run sync.WaitGroup
			run.Go(func() { assert.NoError(t, d.Run(ctx)) })
			<-ready
			if row.served {
				keeper, err := access.Open(filepath.Join(cfg.Store.Path, AccessDir), access.Options{})
				require.NoError(t, err)
				assert.Contains(t, said.String(), keeper.Code(), "shown once, when it was made")
				token, err := keeper.Grant(keeper.Code(), "", "a test")
				require.NoError(t, err)
				r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+<-address+"/api/v1/health", nil)
				require.NoError(t, err)
				r.Header.Set("Authorization", "Bearer "+token)
				response, err := http.DefaultClient.Do(r)
				require.NoError(t, err)
				assert.Equal(t, http.StatusOK, response.StatusCode)
				require.NoError(t, response.Body.Close())
				http.DefaultClient.CloseIdleConnections()
			} else {
				assert.Contains(t, said.String(), "the network cannot reach the daemon")
			}
			cancel()
			run.Wait()
		})
	}
}

// lockedText is written to by several.
type lockedText struct {
	mu   sync.Mutex
	text []byte
}

// Write implements io.Writer.
func (l *lockedText) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text = append(l.text, b...)
	return len(b), nil
}

func (l *lockedText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return string(l.text)
}
