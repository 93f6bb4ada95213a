package poll

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

func TestPlannerGivesEachClassItsRate(t *testing.T) {
	const length = 4 * time.Minute
	for _, tt := range []struct {
		name    string
		places  int
		cost    func([]obd.PID) time.Duration
		fast    float64 // readings a second, at least
		fulfils float64 // share of the others' wanted rate, at least
	}{
		// Costs after the model of the reference link: 38 400 baud, an engine computer that answers in 5 ms.
		{"six in a request, 25 ms", 6, linear(8*time.Millisecond, 2800*time.Microsecond), 20, 0.95},
		{"one in a request, 11 ms", 1, linear(11*time.Millisecond, 0), 10, 0.95},
		{"three in a request over a slow radio link", 3, linear(40*time.Millisecond, 5*time.Millisecond), 5, 0.95},
		// A drive of 2018 through a cheap wireless adapter got one parameter in about 90 ms. Six fast channels in
		// three quarters of that are 1.4 readings a second.
		{"one in a request, 90 ms", 1, linear(90*time.Millisecond, 0), 1.3, 0.15},
	} {
		t.Run(tt.name, func(t *testing.T) {
			channels := mixture()
			p := newPlanner(channels, tt.places, []obd.PID{0x0C})
			d := trip{cost: tt.cost}
			d.drive(t, p, length)
			for _, c := range channels {
				rate := d.perSecond(c.PID, length)
				if c.Class == Fast {
					assert.GreaterOrEqual(t, rate, tt.fast, "fast %s", c.PID)
				} else {
					assert.GreaterOrEqual(t, rate*c.every().Seconds(), tt.fulfils, "%s %s", c.Class, c.PID)
					assert.LessOrEqual(t, rate*c.every().Seconds(), 1.05, "%s %s more often than wanted", c.Class, c.PID)
				}
			}
		})
	}
}

func TestPlannerStarvesNothing(t *testing.T) {
	channels := append(mixture(), Channel{PID: 0x8C, Class: Slow}) // 17 bytes: it fits in nowhere
	for _, places := range []int{1, 2, 3, 6} {
		p := newPlanner(channels, places, usualLeads)
		d := trip{cost: linear(250*time.Millisecond, 0)}
		d.drive(t, p, 10*time.Minute)
		for _, c := range channels {
			all := d.intervals(c.PID)
			require.NotEmpty(t, all, "%d places: %s %s", places, c.Class, c.PID)
			assert.LessOrEqual(t, all[len(all)-1], 2*time.Minute, "%d places: %s %s", places, c.Class, c.PID)
			assert.LessOrEqual(t, d.now-d.answered[c.PID][len(d.answered[c.PID])-1], 2*time.Minute, "%d places: %s %s", places, c.Class, c.PID)
		}
	}
}

// The 99th percentile of a fast channel's interval is at most 1.25 times its median, from the first request on, on links
// on which very different things are dear.
func TestPlannerKeepsFastChannelsEven(t *testing.T) {
	const length = 2 * time.Minute
	for _, link := range []struct {
		name   string
		places int
		cost   func([]obd.PID) time.Duration
	}{
		{"38 400 baud", 6, serial(Line{Baud: 38400, Answer: 5 * time.Millisecond})},
		{"115 200 baud", 6, serial(Line{Baud: 115200, Answer: 5 * time.Millisecond})},
		{"500 000 baud", 6, serial(Line{Baud: 500000, Answer: 5 * time.Millisecond})},
		{"a slow engine computer", 6, serial(Line{Baud: 115200, Answer: 50 * time.Millisecond})},
		{"Bluetooth", 6, serial(Line{Baud: 115200, Answer: 15 * time.Millisecond, Delay: 20 * time.Millisecond})},
		{"an adapter that takes three", 3, serial(Line{Baud: 38400, Answer: 5 * time.Millisecond})},
		{"an adapter that takes one", 1, serial(Line{Baud: 38400, Answer: 5 * time.Millisecond})},
		{"an old bus", 1, linear(90*time.Millisecond, 0)},
		{"dear frames", 6, framewise},
	} {
		for name, channels := range map[string][]Channel{"six alone": six(), "a four-cylinder engine": mixture(), "two banks": vee()} {
			t.Run(link.name+", "+name, func(t *testing.T) {
				d := trip{cost: link.cost}
				d.drive(t, newPlanner(channels, link.places, usualLeads), length)
				for _, c := range channels {
					all := d.intervals(c.PID)
					require.NotEmpty(t, all, "%s %s", c.Class, c.PID)
					if c.Class == Fast && len(all) > 0 {
						ratio := float64(all[len(all)*99/100]) / float64(all[len(all)/2])
						assert.LessOrEqual(t, ratio, 1.25, "%s", c.PID)
					}
				}
			})
		}
	}
}

