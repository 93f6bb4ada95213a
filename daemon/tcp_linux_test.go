package daemon

import (
	"context"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/store"
)

// A Wi-Fi adapter is the same dialogue over TCP.
func TestADriveOverTCP(t *testing.T) {
	t.Parallel()
	const length = 12 * time.Second
	car := rig.New(rig.Demo(length, 13))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var served sync.WaitGroup
	served.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			_ = car.Adapter().Serve(ctx, conn)
			_ = conn.Close()
		}
	})
	cfg := config.Default()
	cfg.Adapter.Address = "tcp://" + listener.Addr().String()
	cfg.Store.Path = filepath.Join(t.TempDir(), "sessions")
	cfg.Session.StopAfter = time.Second
	run, stop := context.WithTimeout(t.Context(), length+time.Second)
	defer stop()
	assert.NoError(t, New(cfg, Options{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), ListenNetwork: nowhere}).Run(run))
	cancel()
	require.NoError(t, listener.Close())
	served.Wait()

	path, err := store.Find(cfg.Store.Path, store.Last)
	require.NoError(t, err)
	r := compareFile(t, path, car.Truth())
	assert.Positive(t, r.OBD.Readings, "over a thousand, but few on a very busy machine")
	assert.Zero(t, r.OBD.Differ)
	assert.LessOrEqual(t, r.OBD.Late, mostLate(r.OBD.Readings), "%+v", r.OBD)
}
