package daemon

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/daemon/config"
)

func TestSwitch(t *testing.T) {
	ms := time.Millisecond
	type reading struct {
		at    time.Duration
		volts float64
	}
	hold := func(from, to time.Duration, volts float64) (all []reading) {
		for at := from; at < to; at += 10 * ms {
			all = append(all, reading{at, volts})
		}
		return all
	}
	join := func(parts ...[]reading) (all []reading) {
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	above, below := config.Mark{Volts: 2.5, Above: true}, config.Mark{Volts: 0.5}
	for _, row := range []struct {
		name     string
		mark     config.Mark
		readings []reading
		want     []time.Duration
	}{
		{"thrown twice", above, join(hold(0, 100*ms, 0), hold(100*ms, 300*ms, 5), hold(300*ms, 500*ms, 0), hold(500*ms, 600*ms, 5)), []time.Duration{100 * ms, 500 * ms}},
		{"it bounces", above, join(hold(0, 100*ms, 0), hold(100*ms, 110*ms, 5), hold(110*ms, 140*ms, 0), hold(140*ms, 300*ms, 5)), []time.Duration{100 * ms}},
		{"volts at the level itself", above, join(hold(0, 100*ms, 0), hold(100*ms, 200*ms, 2.51), hold(200*ms, 400*ms, 2.45), hold(400*ms, 500*ms, 2.55)), []time.Duration{100 * ms}},
		{"thrown from the beginning", above, join(hold(0, 100*ms, 5), hold(100*ms, 300*ms, 0), hold(300*ms, 400*ms, 5)), []time.Duration{300 * ms}},
		{"never", above, hold(0, time.Second, 2.5), nil},
		{"below a level", below, join(hold(0, 100*ms, 5), hold(100*ms, 300*ms, 0), hold(300*ms, 500*ms, 5), hold(500*ms, 600*ms, 0)), []time.Duration{100 * ms, 500 * ms}},
	} {
		t.Run(row.name, func(t *testing.T) {
			s := thrown{Mark: row.mark}
			var got []time.Duration
			for _, r := range row.readings {
				if s.feed(r.at, r.volts) {
					got = append(got, r.at)
				}
			}
			assert.Equal(t, row.want, got)
		})
	}
}
