package daemon

import (
	"context"
	"log/slog"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/store"
	"underdash/store/derive"
)

// The whole way over the operating system's own interfaces and in real time: a tty opened by the serial library, a
// converter's files, the configuration as text, a session on the medium.
func TestADriveOverARealTTY(t *testing.T) {
	t.Parallel()
	const length = 24 * time.Second
	car := rig.New(rig.Demo(length, 11))
	dir := t.TempDir()
	running, err := car.Start(t.Context(), dir)
	require.NoError(t, err)
	defer running.Close()
	sessions := filepath.Join(dir, "sessions")
	cfg, err := config.Parse("virtual car", []byte(running.ConfigFor(sessions)+"\n[session]\nstop_after = \"1s\"\n"))
	require.NoError(t, err)

	ctx, cancel := context.WithTimeout(t.Context(), length+time.Second)
	defer cancel()
	d := New(cfg, Options{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Software: "test", ListenNetwork: nowhere})
	var run sync.WaitGroup
	run.Go(func() { assert.NoError(t, d.Run(ctx)) })
	run.Wait()

	infos, err := store.List(sessions)
	require.NoError(t, err)
	require.Len(t, infos, 1)
	path, err := store.Find(sessions, store.Last)
	require.NoError(t, err)
	report := compareFile(t, path, car.Truth())
	agrees(t, report, mostLate(report.OBD.Readings))

	// Every parameter that was polled is there as a quantity, and so are the wideband's.
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer r.Close()
	s, err := derive.New(r)
	require.NoError(t, err)
	names := map[string]bool{}
	for _, c := range s.Channels() {
		names[c.Name] = true
	}
	for _, name := range []string{"RPM", "MAP", "MAF", "TP", "SHRTFT1", "LONGFT1", "ECT", "LAMBDA11", "wideband", "wideband lambda", "wideband AFR"} {
		assert.True(t, names[name], name)
	}
}
