package daemon

import (
	"context"
	"fmt"
	"time"

	"underdash/analog"
	"underdash/analog/mixture"
	"underdash/daemon/health"
	"underdash/obd"
	"underdash/obd/pid"
	"underdash/obd/poll"
	"underdash/store"
	"underdash/store/derive"
)

// OBDPart is the adapter's and the car's name on the health board and in a session's gaps. Analog inputs go by
// their configured names.
const OBDPart = store.SourceCar

const (
	engineSpeed obd.PID = 0x0C
	roadSpeed   obd.PID = 0x0D
)

// setState puts a part's state on the board and logs it when it is news.
func (d *Daemon) setState(part string, s health.State, why string) {
	if !d.health.Set(part, s, why) {
		return
	}
	if s == health.Waiting || s == health.Stopped {
		d.o.Log.Warn(string(s), "part", part, "why", why)
	} else {
		d.o.Log.Info(string(s), "part", part)
	}
}

// lost notes that a source delivers nothing, since its last reading, and why.
func (d *Daemon) lost(source string, err error) {
	d.health.Count(source, "faults", 1)
	d.setState(source, health.Waiting, err.Error())
	d.gap(source, err)
}

// reads reports whether a source has delivered since it was last lost.
func (d *Daemon) reads(source string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.reading[source]
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

// rests notes that a source delivers nothing since its last reading and that this is no fault.
func (d *Daemon) rests(source string, why error) {
	if d.health.Set(source, health.Waiting, why.Error()) {
		d.o.Log.Info("resting", "part", source, "why", why)
	}
	d.gap(source, why)
}

func (d *Daemon) gap(source string, why error) {
	d.mu.Lock()
	d.reading[source] = false
	since := d.last[source]
	d.mu.Unlock()
	note := d.recorder.Gap
	if is(obd.ErrNoAnswer, errParked, errStanding)(why) {
		note = d.recorder.Silence
	}
	note(source, since, why.Error())
}

// pollOnce asks the car what it supports and polls it until the link fails or ctx ends.
func (d *Daemon) pollOnce(ctx context.Context, k *keeper) error {
	c := &car{Conn: k.conn}
	if err := c.Focus(ctx, obd.Everybody); err != nil {
		return err
	}
	found, err := poll.Rediscover(ctx, c, k.memory.Engine)
	if err != nil {
		return c.silence(err)
	}
	if err := c.Focus(ctx, found.Engine); err != nil {
		return err
	}
	info := c.Info()
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
	d.recorder.Edit(func(m *store.Meta, _ time.Duration) { m.Adapter, m.Static = l.adapter, withKnown(l.static, m.Static) })
	vin := derive.VIN(store.Meta{Static: l.static})
	d.carIs(vin)
	found.Expected = k.memory.engine(vin)
	engine := found.Expected
	if found.Sure() {
		engine = found.Engine
	}
	k.remember(info.Protocol, engine, vin)
	proof := proof{wanted: engine == 0}

	var samples []store.Sample
	channels := poll.Named(found, d.cfg.OBD.Fast, d.cfg.OBD.Normal, d.cfg.OBD.Slow)
	poller := poll.New(c, found, poll.Options{Channels: channels, Silent: d.o.Silent})
	defer d.examiner.attach(poller, found)()
	defer d.asking.attach(poller, found.Engine)()
	err = poller.Run(ctx, func(r poll.Reading) {
		samples = d.takeOBD(samples[:0], r)
		k.took(r)
		if proof.took(r) { // once in a car's life, so that writing the file may hold up a poll
			k.remember(info.Protocol, found.Engine, vin)
		}
	})
	return c.silence(err)
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
	if rpm, ok := single(r, engineSpeed); ok {
		d.engine.Speed(at, rpm)
		d.decideLocked(d.clock.Now())
	}
	return buf
}

// single is a reading's value if it is one of parameter p, which has one value.
func single(r poll.Reading, p obd.PID) (float64, bool) {
	if r.PID != p {
		return 0, false
	}
	v, err := pid.Decode(r.PID, r.Data, pid.Context{}, nil)
	if err != nil || len(v) != 1 || v[0].State != pid.Valid {
		return 0, false
	}
	return v[0].Number, true
}

// runAnalog keeps an analog input read for as long as ctx lasts.
func (d *Daemon) runAnalog(ctx context.Context, in *input) {
	for failures := 0; ; failures++ {
		err := d.sampleOnce(ctx, in)
		if ctx.Err() != nil {
			return
		}
		if d.reads(in.cfg.Name) {
			failures = 0 // it read until now: look again soon
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
	defer in.taps.connect(converter)()
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
	in.taps.hear(r)
	was := in.heating
	flags, valid, left := in.judge(at, r.Code)
	s := d.table.Analog(number, r, flags)
	d.recorder.Put(s)
	d.live.Put(s)
	d.health.Count(in.cfg.Name, "readings", 1)
	d.delivered(in.cfg.Name, at)
	d.watchSwitch(in, at, in.chain.Volts(r.Code))
	if why := in.trouble(); why != in.told {
		in.told = why
		state := health.Working
		if why != "" {
			state = health.Waiting
		}
		d.setState(in.cfg.Name, state, why)
	}
	d.observe(in, at, r.Code, left)
	if in.heating && !was {
		d.wake()
	}
	if in.state == mixture.HighLimit {
		d.mu.Lock()
		d.engine.Lean(at)
		d.mu.Unlock()
	}
	if valid {
		d.mu.Lock()
		fresh := !d.mixed || at-d.mixture > mixtureSays
		d.engine.Mixture(at)
		d.mixture, d.mixed = at, true
		d.mu.Unlock()
		if fresh {
			d.wake()
		}
	}
}

// wake tells whoever watches a parked car that an input came to life: a controller heats its sensor when the ignition
// is switched on, and reads a mixture when the engine runs.
func (d *Daemon) wake() {
	select {
	case d.hints <- struct{}{}:
	default: // one is on its way
	}
}

// newestMixture is when a mixture within its scale was last read, if ever.
func (d *Daemon) newestMixture() (at time.Duration, ok bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.mixture, d.mixed
}
