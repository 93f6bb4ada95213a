package main

import (
	"context"
	"log/slog"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon"
	"underdash/daemon/config"
	"underdash/store"
)

// The whole way of a mark: the command, the socket, the daemon, the session's file.
func TestAMarkReachesTheSession(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no Unix sockets")
	}
	dir := filepath.Join(t.TempDir(), "sessions")
	cfg := config.Default()
	cfg.Store.Path, cfg.Store.Floor, cfg.Session.Begin = dir, 0, config.Always
	cfg.Network.Listen = ""
	ctx, cancel := context.WithCancel(t.Context())
	ready := make(chan struct{})
	d := daemon.New(cfg, daemon.Options{Log: slog.New(slog.DiscardHandler), Ready: func() { close(ready) }})
	var run sync.WaitGroup
	run.Go(func() { assert.NoError(t, d.Run(ctx)) })
	defer run.Wait()
	defer cancel()
	<-ready
	require.Eventually(t, func() bool { // until it says where its socket is, and what it records
		status, _, running, err := daemon.ReadStatus(dir)
		return err == nil && running && status.Recording != "" && status.Socket != ""
	}, time.Minute, 10*time.Millisecond)

	code, _, stderr := invoke(t, "mark", "knock", "at the lights", "--store", dir)
	require.Zero(t, code, stderr)
	code, stdout, stderr := invoke(t, "sessions", "--store", dir)
	require.Zero(t, code, stderr)
	assert.Contains(t, stdout, "recording")
	assert.Contains(t, stdout, "store: working since ")
	cancel()
	run.Wait()
	path, err := store.Find(dir, store.Last)
	require.NoError(t, err)
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	var marks []string
	for _, e := range r.Meta().Events {
		if e.Kind == "mark" {
			marks = append(marks, e.Text)
		}
	}
	assert.Equal(t, []string{"knock at the lights"}, marks)
}
