package main

import (
	"context"
	"errors"
	"fmt"

	"underdash/daemon"
	"underdash/daemon/socket"
	"underdash/store"
)

// running returns a client of the daemon that writes to a store; nil if there is none, or none that can be reached.
func running(dir string) *socket.Client {
	status, _, ok, err := daemon.ReadStatus(dir)
	if err != nil || !ok || status.Socket == "" {
		return nil
	}
	return socket.New(status.Socket)
}

// openSession opens a session's file, and asks the daemon for the one that is being recorded.
func openSession(ctx context.Context, dir, path string) (*store.Reader, error) {
	r, err := store.OpenReader(path)
	if !errors.Is(err, store.ErrRecording) {
		return r, err
	}
	client := running(dir)
	if client == nil {
		return nil, err
	}
	return client.Open(ctx, store.IDOf(path))
}

// recordingInfo is what the daemon knows of the session that is being recorded, or what is known without it.
func recordingInfo(ctx context.Context, dir string, known store.Info) store.Info {
	client := running(dir)
	if client == nil {
		return known
	}
	defer client.Close()
	infos, err := client.Sessions(ctx)
	if err != nil {
		known.Err = err.Error()
		return known
	}
	for _, i := range infos {
		if i.ID == known.ID {
			return i
		}
	}
	return known
}

// change has the daemon change its store, or changes it itself if none is running.
func change(ctx context.Context, dir string, ask func(*socket.Client) error, do func(*store.Store) error, told func(store.Notice)) error {
	if client := running(dir); client != nil {
		defer client.Close()
		return ask(client)
	}
	s, err := store.Open(dir, store.Options{Told: told})
	if err != nil {
		return fmt.Errorf("change the store: %w", err)
	}
	return errors.Join(do(s), s.Close())
}
