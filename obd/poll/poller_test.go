package poll

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// run discovers the car, polls it for the given time in a bubble, and returns what was emitted, with copied data.
func run(t *testing.T, c *car, o Options, length time.Duration) (p *Poller, readings []Reading, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		f, ferr := Discover(t.Context(), c)
		require.NoError(t, ferr)
		c.asked = nil
		p = New(c, f, o)
		ctx, cancel := context.WithTimeout(t.Context(), length)
		defer cancel()
		err = p.Run(ctx, func(r Reading) {
			r.Data = bytes.Clone(r.Data)
			readings = append(readings, r)
		})
	})
	return p, readings, err
}

func longest(c *car) int {
	n := 0
	for _, r := range c.asked[len(c.asked)/2:] { // behind the probe
		n = max(n, len(r.PIDs))
	}
	return n
}

func TestRunEmitsWhatTheEngineSaid(t *testing.T) {
	c := sedan()
	p, readings, err := run(t, c, Options{}, 20*time.Second)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	assert.Equal(t, 6, longest(c))
	got := map[obd.PID]int{}
	for _, r := range readings {
		require.EqualValues(t, 0x7E8, r.From)
		require.Equal(t, c.ecus[0].params[r.PID][0], string(r.Data), "%s", r.PID)
		// The virtual car sends its first byte 5 ms after the request.
		require.Equal(t, 2500*time.Microsecond, r.Half)
		got[r.PID]++
	}
	for _, ch := range p.Channels() {
		assert.NotZero(t, got[ch.PID], "%s %s", ch.Class, ch.PID)
	}
	assert.NotContains(t, got, obd.PID(0xA6), "odometer is not in the default set")
	for _, r := range c.asked {
		assert.NotEqual(t, obd.PID(0x08), r.PIDs[0])
		assert.True(t, len(r.PIDs) == 1 || !slices.Contains(r.PIDs, 0x04), "%v", r)
		assert.Equal(t, obd.CurrentData, r.Service)
	}
	for i := 1; i < len(readings); i++ {
		require.False(t, readings[i].At.Before(readings[i-1].At))
	}
	for _, r := range p.Rates() {
		assert.EqualValues(t, got[r.PID], r.Readings, "%s", r.PID)
		assert.GreaterOrEqual(t, r.Requests, r.Readings)
		assert.GreaterOrEqual(t, r.Asked, r.Got)
		assert.InDelta(t, float64(got[r.PID])/20, r.Got, 0.1+0.05*r.Got)
		if r.Class != Fast {
			assert.InDelta(t, r.Wanted, r.Got, 0.25*r.Wanted, "%s", r.PID)
		}
		assert.Positive(t, r.Worst)
	}
	assert.Positive(t, p.Dropped(), "the other engine computer's answers")
}

func TestRunFindsOutHowManyFitInARequest(t *testing.T) {
	for _, tt := range []struct {
		name string
		set  func(c *car)
		o    Options
		want int
	}{
		{"six", func(c *car) {}, Options{}, 6},
		{"three", func(c *car) { c.packs = 3 }, Options{}, 3},
		{"one", func(c *car) { c.packs = 1 }, Options{}, 1},
		{"told to take one", func(c *car) {}, Options{MaxPIDs: 1}, 1},
		{"older bus", func(c *car) { c.ecus[0].from = 0x10 }, Options{}, 1},
		{"constants come back wrong when packed", func(c *car) {
			c.after = func(n int, r obd.Request, a *obd.Answer) {
				if i := bytes.Index(a.Messages[0].Payload, []byte{0x51, 0x01}); i >= 0 && len(r.PIDs) > 1 {
					a.Messages[0].Payload[i+1] = 0x02
				}
			}
		}, Options{}, 1},
		{"a constant came twice, once disturbed", func(c *car) {
			c.after = func(n int, r obd.Request, a *obd.Answer) {
				if len(r.PIDs) == 1 && r.PIDs[0] == 0x4F {
					a.Messages = append(a.Messages, obd.Message{From: 0x7E8, Payload: []byte{0x41, 0x4F, 0, 0, 0, 0x23}})
				}
			}
		}, Options{}, 6},
		{"answers are cut to one frame", func(c *car) {
			c.after = func(n int, r obd.Request, a *obd.Answer) {
				if p := &a.Messages[0].Payload; r.Service == obd.CurrentData && len(r.PIDs) > 1 && len(*p) > 7 {
					*p = (*p)[:7]
				}
			}
		}, Options{}, 1},
		{"the adapter stumbles over several", func(c *car) {
			c.before = func(n int, r obd.Request) (obd.Answer, error, bool) {
				return obd.Answer{}, errors.New("buffer full"), len(r.PIDs) > 1
			}
		}, Options{}, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := sedan()
			tt.set(c)
			_, readings, err := run(t, c, tt.o, 5*time.Second)
			require.ErrorIs(t, err, context.DeadlineExceeded)
			assert.Equal(t, tt.want, longest(c))
			assert.NotEmpty(t, readings)
		})
	}
}

