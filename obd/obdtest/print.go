package obdtest

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"underdash/obd"
)

// receivers is how many frames the CAN controller keeps that nobody has fetched (estimate).
const receivers = 2

// leftOver are the frames of earlier answers that nobody has fetched, or that are still to come, in the order in
// which they are fetched by a request that was sent at the given instant.
func (d *dialogue) leftOver(sent time.Time) []frame {
	late := d.late
	d.late = nil
	if !d.set.can() || !d.set.open {
		return nil
	}
	kept := late[:0]
	for _, f := range late {
		if !f.at.After(sent) {
			if len(kept) == receivers {
				continue // overrun
			}
			f.at = sent
		}
		kept = append(kept, f)
	}
	return kept
}

// responsePending is the reason of an engine computer that needs more time, and pendingTime what it gets then: P2* of
// ISO 14229-2.
const (
	responsePending = 0x78
	pendingTime     = 5 * time.Second
)

// pending reports whether a frame asks for more time.
func (f frame) pending(s settings) bool {
	data := f.data
	if s.can() {
		data = data[1:]
	} else {
		data = data[headerBytes:]
	}
	return len(data) >= 3 && data[0] == obd.NegativeResponse && data[2] == responsePending
}

// print shows frames as they come in until the count is reached or nothing more comes within the time-out.
func (d *dialogue) print(ctx context.Context, frames []frame, sent time.Time, count int, fault Fault) error {
	slices.SortStableFunc(frames, func(a, b frame) int { return cmp.Compare(a.at.UnixNano(), b.at.UnixNano()) })
	var slowest time.Duration
	last, end := sent, sent.Add(d.timeout())
	printed, complete, patient := false, false, false
	d.late = frames
	for i, f := range frames {
		if f.at.After(end) {
			break // too late for this adapter
		}
		if stopped, err := d.pause(ctx, f.at); err != nil {
			return err
		} else if stopped {
			return d.breakOff(ctx, false)
		}
		d.late = frames[i+1:]
		text := d.dress(strings.Join(f.lines(d.set), "\r") + "\r")
		switch fault {
		case Garbage:
			text = damage(text)
		case Hang:
			d.hung = true
			return d.line.send(ctx, f.at.Add(formatTime), text[:len(text)/2])
		}
		if err := d.line.send(ctx, f.at.Add(formatTime), text); err != nil {
			return err
		}
		if !patient { // how long somebody takes who has asked for more time teaches nothing
			slowest = max(slowest, f.at.Sub(last))
		}
		printed, last, end, patient = true, f.at, f.at.Add(d.timeout()), f.pending(d.set) && !d.o.Impatient
		if patient {
			end = f.at.Add(pendingTime)
		}
		if complete = count == i+1; complete {
			break
		}
	}
	if complete {
		d.learn(slowest)
		return d.line.send(ctx, last.Add(formatTime), d.dress("\r>"))
	}
	if !printed {
		return d.nobody(ctx, end)
	}
	if stopped, err := d.pause(ctx, end); err != nil {
		return err
	} else if stopped {
		return d.breakOff(ctx, false)
	}
	d.learn(slowest)
	return d.line.send(ctx, end, d.dress("\r>"))
}
