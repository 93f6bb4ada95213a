package poll

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// busy is a car that notices when it is asked by two at a time.
type busy struct {
	*car
	t    *testing.T
	busy bool
}

func (b *busy) Request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	require.False(b.t, b.busy, "asked while it is being asked")
	b.busy = true
	defer func() { b.busy = false }()
	return b.car.Request(ctx, r)
}

func polling(t *testing.T, c *car) (*Poller, *busy) {
	f, err := Discover(t.Context(), c)
	require.NoError(t, err)
	b := &busy{car: c, t: t}
	return New(b, f, Options{Channels: []Channel{{PID: 0x0C}}}), b
}

func TestDoRunsBetweenTwoPolls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, b := polling(t, sedan())
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		done := make(chan error)
		readings := 0
		go func() { done <- p.Run(ctx, func(Reading) { readings++ }) }()

		var order []int
		var asked []int // requests that the car had got by then
		ran := make(chan struct{})
		for i := range 3 {
			p.Do(func(ctx context.Context, car Car) error {
				order, asked = append(order, i), append(asked, len(b.asked))
				_, err := car.Request(ctx, obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x01}})
				require.NoError(t, err)
				if i == 2 {
					close(ran)
				}
				return obd.ErrNoAnswer // no failure of the link
			})
		}
		<-ran
		assert.Equal(t, []int{0, 1, 2}, order)
		assert.Equal(t, 2, asked[1]-asked[0], "a poll between two errands")
		assert.Equal(t, 2, asked[2]-asked[1])
		require.ErrorIs(t, <-done, context.DeadlineExceeded)
		assert.Greater(t, readings, 500)
	})
}

func TestDoEndsRunWithTheLinksError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, _ := polling(t, sedan())
		gone := errors.New("unplugged")
		p.Do(func(context.Context, Car) error { return fmt.Errorf("asking: %w", gone) })
		err := p.Run(t.Context(), func(Reading) {})
		require.ErrorIs(t, err, gone)
		assert.ErrorContains(t, err, "polling 7E8")
	})
}

// An errand keeps until the next Run, and in emit and in an errand new ones may be queued.
func TestDoQueues(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, _ := polling(t, sedan())
		var ran []string
		p.Do(func(context.Context, Car) error {
			ran = append(ran, "before Run")
			p.Do(func(context.Context, Car) error { ran = append(ran, "in an errand"); return nil })
			return nil
		})
		once := false
		emit := func(Reading) {
			if !once {
				once = true
				p.Do(func(context.Context, Car) error { ran = append(ran, "in emit"); return nil })
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		require.ErrorIs(t, p.Run(ctx, emit), context.DeadlineExceeded)
		assert.Equal(t, []string{"before Run", "in an errand", "in emit"}, ran)

		p.Do(func(context.Context, Car) error { ran = append(ran, "after Run"); return nil })
		ended, end := context.WithCancel(t.Context())
		end()
		require.ErrorIs(t, p.Run(ended, emit), context.Canceled)
		assert.Len(t, ran, 3, "ctx has ended")
		ctx, cancel = context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		require.ErrorIs(t, p.Run(ctx, emit), context.DeadlineExceeded)
		assert.Equal(t, "after Run", ran[len(ran)-1])
	})
}

// An errand is not kept waiting while nothing is due, and however long it takes, the car's silence is not counted.
func TestDoAndSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := sedan()
		f, err := Discover(t.Context(), c)
		require.NoError(t, err)
		p := New(c, f, Options{Channels: []Channel{{PID: 0x42, Class: Slow, Every: 4 * time.Second}}, Silent: 5 * time.Second})
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		done := make(chan error)
		go func() { done <- p.Run(ctx, func(Reading) {}) }()
		time.Sleep(10 * time.Second)
		before := time.Now()
		var waited time.Duration
		p.Do(func(ctx context.Context, _ Car) error {
			waited = time.Since(before)
			time.Sleep(8 * time.Second)
			return nil
		})
		require.ErrorIs(t, <-done, context.DeadlineExceeded)
		assert.Less(t, waited, 50*time.Millisecond)
	})
}
