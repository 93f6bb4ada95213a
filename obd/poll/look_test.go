package poll

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// without keeps an engine computer silent for as long as away says so.
func without(c *car, who obd.Address, away func() bool) {
	c.after = func(_ int, _ obd.Request, a *obd.Answer) {
		if away() {
			a.Messages = slices.DeleteFunc(a.Messages, func(m obd.Message) bool { return m.From == who })
		}
	}
}

// looks are the requests for the first bitmap that were put to everybody.
func looks(c *car) (n int) {
	for _, r := range c.asked {
		if r.PIDs[0] == 0x00 && r.To == obd.Everybody {
			n++
		}
	}
	return n
}

func TestTheGearboxIsReadyBeforeTheEngine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		c := sedan()
		without(c, 0x7E8, func() bool { return time.Since(start) < 2500*time.Millisecond })
		f, err := Discover(t.Context(), c)
		require.NoError(t, err)
		require.EqualValues(t, 0x7E9, f.Engine)
		assert.False(t, f.Sure())
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		err = New(c, f, Options{}).Run(ctx, func(r Reading) { require.EqualValues(t, 0x7E9, r.From) })
		require.ErrorIs(t, err, ErrEngineAnswers)
		assert.ErrorContains(t, err, "polling 7E9")
		assert.LessOrEqual(t, time.Since(start), firstLook+time.Second)
		f, err = Discover(t.Context(), c)
		require.NoError(t, err)
		assert.EqualValues(t, 0x7E8, f.Engine)
		assert.True(t, f.Sure())
	})
}

func TestRunLooksWhoElseAnswersWhereItIsNotSure(t *testing.T) {
	speed, none := []obd.PID{0x0C, 0x0D}, []obd.PID{0x0D}
	for _, tt := range []struct {
		name     string
		has      map[obd.Address][]obd.PID
		expected obd.Address
		looks    int // in two minutes: after 3 s, 6 s, 12 s, 24 s and every 30 s
	}{
		{"the usual address", map[obd.Address][]obd.PID{0x7E8: speed, 0x7E9: speed}, 0, 0},
		{"the usual address on an old bus", map[obd.Address][]obd.PID{0x10: speed}, 0, 0},
		{"an unusual one", map[obd.Address][]obd.PID{0x7E9: speed}, 0, 6},
		{"an unusual one that is known", map[obd.Address][]obd.PID{0x7E9: speed, 0x7EA: speed}, 0x7EA, 0},
		{"another than the known one", map[obd.Address][]obd.PID{0x7E9: speed}, 0x7EA, 6},
		{"somebody else at the usual address", map[obd.Address][]obd.PID{0x7E8: none, 0x7E9: speed}, 0, 6},
		{"nobody knows the speed", map[obd.Address][]obd.PID{0x7E8: none}, 0, 6},
		{"nobody is named", map[obd.Address][]obd.PID{0: speed}, 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := &car{delay: 5 * time.Millisecond, talk: 3 * time.Millisecond}
				for from, list := range tt.has {
					e := ecu{from: from, params: map[obd.PID][]string{}}
					for _, p := range list {
						e.params[p] = []string{"\x10\x00"[:widthOf(p)-1]}
					}
					c.ecus = append(c.ecus, e)
				}
				f, err := Rediscover(t.Context(), c, tt.expected)
				require.NoError(t, err)
				assert.Equal(t, tt.looks == 0, f.Sure())
				c.asked = nil
				ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
				defer cancel()
				require.ErrorIs(t, New(c, f, Options{}).Run(ctx, func(Reading) {}), context.DeadlineExceeded)
				assert.Equal(t, tt.looks, looks(c))
			})
		})
	}
}

// A look that nobody answers, or whose answers are nonsense, changes nothing; one that the link fails with ends Run.
func TestLookingInVain(t *testing.T) {
	for _, tt := range []struct {
		name   string
		answer obd.Answer
		err    error
		want   error
	}{
		{"silence", obd.Answer{}, fmt.Errorf("lost: %w", obd.ErrNoAnswer), context.DeadlineExceeded},
		{"too short", obd.Answer{Messages: []obd.Message{{From: 0x7E8, Payload: []byte{0x41, 0x00, 0xFF}}}}, nil, context.DeadlineExceeded},
		{"another's answer", obd.Answer{Messages: []obd.Message{{From: 0x7E8, Payload: []byte{0x41, 0x20, 0xFF, 0xFF, 0xFF, 0xFF}}}}, nil,
			context.DeadlineExceeded},
		{"unplugged", obd.Answer{}, errUnplugged, errUnplugged},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := sedan()
				c.ecus = c.ecus[1:]
				f, err := Discover(t.Context(), c)
				require.NoError(t, err)
				c.asked = nil
				c.before = func(_ int, r obd.Request) (obd.Answer, error, bool) { return tt.answer, tt.err, r.PIDs[0] == 0x00 }
				ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
				defer cancel()
				require.ErrorIs(t, New(c, f, Options{}).Run(ctx, func(Reading) {}), tt.want)
				assert.NotZero(t, looks(c))
			})
		})
	}
}
