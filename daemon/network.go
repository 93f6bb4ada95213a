package daemon

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"sync"
	"time"

	"underdash/daemon/access"
	"underdash/daemon/httpapi"
	"underdash/daemon/page"
	"underdash/daemon/socket"
	"underdash/daemon/timebase"
	"underdash/store"
)

// AccessDir is the name, in the store's directory, of where it is kept who may come in over the network.
const AccessDir = "access"

// The network is tried again after so long, and then after twice as long each time, up to the second: a board's Wi-Fi has its
// address some time after the daemon's start.
const firstTry, lastTry = 5 * time.Second, time.Minute

// serveNetwork answers the network until ctx ends. What it returns waits for the last answer. A daemon that cannot be
// reached logs drives all the same.
func (d *Daemon) serveNetwork(ctx context.Context, st *store.Store) (wait func()) {
	var serving sync.WaitGroup
	l, secret, server, err := d.openNetwork(st)
	if err == nil && l == nil {
		return func() {}
	}
	said := ""
	say := func(err error) { // once each
		if text := err.Error(); text != said {
			said = text
			d.o.Log.Warn("the network cannot reach the daemon; it is tried again", "err", err)
		}
	}
	if err != nil {
		say(err) // before the daemon is called ready
	}
	serving.Go(func() {
		for pause := firstTry; ; pause = min(2*pause, lastTry) {
			if err == nil {
				said, pause = "", firstTry
				if err = httpapi.Serve(ctx, l, secret, server); err == nil {
					return // ctx has ended
				}
				say(err)
			}
			t := time.NewTimer(pause)
			select {
			case <-ctx.Done():
				t.Stop()
				return
			case <-t.C:
			}
			if l, secret, server, err = d.openNetwork(st); err != nil {
				say(err)
			}
		}
	})
	return serving.Wait
}

// openNetwork prepares what is served; no listener: nothing is to be.
func (d *Daemon) openNetwork(st *store.Store) (net.Listener, *tls.Config, *httpapi.Server, error) {
	n := d.cfg.Network
	listen := d.o.ListenNetwork
	if listen == nil {
		if n.Listen == "" {
			return nil, nil, nil, nil
		}
		listen = func() (net.Listener, error) { return net.Listen("tcp", n.Listen) }
	}
	dir := filepath.Join(st.Dir(), AccessDir)
	names := access.Names(n.Names)
	keeper, err := access.Open(dir, access.Options{Log: d.o.Log})
	if err != nil {
		return nil, nil, nil, fmt.Errorf("who may come in is not known: %w", err)
	}
	var secret *tls.Config
	fingerprint := ""
	if !n.Plain {
		c, err := access.Certificate(dir, names, time.Now())
		if err != nil {
			return nil, nil, nil, fmt.Errorf("there is no certificate: %w", err)
		}
		secret = &tls.Config{Certificates: []tls.Certificate{c}, MinVersion: tls.VersionTLS12}
		fingerprint = access.Fingerprint(c)
	}
	l, err := listen()
	if err != nil || l == nil {
		return nil, nil, nil, err
	}
	if keeper.Fresh() {
		d.o.Log.Info("the access code was made: a browser signs in with it, and 'underdash access' shows it again", "code", keeper.Code(), "fingerprint", fingerprint)
	}
	if n.Exposed() {
		d.o.Log.Warn("what is served is not encrypted, so that everybody in the network can read along", "address", l.Addr().String())
	}
	d.o.Log.Info("the network can reach the daemon", "address", l.Addr().String(), "encrypted", secret != nil)
	server := httpapi.New(httpapi.Options{Store: st, Access: keeper, Daemon: reached{d}, Names: names, Log: d.o.Log})
	server.Mount(page.New(server.Rooms()))
	return l, secret, server, nil
}

// reached is the daemon as the network sees it.
type reached struct{ *Daemon }

// Status implements httpapi.Daemon.
func (r reached) Status() any { return r.Daemon.Status() }

// Clock implements httpapi.Daemon.
func (r reached) Clock() time.Duration { return r.clock.Now() }

// Mark implements httpapi.Daemon.
func (r reached) Mark(text string) error {
	err := r.Daemon.Mark(text)
	if errors.Is(err, socket.ErrNoSession) {
		return refusal{err, httpapi.ErrNoSession}
	}
	return err
}

// Offer implements httpapi.Daemon.
func (r reached) Offer(utc time.Time, maxError time.Duration) (bool, error) {
	taken, err := r.Daemon.Offer(utc, maxError)
	if errors.Is(err, timebase.ErrOffer) {
		return false, refusal{err, httpapi.ErrOffer}
	}
	return taken, err
}

// refusal is an error that is one of the API's too, in its own words.
type refusal struct {
	error
	as error
}

// Is makes it the API's.
func (r refusal) Is(target error) bool { return target == r.as }

// Unwrap gives the error itself.
func (r refusal) Unwrap() error { return r.error }