// Where a round is one or two requests, others cannot come in without making it much longer. Then the fast channels get
// their three quarters of the link all the same.
func TestPlannerPrefersReadingsToEvennessWhereARoundIsShort(t *testing.T) {
	channels := []Channel{{PID: 0x0C}, {PID: 0x42, Class: Normal}}
	d := trip{cost: linear(10*time.Millisecond, 0)}
	d.drive(t, newPlanner(channels, 1, nil), time.Minute)
	assert.InDelta(t, 98, d.perSecond(0x0C, time.Minute), 0.5)
	assert.InDelta(t, 2, d.perSecond(0x42, time.Minute), 0.1)
}

// The planner, which knows nothing of lines and frames' times, finds by trying what brute force finds by arithmetic: the
// best of all ways to put the fast channels into requests, of which there are 203 for six and 4140 for eight.
func TestPlannerGroupsByWhatRequestsCost(t *testing.T) {
	const length = time.Minute
	wide := []Channel{{PID: 0x0C}, {PID: 0x34}, {PID: 0x38}, {PID: 0x0B}, {PID: 0x0D}, {PID: 0x05}, {PID: 0x43}}
	for _, channels := range [][]Channel{six(), six()[:5], append(six(), Channel{PID: 0x0E}, Channel{PID: 0x06}), wide} {
		var widths []int
		for _, c := range channels {
			widths = append(widths, widthOf(c.PID)-1)
		}
		for _, l := range []Line{
			{Baud: 9600, Answer: time.Millisecond}, {Baud: 38400, Answer: 5 * time.Millisecond}, {Baud: 115200, Answer: 5 * time.Millisecond},
			{Baud: 500000, Answer: 2 * time.Millisecond}, {Baud: 115200, Answer: 15 * time.Millisecond, Delay: 20 * time.Millisecond},
		} {
			d := trip{cost: serial(l)}
			d.drive(t, newPlanner(channels, 6, usualLeads), length)
			fast := 0.0
			for _, c := range channels {
				fast += d.perSecond(c.PID, length)
			}
			assert.InDelta(t, 1, fast/l.Limit(widths...), 0.03, "%v over %+v", channels, l)
		}
	}
	t.Run("frames that cost more than in proportion: one frame each", func(t *testing.T) {
		d := trip{cost: framewise}
		d.drive(t, newPlanner(six(), 6, usualLeads), length)
		assert.InEpsilon(t, 1/0.060, d.perSecond(0x0C, length), 0.03)
	})
}

func TestPlannerLearnsThatTheLinkHasChanged(t *testing.T) {
	p := newPlanner(six(), 6, usualLeads)
	d := trip{cost: linear(20*time.Millisecond, time.Millisecond)}
	d.drive(t, p, time.Minute)
	assert.Greater(t, d.requests[6], 2000)
	d.cost = framewise
	d.drive(t, p, 15*time.Second)
	d.drive(t, p, time.Minute)
	assert.Less(t, d.requests[6], 10, "but for trying")
	assert.Greater(t, d.requests[3], 900)
	d.cost = linear(20*time.Millisecond, time.Millisecond)
	d.drive(t, p, 2*time.Minute)
	d.drive(t, p, time.Minute)
	assert.Greater(t, d.requests[6], 2000)
}

