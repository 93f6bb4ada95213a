package rig

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"underdash/analog/analogtest"
)

// Running is a car whose clock runs, reachable as a real one is: an adapter at a tty or over TCP, a converter's
// directory.
type Running struct {
	Adapter string // address of the adapter: a link to its tty, like those of /dev/serial/by-id, or "tcp://host:port"
	Device  string // the converter's directory
	Config  string // configuration text in TOML for this car

	car    *Car
	device *analogtest.Device
	ctx    context.Context // ends with the car
	cancel context.CancelFunc
	tasks  sync.WaitGroup
	socket socket

	plugging sync.Mutex // guards plug
	plug     *plug      // nil while unplugged

	mu  sync.Mutex // guards err
	err error
}

// socket is what an adapter is plugged into: it makes what the host opens.
type socket interface {
	// plugIn makes the adapter reachable at Running.Adapter and returns it.
	plugIn() (*plug, error)
}

// plug is an adapter that is plugged in.
type plug struct {
	serve  func(ctx context.Context, a *Car) error // the dialogue, until pull
	pull   func() error                            // what the host has open hangs up, and the address leads nowhere
	served chan struct{}                           // closed when serve has ended
}

// ConfigFor is Config with the sessions kept at the given path.
func (r *Running) ConfigFor(store string) string {
	return config(r.Adapter, r.car.o.Baud, r.Device, store)
}

// Converter is the virtual converter, for faults while the car runs.
func (r *Running) Converter() *analogtest.Device { return r.device }

// Unplug pulls the adapter out, of the computer and of the car: what the host has open hangs up, its address leads
// nowhere, and the adapter has forgotten its settings. Unplugging an adapter that is not plugged in does nothing.
func (r *Running) Unplug() error {
	r.plugging.Lock()
	defer r.plugging.Unlock()
	if r.plug == nil {
		return nil
	}
	p := r.plug
	r.plug = nil
	err := p.pull()
	<-p.served
	r.car.adapter.PowerCut()
	return err
}

// Replug plugs the adapter in again. At a tty it comes back under another node, to which the old link leads.
func (r *Running) Replug() error {
	r.plugging.Lock()
	defer r.plugging.Unlock()
	if r.plug != nil {
		return errors.New("plugging the virtual adapter in: it is plugged in")
	}
	if err := r.ctx.Err(); err != nil {
		return fmt.Errorf("plugging the virtual adapter in: the car has ended: %w", err)
	}
	p, err := r.socket.plugIn()
	if err != nil {
		return fmt.Errorf("plugging the virtual adapter in: %w", err)
	}
	p.served = make(chan struct{})
	r.plug = p
	r.run(func(ctx context.Context) error {
		defer close(p.served)
		return p.serve(ctx, r.car)
	})
	return nil
}

// Wait waits until the car has ended, because Start's context did or by Close, and returns what went wrong with it.
func (r *Running) Wait() error {
	r.tasks.Wait()
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

// Close ends the car, waits for it and lets go of adapter and directory. Closing twice is allowed.
func (r *Running) Close() error {
	r.cancel()
	err := r.Unplug()
	return errors.Join(r.Wait(), err, r.device.Close())
}

// run starts one of the car's tasks; an error other than the end of the car is kept for Wait.
func (r *Running) run(task func(context.Context) error) {
	r.tasks.Go(func() {
		if err := task(r.ctx); err != nil && r.ctx.Err() == nil {
			r.mu.Lock()
			r.err = errors.Join(r.err, err)
			r.mu.Unlock()
		}
	})
}

// startOn lays the converter out under dir, plugs the adapter into its socket and starts the drive's clock.
func (c *Car) startOn(ctx context.Context, dir, address string, s socket) (*Running, error) {
	device, err := c.Lay(dir)
	if err != nil {
		return nil, fmt.Errorf("starting the virtual car: %w", err)
	}
	r := &Running{Adapter: address, Device: device.Path(), car: c, device: device, socket: s}
	r.Config = r.ConfigFor(c.o.StorePath)
	r.ctx, r.cancel = context.WithCancel(ctx)
	if err := r.Replug(); err != nil {
		r.cancel()
		return nil, errors.Join(fmt.Errorf("starting the virtual car: %w", err), device.Close())
	}
	c.Begin()
	if err := device.Set(Channel, c.drive.code(0)); err != nil { // whoever opens the converter finds a conversion
		return nil, errors.Join(fmt.Errorf("starting the virtual car: %w", err), r.Close())
	}
	r.run(func(ctx context.Context) error { return c.Refresh(ctx, device) })
	return r, nil
}