// focusing is a car that can be focused, and notes it.
type focusing struct {
	*car
	to  []obd.Address
	err error
}

func (f *focusing) Focus(_ context.Context, to obd.Address) error {
	f.to = append(f.to, to)
	return f.err
}

func TestRunFocusesOnTheEngine(t *testing.T) {
	gone := errors.New("unplugged")
	for _, want := range []error{context.DeadlineExceeded, gone} {
		synctest.Test(t, func(t *testing.T) {
			c := &focusing{car: sedan()}
			f, err := Discover(t.Context(), c)
			require.NoError(t, err)
			assert.Empty(t, c.to)
			for _, r := range c.asked {
				assert.Equal(t, obd.Everybody, r.To, "%v", r)
			}
			c.asked = nil
			if want == gone {
				c.err = gone
			}
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			require.ErrorIs(t, New(c, f, Options{}).Run(ctx, func(Reading) {}), want)
			assert.Equal(t, []obd.Address{0x7E8}, c.to)
			for _, r := range c.asked {
				assert.Zero(t, r.To, "%v", r)
			}
		})
	}
}

// Every poll says how long its answer is if every parameter is answered; two bytes of a trim count once they were seen.
func TestRunTellsTheAnswersLength(t *testing.T) {
	c := sedan()
	c.ecus = c.ecus[:1]
	c.ecus[0].params[0x06] = []string{"\x81\x82"}
	told := 0
	c.after = func(n int, r obd.Request, a *obd.Answer) {
		if r.Bytes > 0 && n > 100 {
			require.Len(t, a.Messages[0].Payload, r.Bytes, "%v", r)
			told++
		}
	}
	_, _, err := run(t, c, Options{}, 10*time.Second)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	assert.Greater(t, told, 300)
}

func TestRunFallsBackWhenPackingStops(t *testing.T) {
	c := sedan()
	c.after = func(n int, r obd.Request, a *obd.Answer) {
		if n > 100 && len(r.PIDs) > 1 {
			a.Messages = nil
		}
	}
	_, readings, err := run(t, c, Options{}, 20*time.Second)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	assert.Equal(t, 1, longest(c))
	last := map[obd.PID]time.Time{}
	for _, r := range readings {
		last[r.PID] = r.At
	}
	end := readings[len(readings)-1].At
	for _, a := range []obd.PID{0x0C, 0x0B, 0x10, 0x34} {
		assert.Less(t, end.Sub(last[a]), time.Second, "%s is answered again", a)
	}
}

func TestRunUsesOnlyAnswersToWhatWasAsked(t *testing.T) {
	for _, tt := range []struct {
		name   string
		mangle func(a *obd.Answer)
	}{
		{"stale answer of another parameter", func(a *obd.Answer) {
			a.Messages = []obd.Message{{From: 0x7E8, Payload: []byte{0x41, 0x5C, 0x99}}}
		}},
		{"another sender", func(a *obd.Answer) {
			a.Messages = []obd.Message{{From: 0x7E9, Payload: []byte{0x41, 0x0C, 0x99, 0x99}}}
		}},
		{"a byte too many", func(a *obd.Answer) {
			a.Messages = []obd.Message{{From: 0x7E8, Payload: []byte{0x41, 0x0C, 0x99, 0x99, 0x99}}}
		}},
		{"a byte too few", func(a *obd.Answer) {
			a.Messages = []obd.Message{{From: 0x7E8, Payload: []byte{0x41, 0x0C, 0x99}}}
		}},
		{"a refusal", func(a *obd.Answer) {
			a.Messages = []obd.Message{{From: 0x7E8, Payload: []byte{0x7F, 0x01, 0x12}}}
		}},
		{"another service", func(a *obd.Answer) {
			a.Messages = []obd.Message{{From: 0x7E8, Payload: []byte{0x59, 0x02, 0xFF}}}
		}},
		{"the same twice", func(a *obd.Answer) {
			a.Messages = append(a.Messages, obd.Message{From: 0x7E8, Payload: []byte{0x41, 0x0C, 0x99, 0x99}})
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := sedan()
			mangled := 0
			c.after = func(n int, r obd.Request, a *obd.Answer) {
				if n%3 == 2 && len(r.PIDs) == 1 && r.PIDs[0] == 0x0C {
					mangled++
					tt.mangle(a)
				}
			}
			p, readings, err := run(t, c, Options{MaxPIDs: 1, Channels: []Channel{{PID: 0x0C}}}, time.Second)
			require.ErrorIs(t, err, context.DeadlineExceeded)
			require.Greater(t, mangled, 10)
			assert.NotEmpty(t, readings)
			for _, r := range readings {
				require.Equal(t, []byte{0x0A, 0x8E}, r.Data)
			}
			assert.GreaterOrEqual(t, p.Dropped(), uint64(mangled))
			assert.LessOrEqual(t, len(readings), len(c.asked))
		})
	}
}

