// Package compare holds a recorded session against the virtual car's truth: whether every value is the one that the
// engine computer sent, whether every instant is within its stated bound, and how far the mixture is from the true one.
package compare

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"underdash/daemon/rig"
	"underdash/daemon/timebase"
	"underdash/store"
	"underdash/store/derive"
)

// Resolution is the slack that instants are compared with: the step to which a session stores them.
const Resolution = 2 * time.Microsecond

// Report is what came of the comparison.
type Report struct {
	Channels []Channel // in the session's order
	States   []State   // driving states in the order they first occurred, steady parts only
	OBD      OBD

	EarlyLambda int // λ exported for readings of a controller that was still heating; must be 0
	Warming     int // readings marked as warming up
}

// Channel is how one derived quantity was read.
type Channel struct {
	Name, Unit string
	Readings   int
	Rate       float64       // readings a second between the first and the last
	WorstGap   time.Duration // between two neighbours
	Mean       float64       // of plain measurements; NaN for states and codes
}

// State is how the mixture was read in one driving state.
type State struct {
	Name     string
	Length   time.Duration // of its steady parts
	Readings int
	Lambda   float64 // mean, corrected
	True     float64 // mean of the mixture at the sensor at the same instants
	Error    float64 // mean of the differences
	P95      float64 // 95 % of the differences are no larger than this
}

// OBD is how the engine computers' answers compare.
type OBD struct {
	Readings int
	Differ   int // payload bytes other than any that were sent for this parameter at that time
	Late     int // the value is right, the true instant lies outside the stated bound
	RMSError time.Duration
	Bound    time.Duration // mean half width that was stated
	Channels int           // parameters compared
}

// Session compares a session with the drive it was recorded in, in this process or on this machine since its boot.
func Session(source derive.Source, truth *rig.Truth) (Report, error) {
	began, now := truth.Began(), time.Now()
	moved := now.Round(0).Sub(began.Round(0)) - now.Sub(began)
	zero, err := start(source.Meta(), began, now, moved, timebase.Start(timebase.Options{}))
	if err != nil {
		return Report{}, err
	}
	var r Report
	if err := r.compareOBD(source, truth, zero); err != nil {
		return Report{}, err
	}
	if err := r.compareValues(source, truth, zero); err != nil {
		return Report{}, err
	}
	return r, nil
}

// start is where a session's clock starts in the time of a drive that began at an instant of this process. Where the
// wall clock was moved between then and now, by however little, the boot's clock tells.
func start(meta store.Meta, began, now time.Time, moved time.Duration, clock *timebase.Clock) (time.Duration, error) {
	if moved.Abs() > Resolution && meta.BootID != "" && meta.BootID == clock.BootID() {
		return now.Sub(began) - (clock.SinceBoot(clock.At(now)) - meta.SinceBoot), nil
	}
	if len(meta.Anchors) == 0 {
		return 0, errors.New("the session has no anchor to the wall clock, so it cannot be laid beside the drive")
	}
	a := meta.Anchors[0]
	return a.UTC.Add(-a.At).Sub(began.Round(0)), nil
}

// parameter is one engine computer's answers to one parameter.
type parameter struct {
	from uint32
	pid  byte
}

