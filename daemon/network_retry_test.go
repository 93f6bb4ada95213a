package daemon

import (
	"context"
	"log/slog"
	"net"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/daemon/config"
	"underdash/store/storetest"
)

// quiet is a listener to which nobody comes.
type quiet struct {
	closed chan struct{}
	once   sync.Once
}

func (q *quiet) Accept() (net.Conn, error) { <-q.closed; return nil, net.ErrClosed }
func (q *quiet) Close() error              { q.once.Do(func() { close(q.closed) }); return nil }
func (q *quiet) Addr() net.Addr            { return &net.TCPAddr{IP: net.IPv4(192, 168, 7, 2), Port: 8443} }

// A Wi-Fi whose address comes after the daemon's start is served once it is there, and again after it was lost.
func TestTheNetworkIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := config.Default()
		cfg.Network.Plain = true
		var said lockedText
		var mu sync.Mutex // guards what follows
		var lines []*quiet
		tries := 0
		d := New(cfg, Options{Log: slog.New(slog.NewTextHandler(&said, nil)), ListenNetwork: func() (net.Listener, error) {
			mu.Lock()
			defer mu.Unlock()
			if tries++; tries < 4 {
				return nil, syscall.EADDRNOTAVAIL
			}
			lines = append(lines, &quiet{closed: make(chan struct{})})
			return lines[len(lines)-1], nil
		}})
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		wait := d.serveNetwork(ctx, storetest.Open(t))
		at := func(after time.Duration, want int) {
			t.Helper()
			time.Sleep(after)
			synctest.Wait()
			mu.Lock()
			defer mu.Unlock()
			assert.Equal(t, want, tries)
		}
		at(4*time.Second, 1)
		at(2*time.Second, 2)
		at(10*time.Second, 3)
		assert.Equal(t, 1, strings.Count(said.String(), "tried again"), "said once")
		at(20*time.Second, 4)
		assert.Equal(t, 1, strings.Count(said.String(), "the network can reach the daemon"))
		at(time.Hour, 4)
		mu.Lock()
		_ = lines[0].Close()
		mu.Unlock()
		at(6*time.Second, 5)
		assert.Equal(t, 2, strings.Count(said.String(), "tried again"))
		cancel()
		wait()
	})
}
