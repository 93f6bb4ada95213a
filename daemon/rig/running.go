package rig

import (
	"context"
	"errors"
	"io"
	"sync"

	"underdash/analog/analogtest"
)

// Running is a car whose clock runs, reachable as a real one is: an adapter at a tty, a converter's directory.
type Running struct {
	Adapter string // path of the adapter's tty, /dev/pts/N
	Device  string // the converter's directory
	Config  string // configuration text in TOML for this car

	car    *Car
	device *analogtest.Device
	cancel context.CancelFunc
	tasks  sync.WaitGroup
	own    io.Closer // the adapter's end of the tty
	hold   io.Closer // keeps the host's end alive while nobody has it open
	unplug sync.Once

	mu  sync.Mutex // guards err
	err error
}

// ConfigFor is Config with the sessions kept at the given path.
func (r *Running) ConfigFor(store string) string {
	return config(r.Adapter, r.car.o.Baud, r.Device, store)
}

// Converter is the virtual converter, for faults while the car runs.
func (r *Running) Converter() *analogtest.Device { return r.device }

// Unplug pulls the adapter out: the host's end of the tty hangs up and its path is gone. It cannot be undone.
func (r *Running) Unplug() error {
	var err error
	r.unplug.Do(func() { err = errors.Join(r.hold.Close(), r.own.Close()) })
	return err
}

// Wait waits until the car has ended, because Start's context did or by Close, and returns what went wrong with it.
func (r *Running) Wait() error {
	r.tasks.Wait()
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

// Close ends the car, waits for it and lets go of tty and directory. Closing twice is allowed.
func (r *Running) Close() error {
	r.cancel()
	err := r.Wait()
	return errors.Join(err, r.Unplug(), r.device.Close())
}

// run starts one of the car's tasks; an error other than the end of ctx is kept for Wait.
func (r *Running) run(ctx context.Context, task func(context.Context) error) {
	r.tasks.Go(func() {
		if err := task(ctx); err != nil && ctx.Err() == nil {
			r.mu.Lock()
			r.err = errors.Join(r.err, err)
			r.mu.Unlock()
		}
	})
}