func TestPlannerAsksTheTrimOfBank2OnlyBehindAnotherWhereItCan(t *testing.T) {
	dangers := []Channel{{PID: 0x08}}
	t.Run("one in a request: alone, which takes longer", func(t *testing.T) {
		for _, class := range []Class{Fast, Normal} {
			d := trip{cost: func(ask []obd.PID) time.Duration {
				if ask[0] == 0x08 {
					return 300 * time.Millisecond
				}
				return 100 * time.Millisecond
			}}
			p := newPlanner([]Channel{{PID: 0x0C}, {PID: 0x06}, {PID: 0x08, Class: class}}, 1, []obd.PID{0x0C})
			d.drive(t, p, 2*time.Minute)
			d.drive(t, p, 2*time.Minute)
			assert.Greater(t, d.perSecond(0x08, 2*time.Minute), 0.7, "%s", class)
			assert.Greater(t, d.perSecond(0x06, 2*time.Minute), 1.9, "%s", class)
			assert.True(t, p.costs.known(d.now, proved))
			assert.Equal(t, 300*time.Millisecond, p.costs.of(proved))
			assert.Equal(t, 100*time.Millisecond, p.costs.of(shape{1, 1}), "what two steps cost is no other request's cost")
		}
	})
	t.Run("several: behind a borrowed one", func(t *testing.T) {
		d := trip{cost: linear(10*time.Millisecond, 0)}
		d.drive(t, newPlanner(dangers, 6, []obd.PID{0x0C}), time.Minute)
		assert.Greater(t, d.perSecond(0x08, time.Minute), 97.0)
		assert.Empty(t, d.answered[0x0C], "it was asked for its number only")
	})
	t.Run("nothing to borrow", func(t *testing.T) {
		d := trip{cost: linear(time.Millisecond, 0)}
		d.drive(t, newPlanner(dangers, 6, nil), time.Second)
		assert.Empty(t, d.asked)
	})
	t.Run("a fast channel that is borrowed comes at its own times only", func(t *testing.T) {
		channels := []Channel{{PID: 0x0C}, {PID: 0x10}, {PID: 0x08}}
		d := trip{cost: framewise} // two requests: 0C and another, and one behind 0C
		d.drive(t, newPlanner(channels, 2, []obd.PID{0x0C}), time.Minute)
		assert.Greater(t, d.asked[0x0C], len(d.answered[0x0C])+1000)
		for _, c := range channels {
			all := d.intervals(c.PID)
			assert.LessOrEqual(t, all[len(all)*99/100], 41*time.Millisecond)
		}
	})
}

// Load has requests of its own, which take longer than others, and neither starves nor lets others starve.
func TestPlannerAsksLoadApart(t *testing.T) {
	twoSteps := func(cost func([]obd.PID) time.Duration) func([]obd.PID) time.Duration {
		return func(ask []obd.PID) time.Duration {
			if ask[0] == 0x04 {
				return 4 * cost(ask)
			}
			return cost(ask)
		}
	}
	line := twoSteps(serial(Line{Baud: 38400, Answer: 5 * time.Millisecond}))
	for _, tt := range []struct {
		name     string
		channels []Channel
		places   int
		cost     func([]obd.PID) time.Duration
		least    float64 // readings of load a second
	}{
		{"as the only one", []Channel{{PID: 0x04}}, 6, line, 20},
		{"one parameter in a request", append(six(), Channel{PID: 0x04, Class: Normal}), 1, line, 1.5},
		{"fast among fast ones", append(six(), Channel{PID: 0x04}), 6, line, 12},
		{"twice a second beside fast ones", append(six(), Channel{PID: 0x04, Class: Normal}), 6, line, 1.5},
		{"twice a second beside all others", append(vee(), Channel{PID: 0x04, Class: Normal}), 6, line, 1.5},
		{"on a slow link", append(six(), Channel{PID: 0x04, Class: Normal}), 6, twoSteps(linear(60*time.Millisecond, time.Millisecond)), 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := trip{cost: tt.cost}
			p := newPlanner(tt.channels, tt.places, usualLeads)
			d.drive(t, p, time.Minute)
			d.drive(t, p, time.Minute)
			assert.GreaterOrEqual(t, d.perSecond(0x04, time.Minute), tt.least)
			for _, c := range tt.channels {
				wanted := 1 / max(c.every(), 500*time.Millisecond).Seconds()
				assert.Greater(t, d.perSecond(c.PID, time.Minute), 0.5*wanted, "%s %s", c.Class, c.PID)
			}
			for i, c := range tt.channels {
				t.Logf("%d %s %s %.1f", i, c.Class, c.PID, d.perSecond(c.PID, time.Minute))
			}
		})
	}
}