// compareOBD holds raw bytes against raw bytes: no decoder can hide a fault from it.
func (r *Report) compareOBD(source derive.Source, truth *rig.Truth, zero time.Duration) error {
	sent := make(map[parameter][]rig.Sent)
	for _, s := range truth.OBD() {
		k := parameter{s.From, s.PID}
		sent[k] = append(sent[k], s)
	}
	for _, list := range sent {
		slices.SortStableFunc(list, func(a, b rig.Sent) int { return cmp.Compare(a.At, b.At) })
	}
	channels := source.Meta().Channels
	seen := make(map[parameter]bool)
	var squares float64
	var bounds time.Duration
	for s, err := range source.Samples() {
		if err != nil {
			return fmt.Errorf("read the session back: %w", err)
		}
		c := channels[s.Channel].OBD
		if c == nil || c.Part != 0 {
			continue
		}
		k := parameter{c.From, c.PID}
		seen[k] = true
		r.OBD.Readings++
		bounds += s.Half
		off, equal := nearest(sent[k], s, c.Bytes, zero)
		switch {
		case !equal:
			r.OBD.Differ++
		case off.Abs() > s.Half+Resolution:
			r.OBD.Late++
			fallthrough
		default:
			squares += off.Seconds() * off.Seconds()
		}
	}
	r.OBD.Channels = len(seen)
	if n := r.OBD.Readings; n > 0 {
		r.OBD.RMSError = time.Duration(math.Sqrt(squares/float64(n)) * float64(time.Second))
		r.OBD.Bound = bounds / time.Duration(n)
	}
	return nil
}

// nearest looks for the value that was sent nearest to a sample's instant, and says how far off the instant is and
// whether the bytes are the same. Where a neighbour within a second, or within the sample's own bound, has the same bytes and
// the nearest has not, the neighbour is meant: the instant is wrong then, not the value.
func nearest(sent []rig.Sent, s store.Sample, bytes int, zero time.Duration) (off time.Duration, equal bool) {
	at := s.At + zero
	i, _ := slices.BinarySearchFunc(sent, at, func(x rig.Sent, t time.Duration) int { return cmp.Compare(x.At, t) })
	best, most := time.Duration(math.MaxInt64), max(time.Second, s.Half+Resolution)
	for j := max(0, i-8); j < min(len(sent), i+8); j++ {
		d := at - sent[j].At
		if d.Abs() < best.Abs() && d.Abs() <= most && code(sent[j].Data, bytes) == s.Code {
			best, equal = d, true
		}
	}
	return best, equal
}

func code(data []byte, bytes int) int64 {
	var v uint64
	for _, b := range data[:min(bytes, len(data))] {
		v = v<<8 | uint64(b)
	}
	return int64(v)
}

// compareValues goes through what a person would read.
func (r *Report) compareValues(source derive.Source, truth *rig.Truth, zero time.Duration) error {
	session, err := derive.New(source)
	if err != nil {
		return err
	}
	tallies := make([]tally, len(session.Channels()))
	states := newStates(truth)
	for v, err := range session.Values() {
		if err != nil {
			return fmt.Errorf("read the session back: %w", err)
		}
		tallies[v.Channel].add(v)
		if session.Channels()[v.Channel].Kind != derive.Lambda {
			if v.State == derive.Warming {
				r.Warming++
			}
			continue
		}
		at := v.At + zero
		if v.State != "" || math.IsNaN(v.Number) {
			continue
		}
		if at < truth.Warm() {
			r.EarlyLambda++
		}
		states.add(at, v.Number, truth.At(at).LambdaSensor)
	}
	for i, c := range session.Channels() {
		r.Channels = append(r.Channels, tallies[i].channel(c))
	}
	r.States = states.result()
	return nil
}

type tally struct {
	n           int
	first, last time.Duration
	worst       time.Duration
	sum         float64
	numbers     int
}

func (t *tally) add(v derive.Value) {
	if t.n == 0 {
		t.first = v.At
	} else {
		t.worst = max(t.worst, v.At-t.last)
	}
	t.last = v.At
	t.n++
	if v.State == "" && !math.IsNaN(v.Number) {
		t.sum += v.Number
		t.numbers++
	}
}

func (t *tally) channel(c derive.Channel) Channel {
	out := Channel{Name: c.Name, Unit: c.Unit, Readings: t.n, WorstGap: t.worst, Mean: math.NaN()}
	if c.Kind != derive.Status && t.numbers > 0 {
		out.Mean = t.sum / float64(t.numbers)
	}
	if t.n > 1 {
		out.Rate = float64(t.n-1) / (t.last - t.first).Seconds()
	}
	return out
}
