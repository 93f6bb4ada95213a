package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"time"

	"underdash/daemon/session"
	"underdash/daemon/socket"
	"underdash/daemon/timebase"
	"underdash/store"
)

// serve answers commands until ctx ends. What it returns waits for the last answer. A daemon that cannot be reached
// logs drives all the same.
func (d *Daemon) serve(ctx context.Context, st *store.Store) (wait func()) {
	listen := d.o.Listen
	if listen == nil {
		// The service manager's directory for it, if there is one: the medium may not take sockets.
		listen = func() (net.Listener, error) { return socket.Listen(cmp.Or(os.Getenv("RUNTIME_DIRECTORY"), st.Dir())) }
	}
	l, err := listen()
	if err != nil {
		d.o.Log.Warn("commands cannot reach the daemon", "err", err)
	}
	if l == nil {
		return func() {}
	}
	d.socket = l.Addr().String()
	api := socket.API{Store: st, Mark: d.Mark, Offer: d.offered, Status: func() any { return d.Status() }}
	var serving sync.WaitGroup
	serving.Go(func() {
		if err := socket.Serve(ctx, l, api.Handler()); err != nil {
			d.o.Log.Warn("commands cannot reach the daemon any more", "err", err)
		}
	})
	return serving.Wait
}

// offered is Offer with the error that a client decides by.
func (d *Daemon) offered(utc time.Time, maxError time.Duration) (taken bool, err error) {
	taken, err = d.Offer(utc, maxError)
	if errors.Is(err, timebase.ErrOffer) {
		err = fmt.Errorf("%w: %w", socket.ErrTime, err)
	}
	return taken, err
}

// told logs what the store did by itself, and counts it.
func (d *Daemon) told(n store.Notice) {
	level := slog.LevelWarn
	if n.Kind == store.Sealed {
		level = slog.LevelInfo
	}
	d.o.Log.Log(context.Background(), level, "store: "+n.Text, "session", n.Session)
	d.health.Count(session.Part, string(n.Kind), 1)
}