func TestRunToleratesAParameterThatStaysSilent(t *testing.T) {
	for _, tt := range []struct {
		name   string
		strict bool // the engine computer refuses a request whole if it has one parameter that it cannot answer
		max    int
		want   int // parameters in a request
	}{
		{"one in a request", false, 1, 1},
		{"several in a request", false, 6, 6},
		{"several, refused whole", true, 6, 5},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := sedan()
			c.ecus[0].params[0x0B] = []string{""}
			c.before = func(n int, r obd.Request) (obd.Answer, error, bool) {
				return obd.Answer{}, obd.ErrNoAnswer, tt.strict && slices.Contains(r.PIDs, 0x0B)
			}
			p, readings, err := run(t, c, Options{MaxPIDs: tt.max}, 30*time.Second)
			require.ErrorIs(t, err, context.DeadlineExceeded)
			assert.NotEmpty(t, readings)
			assert.GreaterOrEqual(t, longest(c), tt.want)
			for _, r := range p.Rates() {
				switch r.PID {
				case 0x0B:
					assert.Zero(t, r.Readings)
					assert.Less(t, r.Requests, uint64(12))
					assert.Greater(t, r.Requests, uint64(2), "it is tried again")
				case 0x0C:
					assert.Greater(t, r.Readings, uint64(300))
				}
			}
		})
	}
}

func TestRunReturns(t *testing.T) {
	gone := errors.New("unplugged")
	for _, tt := range []struct {
		name   string
		o      Options
		before func(n int, r obd.Request) (obd.Answer, error, bool)
		want   error
	}{
		{"the link's error", Options{}, func(n int, r obd.Request) (obd.Answer, error, bool) {
			return obd.Answer{}, fmt.Errorf("reading: %w", gone), n > 50
		}, gone},
		{"a car that falls silent", Options{}, func(n int, r obd.Request) (obd.Answer, error, bool) {
			return obd.Answer{}, obd.ErrNoAnswer, n > 50
		}, obd.ErrNoAnswer},
		{"nothing of what is wanted", Options{Channels: []Channel{{PID: 0x66}}}, nil, ErrNothingToAsk},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := sedan()
			c.before = tt.before
			_, _, err := run(t, c, tt.o, time.Minute)
			require.ErrorIs(t, err, tt.want)
			assert.ErrorContains(t, err, "polling 7E8")
		})
	}
}

func TestRunWaitsAsLongAsItIsTold(t *testing.T) {
	for _, silent := range []time.Duration{0, 2 * time.Second} {
		want := silent
		if want == 0 {
			want = 5 * time.Second
		}
		synctest.Test(t, func(t *testing.T) {
			c := sedan()
			f, err := Discover(t.Context(), c)
			require.NoError(t, err)
			c.ecus = nil
			start := time.Now()
			err = New(c, f, Options{Silent: silent, MaxPIDs: 1}).Run(t.Context(), func(Reading) { t.Error("a silent car gave a reading") })
			require.ErrorIs(t, err, obd.ErrNoAnswer)
			took := time.Since(start)
			assert.GreaterOrEqual(t, took, want)
			assert.Less(t, took, want+time.Second)
		})
	}
}

func TestRunAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sedan()
		f, err := Discover(t.Context(), c)
		require.NoError(t, err)
		p := New(c, f, Options{Channels: []Channel{{PID: 0x0C}}})
		for range 2 {
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			require.ErrorIs(t, p.Run(ctx, func(Reading) {}), context.DeadlineExceeded)
			cancel()
			time.Sleep(10 * time.Second)
		}
		r := p.Rates()[0]
		assert.GreaterOrEqual(t, r.Worst, 10*time.Second, "the time between two runs is a gap")
		assert.Less(t, r.Worst, 11*time.Second)
	})
}

func TestRatesWhileRunning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sedan()
		f, err := Discover(t.Context(), c)
		require.NoError(t, err)
		p := New(c, f, Options{})
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		done := make(chan error)
		go func() { done <- p.Run(ctx, func(Reading) {}) }()
		time.Sleep(500 * time.Millisecond)
		assert.Positive(t, p.Rates()[0].Readings)
		require.ErrorIs(t, <-done, context.DeadlineExceeded)
	})
}
