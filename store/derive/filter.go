package derive

import (
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"underdash/analog/mixture"
)

const (
	spikeVolts = 0.020                  // a reading that stands out by less is left alone
	loneAfter  = 500 * time.Millisecond // a reading that is followed by none for so long has no neighbour
)

// filter drops single-sample spikes of the analog inputs and averages what is left to Options.Rate, in cells of equal length. Readings
// of different states are never averaged: a cell ends where the state changes, so that the edge of a fuel cut stays where it is.
// Nothing is stored filtered.
type filter struct {
	s       *Session
	rate    float64
	lanes   map[int]*lane // by the channel that is read first
	order   []*lane
	waiting []Value // what may not be yielded yet, in order
	newest  time.Duration
}

// lane is the filter of one input.
type lane struct {
	spikes mixture.Spikes
	held   []Value // the newest reading, of which is not known yet whether it is a spike
	cell   int64
	state  string
	means  []mean
	late   time.Duration // how long after others of its instant a reading may come
}

// mean is one channel's value of a cell.
type mean struct {
	last Value
	mixture.Mean
}

func newFilter(s *Session, rate float64) *filter {
	return &filter{s: s, rate: rate, lanes: make(map[int]*lane)}
}

// describeFilter notes on the analog channels that they are averaged.
func (s *Session) describeFilter() {
	for i, c := range s.channels {
		if s.isInput(c) {
			s.channels[i].Description += fmt.Sprintf(", spikes dropped and averaged to %g a second", s.o.Rate)
		}
	}
}

func (s *Session) isInput(c Channel) bool {
	return c.Kind != OBD && c.Kind != Status && s.analog[c.Source] != nil
}

// filtered yields the values of readings, which come with all the values of one reading at a time, filtered and in the order of instants.
func (f *filter) filtered(readings iter.Seq2[[]Value, error]) iter.Seq2[Value, error] {
	return func(yield func(Value, error) bool) {
		for values, err := range readings {
			if err != nil {
				if !yield(Value{}, err) {
					return
				}
				continue
			}
			f.take(values)
			if !f.release(f.horizon(), yield) {
				return
			}
		}
		for _, l := range f.order {
			f.settle(l)
		}
		f.release(math.MaxInt64, yield)
	}
}

// take takes in the values of one reading.
func (f *filter) take(values []Value) {
	for len(values) > 0 {
		first := values[0]
		n := 1
		for n < len(values) && values[n].At == first.At {
			n++
		}
		f.newest = max(f.newest, first.At)
		if f.s.isInput(f.s.channels[first.Channel]) {
			f.push(f.lane(first.Channel), values[:n])
		} else {
			for _, v := range values[:n] {
				f.wait(v)
			}
		}
		values = values[n:]
	}
	for _, l := range f.order {
		if len(l.held) > 0 && f.newest-l.held[0].At > loneAfter+l.late+seconds(1/f.rate) {
			f.settle(l)
		}
	}
}

func (f *filter) lane(channel int) *lane {
	l := f.lanes[channel]
	if l == nil {
		l = &lane{}
		l.spikes.Floor = f.s.floor(f.s.channels[channel])
		if f.s.channels[channel].Kind == Aligned {
			l.late = f.s.late
		}
		f.lanes[channel] = l
		f.order = append(f.order, l)
	}
	return l
}

// floor is spikeVolts in a channel's unit.
func (s *Session) floor(c Channel) float64 {
	if c.Kind == Volts {
		return spikeVolts
	}
	a := s.analog[c.Source].Channel
	return spikeVolts * math.Abs((a.High.Value-a.Low.Value)/(a.High.Volts-a.Low.Volts))
}

// push takes a reading, which tells what the one before it was.
func (f *filter) push(l *lane, values []Value) {
	if len(l.held) > 0 && values[0].At-l.held[0].At > loneAfter {
		f.settle(l)
	}
	if spike := l.spikes.Next(values[0].Number); !spike {
		f.add(l)
	}
	l.held = append(l.held[:0], values...)
}

// add puts the reading that is held into its cell.
func (f *filter) add(l *lane) {
	if len(l.held) == 0 {
		return
	}
	first := l.held[0]
	cell := mixture.Cell(first.At, f.rate)
	if cell != l.cell || first.State != l.state {
		f.flush(l)
		l.cell, l.state = cell, first.State
	}
	for _, v := range l.held {
		i := slices.IndexFunc(l.means, func(m mean) bool { return m.last.Channel == v.Channel })
		if i < 0 {
			i = len(l.means)
			l.means = append(l.means, mean{})
		}
		l.means[i].last = v
		l.means[i].Add(v.At, v.Half, v.Number)
	}
	l.held = l.held[:0]
}

// settle ends the lane's cell: the next reading, if any, is no neighbour.
func (f *filter) settle(l *lane) {
	f.add(l)
	f.flush(l)
	l.spikes.Break()
}

// flush ends a cell.
func (f *filter) flush(l *lane) {
	for _, m := range l.means {
		v := m.last
		v.At, v.Half, v.Number = m.At(), m.Half(), m.Value()
		f.wait(v)
	}
	l.means = l.means[:0]
}

// wait puts a value among those that wait, behind those of its instant.
func (f *filter) wait(v Value) {
	i := len(f.waiting)
	for i > 0 && later(f.waiting[i-1], v) {
		i--
	}
	f.waiting = slices.Insert(f.waiting, i, v)
}

func later(a, b Value) bool { return a.At > b.At || a.At == b.At && a.Half > b.Half }

// horizon is the instant before which nothing can come any more.
func (f *filter) horizon() time.Duration {
	h := f.newest - f.s.late
	for _, l := range f.order {
		if len(l.held) > 0 {
			h = min(h, l.held[0].At)
		}
		for _, m := range l.means {
			h = min(h, m.First())
		}
	}
	return h
}

// release yields what lies before the horizon, and reports whether more is wanted.
func (f *filter) release(horizon time.Duration, yield func(Value, error) bool) bool {
	n := 0
	for n < len(f.waiting) && f.waiting[n].At < horizon {
		n++
		if !yield(f.waiting[n-1], nil) {
			return false
		}
	}
	f.waiting = append(f.waiting[:0], f.waiting[n:]...)
	return true
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
