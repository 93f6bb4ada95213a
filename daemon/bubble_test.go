package daemon

import (
	"context"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/analog/analogtest"
	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/daemon/rig/compare"
	"underdash/store"
)

// bubble is a virtual car and a daemon that logs it, inside a synctest bubble: the adapter's line is a pipe in
// memory, the converter's files and the store are real.
type bubble struct {
	t      *testing.T
	car    *rig.Car
	cfg    config.Config
	o      Options
	dir    string
	daemon *Daemon
	device *analogtest.Device

	end func()
	ran sync.WaitGroup
	err error // what Run returned
}

// newBubble prepares both; change cfg and o before start.
func newBubble(t *testing.T, o rig.Options) *bubble {
	b := &bubble{t: t, car: rig.New(o)}
	b.dir = t.TempDir()
	b.cfg = config.Default()
	warmup := 5.0
	b.cfg.Adapter.Address = "the virtual car's adapter"
	b.cfg.Analog = []config.Analog{{Name: "wideband", Kind: config.Wideband, Device: filepath.Join(b.dir, "iio:device0"), Channel: rig.Channel,
		Divider: 1.5, Low: config.Point{Volts: 0.5, Value: 0.65}, High: config.Point{Volts: 4.5, Value: 1.35}, Warmup: &warmup, Rate: 100}}
	b.cfg.Store.Path = filepath.Join(b.dir, "sessions")
	b.cfg.Session.StopAfter, b.cfg.Session.Bridge = 2*time.Second, 0
	b.o = Options{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Software: "test", Dial: func(context.Context, string, int) (io.ReadWriteCloser, error) {
		return b.car.Adapter().Dial(), nil
	}, Listen: nowhere, ListenNetwork: nowhere} // a socket holds up a bubble's time
	return b
}

func nowhere() (net.Listener, error) { return nil, nil }

// notUnderRace leaves a test out of the race detector's short pass, where it would take minutes: what it runs side by side others run
// there too.
func notUnderRace(t *testing.T) {
	if raceEnabled && testing.Short() {
		t.Skip("too long for the race detector's short pass")
	}
}

// start starts the drive's clock, the converter and the daemon.
func (b *bubble) start() {
	ctx, cancel := context.WithCancel(b.t.Context())
	ready := make(chan struct{})
	b.o.Ready = func() { close(ready) }
	b.daemon = New(b.cfg, b.o)
	device, err := b.car.Lay(b.dir)
	require.NoError(b.t, err)
	b.device = device
	b.car.Begin()
	b.ran.Go(func() { _ = b.car.Refresh(ctx, device) })
	b.ran.Go(func() { b.err = b.daemon.Run(ctx) })
	<-ready
	b.end = func() {
		cancel()
		b.ran.Wait()
		b.car.Adapter().Wait()
		_ = device.Close()
	}
}

// sessions stops everything and returns what is on the medium.
func (b *bubble) stop() []store.Info {
	b.end()
	require.NoError(b.t, b.err)
	infos, err := store.List(b.cfg.Store.Path)
	require.NoError(b.t, err)
	for i := range infos {
		path, err := store.Find(b.cfg.Store.Path, infos[i].ID)
		require.NoError(b.t, err)
		if r, err := store.OpenReader(path); err == nil {
			infos[i].Meta = r.Meta() // a listing has not the whole of it
			require.NoError(b.t, r.Close())
		}
	}
	return infos
}

// compare holds a session against the truth.
func (b *bubble) compare(id string) compare.Report {
	path, err := store.Find(b.cfg.Store.Path, id)
	require.NoError(b.t, err)
	return compareFile(b.t, path, b.car.Truth())
}

func compareFile(t *testing.T, path string, truth *rig.Truth) compare.Report {
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer r.Close()
	report, err := compare.Session(r, truth)
	require.NoError(t, err)
	return report
}

// part finds a part's own report.
func (b *bubble) part(name string) (state, why string) {
	for _, p := range b.daemon.Status().Parts {
		if p.Name == name {
			return string(p.State), p.Why
		}
	}
	return "", ""
}
