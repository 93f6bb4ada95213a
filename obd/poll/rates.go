package poll

import (
	"time"

	"underdash/obd"
)

// Rate is how one channel fared since the first Run.
type Rate struct {
	Channel
	Wanted float64       // readings a second that its class asks for; 0 = as many as the link gives
	Asked  float64       // times a second that it was asked, from the start of the first Run to the latest request
	Got    float64       // readings a second, over the same time
	Worst  time.Duration // longest time from one reading to the next, or from the last one to the latest request

	Over     time.Duration // the time that Asked and Got are counted over
	Requests uint64        // how often it was asked in it
	Readings uint64
}

type count struct {
	asked, got uint64
	last       time.Time // instant of the newest reading
	worst      time.Duration
}

func (p *Poller) countAsked(now time.Time, asked []obd.PID) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.started.IsZero() {
		p.started = now
	}
	p.latest = now
	for _, a := range asked {
		p.counts[a].asked++
	}
}

func (p *Poller) countGot(a obd.PID, at time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	c := &p.counts[a]
	c.got++
	if !c.last.IsZero() {
		c.worst = max(c.worst, at.Sub(c.last))
	}
	c.last = at
}

func (p *Poller) countDropped() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.dropped++
}

// Rates returns how each channel fared, in the channels' order. It may be called while Run runs.
func (p *Poller) Rates() []Rate {
	p.mu.Lock()
	defer p.mu.Unlock()
	rates := make([]Rate, 0, len(p.channels))
	over := p.latest.Sub(p.started)
	span := over.Seconds()
	for _, ch := range p.channels {
		c := p.counts[ch.PID]
		r := Rate{Channel: ch, Requests: c.asked, Readings: c.got, Worst: c.worst, Over: over}
		if e := ch.every(); e > 0 {
			r.Wanted = 1 / e.Seconds()
		}
		if span > 0 {
			r.Asked, r.Got = float64(c.asked)/span, float64(c.got)/span
		}
		if !c.last.IsZero() {
			r.Worst = max(r.Worst, p.latest.Sub(c.last))
		}
		rates = append(rates, r)
	}
	return rates
}

// Dropped returns how many messages were not used because they answered something else, came from another engine
// computer or had a wrong length. Another engine computer's answers to the same requests are among them.
func (p *Poller) Dropped() uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.dropped
}
