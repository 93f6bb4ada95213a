package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"underdash/analog"
	"underdash/daemon/health"
	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/pid"
	"underdash/obd/poll"
	"underdash/store"
)

// OBDPart is the adapter's and the car's name on the health board and in a session's gaps. Analog inputs go by
// their configured names.
const OBDPart = "obd"

const engineSpeed obd.PID = 0x0C

// setState puts a part's state on the board and logs it when it is news.
func (d *Daemon) setState(part string, s health.State, why string) {
	if !d.health.Set(part, s, why) {
		return
	}
	if s == health.Waiting {
		d.o.Log.Warn("waiting", "part", part, "why", why)
	} else {
		d.o.Log.Info(string(s), "part", part)
	}
}

// lost notes that a source delivers nothing, since its last reading, and why.
func (d *Daemon) lost(source string, err error) {
	d.health.Count(source, "faults", 1)
	d.setState(source, health.Waiting, err.Error())
	d.mu.Lock()
	d.reading[source] = false
	since := d.last[source]
	d.mu.Unlock()
	d.recorder.Gap(source, since, err.Error())
}

// delivered notes that a source has delivered a reading measured at an instant.
func (d *Daemon) delivered(source string, at time.Duration) {
	d.mu.Lock()
	was := d.reading[source]
	d.reading[source] = true
	d.last[source] = at
	d.mu.Unlock()
	if !was {
		d.recorder.GapOver(source, at)
		d.setState(source, health.Working, "")
	}
}

// runOBD keeps a link to the car for as long as ctx lasts.
func (d *Daemon) runOBD(ctx context.Context) {
	for failures := 0; ; failures++ {
		began := time.Now()
		err := d.linkOnce(ctx)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > time.Minute {
			failures = 0 // it worked for a while: look again soon
		}
		d.lost(OBDPart, err)
		d.wait(ctx, failures)
	}
}

// linkOnce opens the adapter and polls until something fails.
func (d *Daemon) linkOnce(ctx context.Context) error {
	stream, err := d.o.Dial(ctx, d.cfg.Adapter.Address, d.cfg.Adapter.Baud)
	if err != nil {
		return err
	}
	conn := elm.New(stream, elm.Options{})
	defer conn.Close()
	if _, err := conn.Open(ctx); err != nil {
		return fmt.Errorf("the adapter at %s: %w", d.cfg.Adapter.Address, err)
	}
	for failures := 0; ; failures++ {
		err := d.pollOnce(ctx, conn)
		if !errors.Is(err, obd.ErrNoAnswer) || ctx.Err() != nil {
			return err
		}
		// The adapter is well and the car is silent: ignition off, most likely. Asking again needs no reopening.
		d.lost(OBDPart, errors.New("the adapter works and the car does not answer: is the ignition on?"))
		d.wait(ctx, failures)
	}
}

func (d *Daemon) pollOnce(ctx context.Context, conn *elm.Conn) error {
	found, err := poll.Discover(ctx, conn)
	if err != nil {
		return err
	}
	info := conn.Info()
	d.o.Log.Info("the car answers", "adapter", info.Version, "protocol", info.ProtocolName, "engine", found.Engine.String())
	l := link{engine: found.Engine, adapter: store.Adapter{Address: d.cfg.Adapter.Address, Version: info.Version, Protocol: info.ProtocolName}}
	for _, s := range found.Static {
		l.static = append(l.static, store.Static{From: uint32(s.From), Service: byte(s.Service), PID: byte(s.PID), Payload: s.Payload})
		if s.From == found.Engine && s.Service == obd.CurrentData {
			_ = pid.Split(s.Payload, func(p obd.PID, data []byte) bool {
				l.context.Note(p, data)
				return true
			})
		}
	}
	d.mu.Lock()
	d.link = l
	d.mu.Unlock()
	d.recorder.Edit(func(m *store.Meta, _ time.Duration) { m.Adapter, m.Static = l.adapter, l.static })

	var samples []store.Sample
	return poll.New(conn, found, poll.Options{}).Run(ctx, func(r poll.Reading) {
		samples = d.takeOBD(samples[:0], r)
	})
}

// takeOBD records one parameter's answer. It runs between two requests and touches memory only.
func (d *Daemon) takeOBD(buf []store.Sample, r poll.Reading) []store.Sample {
	buf = d.table.OBD(buf, r.From, obd.CurrentData, r.PID, r.Data, r.At, r.Half)
	for _, s := range buf {
		d.recorder.Put(s)
		d.live.Put(s)
	}
	at := d.clock.At(r.At)
	d.health.Count(OBDPart, "readings", 1)
	d.delivered(OBDPart, at)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.tellLocked(r.From, r.PID, r.Data, at)
	if r.PID == engineSpeed {
		if v, err := pid.Decode(r.PID, r.Data, pid.Context{}, nil); err == nil && len(v) == 1 && v[0].State == pid.Valid {
			d.engine.Speed(at, v[0].Number)
			d.decideLocked(d.clock.Now())
		}
	}
	return buf
}

// runAnalog keeps an analog input read for as long as ctx lasts.
func (d *Daemon) runAnalog(ctx context.Context, in *input) {
	for failures := 0; ; failures++ {
		began := time.Now()
		err := d.sampleOnce(ctx, in)
		if ctx.Err() != nil {
			return
		}
		if time.Since(began) > time.Minute {
			failures = 0
		}
		in.failed(err)
		d.lost(in.cfg.Name, err)
		d.wait(ctx, failures)
	}
}

func (d *Daemon) sampleOnce(ctx context.Context, in *input) error {
	converter, err := d.o.OpenInput(in.cfg, func(from, until time.Time, lost int) { d.overrun(in.cfg.Name, from, until, lost) })
	if err != nil {
		return err
	}
	defer converter.Close()
	notice, fault := in.news(converter)
	if notice != "" {
		d.o.Log.Info("converter", "part", in.cfg.Name, "note", notice)
	}
	if fault != "" {
		d.o.Log.Warn("converter", "part", in.cfg.Name, "why", fault)
	}
	number := in.connect(converter, d.table)
	return analog.From(converter, in.cfg.Rate).Run(ctx, func(r analog.Reading) { d.takeAnalog(in, number, r) })
}

// leastGap is the shortest gap in a converter's buffer that is noted in the session: the readings' instants show the others.
const leastGap = 500 * time.Millisecond

// overrun notes that a converter's buffer was full for a while.
func (d *Daemon) overrun(source string, from, until time.Time, lost int) {
	d.health.Count(source, "readings lost", uint64(lost))
	if until.Sub(from) < leastGap {
		return
	}
	d.recorder.Gap(source, d.clock.At(from), fmt.Sprintf("the converter's buffer was full: about %d readings are missing", lost))
	d.recorder.GapOver(source, d.clock.At(until))
}

// takeAnalog records one conversion. It runs between two conversions and touches memory only.
func (d *Daemon) takeAnalog(in *input, number uint16, r analog.Reading) {
	at := d.clock.At(r.At)
	flags, valid, left := in.judge(at, r.Code)
	s := d.table.Analog(number, r, flags)
	d.recorder.Put(s)
	d.live.Put(s)
	d.health.Count(in.cfg.Name, "readings", 1)
	d.delivered(in.cfg.Name, at)
	if why := in.trouble(); why != in.told {
		in.told = why
		state := health.Working
		if why != "" {
			state = health.Waiting
		}
		d.setState(in.cfg.Name, state, why)
	}
	d.observe(in, at, r.Code, left)
	if valid {
		d.mu.Lock()
		d.engine.Mixture(at)
		d.mu.Unlock()
	}
}
