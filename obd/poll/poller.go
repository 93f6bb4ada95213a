package poll

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"underdash/obd"
	"underdash/obd/pid"
)

// Options set what is polled. The zero value polls the default set.
type Options struct {
	Channels []Channel     // most important first; default DefaultChannels. What the car does not support is not asked
	Silent   time.Duration // Run gives up after so long without any answer; default 5 s
	MaxPIDs  int           // most parameters in one request, 1 to 6; default 6. Run finds out whether the car agrees
}

func (o Options) withDefaults(f Found) Options {
	if o.Channels == nil {
		o.Channels = DefaultChannels(f)
	}
	if o.Silent <= 0 {
		o.Silent = 5 * time.Second
	}
	if o.MaxPIDs < 1 || o.MaxPIDs > mostPlaces {
		o.MaxPIDs = mostPlaces
	}
	return o
}

// ErrNothingToAsk says that the engine computer supports none of the channels that are wanted.
var ErrNothingToAsk = errors.New("the engine computer supports none of the wanted parameters")

// Poller asks one engine computer for its channels, over and over.
type Poller struct {
	car      Car
	found    Found
	o        Options
	channels []Channel // each parameter once

	wake chan struct{} // tells Run of a new errand

	mu      sync.Mutex // guards what follows
	errands []func(ctx context.Context, car Car) error
	started time.Time
	latest  time.Time // when the latest request was put
	counts  [256]count
	dropped uint64
}

// New makes a poller for what Discover found. It asks nothing.
func New(car Car, f Found, o Options) *Poller {
	p := &Poller{car: car, found: f, o: o.withDefaults(f), wake: make(chan struct{}, 1)}
	for _, c := range p.o.Channels {
		c = c.supported(f)
		if !slices.ContainsFunc(p.channels, func(have Channel) bool { return have.PID == c.PID }) {
			p.channels = append(p.channels, c)
		}
	}
	return p
}

// Channels returns the channels that are polled, each parameter once, supported or not.
func (p *Poller) Channels() []Channel { return slices.Clone(p.channels) }

// pollable are the channels that the engine computer supports and whose length is known.
func (p *Poller) pollable() []Channel {
	return slices.DeleteFunc(slices.Clone(p.channels), func(c Channel) bool {
		_, known := pid.Width(c.PID)
		return !known || !p.found.Supports(c.PID)
	})
}

// leads are the harmless parameters that a request may borrow as its first.
func (p *Poller) leads() []obd.PID {
	return slices.DeleteFunc([]obd.PID{0x0C, 0x0D, 0x05, 0x0F, 0x01}, func(l obd.PID) bool { return !p.found.Supports(l) })
}

// Run asks until ctx ends, and calls emit on its own goroutine for every reading. It returns ctx's error when ctx ended,
// the link's error (wrapped) when the link failed, obd.ErrNoAnswer (wrapped) when the car answered nothing for
// Options.Silent, ErrEngineAnswers (wrapped), and ErrNothingToAsk. A parameter that gives no answer is counted, not an
// error: it is asked again, more seldom each time. Run may be called again after it returned, not while it runs.
func (p *Poller) Run(ctx context.Context, emit func(Reading)) error {
	channels := p.pollable()
	if len(channels) == 0 {
		return fmt.Errorf("polling %s: %w", p.found.Engine, ErrNothingToAsk)
	}
	start := time.Now()
	if err := p.focus(ctx); err != nil {
		return err
	}
	places, silent, err := p.probe(ctx)
	if err != nil {
		return err
	}
	r := &round{p: p, plan: newPlanner(channels, places, p.leads()), emit: emit, start: start, heard: time.Now()}
	r.others = lookout{at: r.heard.Add(firstLook), pause: firstLook}
	r.keep = func(a obd.PID, data []byte) bool {
		r.pairs = append(r.pairs, pair{a, data})
		return true
	}
	r.plan.rest(time.Since(start), silent)
	for {
		if err := r.errand(ctx); err != nil {
			return err
		}
		if err := r.look(ctx); err != nil {
			return err
		}
		quiet := time.Since(r.heard)
		if quiet >= p.o.Silent {
			return fmt.Errorf("polling %s, nothing for %s: %w", p.found.Engine, quiet.Round(time.Millisecond), obd.ErrNoAnswer)
		}
		ask, wait := r.plan.next(time.Since(start))
		if len(ask) == 0 {
			p.sleep(ctx, min(wait, p.o.Silent-quiet))
			continue
		}
		if err := r.request(ctx, ask); err != nil {
			return p.failure(ctx, err)
		}
	}
}

// failure is what Run returns for an error of the link: ctx's, if it has ended.
func (p *Poller) failure(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("polling %s: %w", p.found.Engine, err)
}

// focus tells a car that can do so to speak with the polled engine computer alone.
func (p *Poller) focus(ctx context.Context) error {
	if f, ok := p.car.(Focuser); ok {
		if err := f.Focus(ctx, p.found.Engine); err != nil {
			return p.failure(ctx, err)
		}
	}
	return nil
}

// sleep waits for so long, until ctx ends or until there is an errand.
func (p *Poller) sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-p.wake:
	case <-t.C:
	}
}

// round is the state of one Run.
type round struct {
	p     *Poller
	plan  *planner
	emit  func(Reading)
	start time.Time
	heard time.Time // when something that was asked was last answered

	others lookout // when it is looked next who else answers

	got   [256]uint8                 // data bytes of the parameters answered by the latest request
	pairs []pair                     // scratch: one message's parameters
	keep  func(obd.PID, []byte) bool // appends to pairs; held so that it is made once
}

type pair struct {
	pid  obd.PID
	data []byte
}

// request puts one request and takes in what came back.
func (r *round) request(ctx context.Context, ask []obd.PID) error {
	before := time.Now()
	r.p.countAsked(before, ask)
	answer, err := r.p.car.Request(ctx, obd.Request{Service: obd.CurrentData, PIDs: ask, Bytes: r.plan.expected(ask)})
	if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
		return err
	}
	clear(r.got[:])
	if err == nil {
		r.read(answer, ask)
	}
	now := time.Now()
	if slices.ContainsFunc(ask, func(a obd.PID) bool { return r.got[a] > 0 }) {
		r.heard = now
	}
	r.plan.done(now.Sub(r.start), now.Sub(before), ask, &r.got)
	return nil
}

// read emits what the polled engine computer answered to what was asked. A message whose walk does not come out even
// is dropped whole: a byte too many or too few makes every value in it doubtful.
func (r *round) read(answer obd.Answer, ask []obd.PID) {
	at, half := answer.Instant()
	for _, m := range answer.Messages {
		r.pairs = r.pairs[:0]
		if m.From != r.p.found.Engine {
			r.p.countDropped()
			continue
		}
		if pid.Split(m.Payload, r.keep) != nil {
			r.pairs = r.pairs[:0]
			if pid.Split(unpadded(m.Payload, ask, r.p.found.CAN), r.keep) != nil {
				r.p.countDropped()
				continue
			}
		}
		used := false
		for _, x := range r.pairs {
			if !slices.Contains(ask, x.pid) || r.got[x.pid] > 0 {
				continue
			}
			used, r.got[x.pid] = true, uint8(len(x.data))
			if r.plan.wanted(x.pid) {
				r.p.countGot(x.pid, at)
				r.emit(Reading{From: m.From, PID: x.pid, Data: x.data, At: at, Half: half})
			}
		}
		if !used {
			r.p.countDropped()
		}
	}
}