func TestLead(t *testing.T) {
	for _, tt := range []struct {
		name   string
		ask    []obd.PID
		places int
		leads  []obd.PID
		want   []obd.PID
	}{
		{"already good", []obd.PID{0x0C, 0x08}, 6, nil, []obd.PID{0x0C, 0x08}},
		{"trim first", []obd.PID{0x08, 0x10, 0x0B}, 6, nil, []obd.PID{0x0B, 0x10, 0x08}},
		{"air flow alone", []obd.PID{0x10}, 6, []obd.PID{0x0C}, []obd.PID{0x10}},
		{"air flow among its like", []obd.PID{0x10, 0x11}, 6, []obd.PID{0x0C}, []obd.PID{0x0C, 0x10, 0x11}},
		{"no place left", []obd.PID{0x10, 0x11}, 2, []obd.PID{0x0C}, []obd.PID{0x0C, 0x10}},
		{"nothing better", []obd.PID{0x08, 0x10}, 6, nil, []obd.PID{0x10, 0x08}},
		{"nothing at all", []obd.PID{0x08}, 6, nil, []obd.PID{}},
		{"trim where there is but one place", []obd.PID{0x08}, 1, []obd.PID{0x0C}, []obd.PID{0x08}},
		{"load alone", []obd.PID{0x04}, 6, []obd.PID{0x0C}, []obd.PID{0x04}},
		{"answers' numbers are no services", []obd.PID{0x34, 0x44}, 6, nil, []obd.PID{0x44, 0x34}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, borrowed := lead(slices.Clone(tt.ask), tt.places, tt.leads)
			assert.Equal(t, tt.want, got)
			assert.Equal(t, borrowed != 0, len(got) > 0 && !slices.Contains(tt.ask, got[0]))
		})
	}
}

func FuzzPlanner(f *testing.F) {
	f.Add([]byte{0x0C, 0, 0x0B, 0, 0x04, 1, 0x42, 2}, byte(6), byte(0x0C), byte(20), byte(3), byte(2), byte(0))
	f.Add([]byte{0x10, 0, 0x11, 0}, byte(2), byte(0x0D), byte(90), byte(0), byte(0), byte(0))
	f.Add([]byte{0x04, 0, 0x08, 1}, byte(1), byte(0), byte(1), byte(0), byte(0), byte(0))
	f.Add([]byte{0x0C, 0, 0x34, 0, 0x10, 0, 0x8C, 1, 0x01, 2, 0x42, 1, 0x2E, 1}, byte(5), byte(0x05), byte(6), byte(30), byte(40), byte(7))
	f.Fuzz(func(t *testing.T, list []byte, places, leadPID, fixed, perPID, perFrame, mute byte) {
		var channels []Channel
		for i := 0; i+1 < len(list) && len(channels) < 16; i += 2 {
			channels = append(channels, Channel{PID: obd.PID(list[i]), Class: Class(list[i+1] % 3), Every: time.Duration(list[i+1]>>2) * 50 * time.Millisecond})
		}
		p := newPlanner(channels, 1+int(places%6), []obd.PID{obd.PID(leadPID)})
		d := trip{strict: mute&0x80 != 0}
		if mute &= 0x7F; mute > 1 {
			d.mute = func(a obd.PID, _ time.Duration) bool { return byte(a)%mute == 0 }
		}
		d.cost = func(ask []obd.PID) time.Duration {
			n := 1
			for _, a := range ask {
				n += widthOf(a)
			}
			return 5*time.Millisecond + time.Duration(int(fixed)+len(ask)*int(perPID)/8+framesOf(n)*int(perFrame)/8)*time.Millisecond
		}
		answered := map[obd.PID]bool{}
		for requests := 0; requests < 3000 && d.now < time.Hour; {
			d.drive(t, p, time.Second)
			for a := range d.answered {
				answered[a] = true
			}
			for _, n := range d.requests {
				requests += n
			}
		}
		for _, c := range channels {
			if p.askable(c.PID) && (d.mute == nil || !d.mute(c.PID, 0) && !(d.strict && d.mute(obd.PID(leadPID), 0))) {
				require.True(t, answered[c.PID], "%s %s starved", c.Class, c.PID)
			}
		}
	})
}

func BenchmarkPlanner(b *testing.B) {
	p := newPlanner(mixture(), 6, usualLeads)
	cost := serial(Line{Baud: 38400, Answer: 5 * time.Millisecond})
	var got [256]uint8
	for i := range got {
		got[i] = uint8(max(1, widthOf(obd.PID(i))-1))
	}
	var now time.Duration
	b.ReportAllocs()
	for b.Loop() {
		ask, wait := p.next(now)
		if len(ask) == 0 {
			now += wait
			continue
		}
		took := cost(ask)
		now += took
		p.done(now, took, ask, &got)
	}
}
