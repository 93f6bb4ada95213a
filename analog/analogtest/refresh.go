package analogtest

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Refresh asks for new codes rate times a second, on a grid that starts now, and sets them, until ctx ends; then it
// returns nil. codes gets the time since the start. A refresh that comes too late for its place on the grid is
// left out. While the device is taken away it goes on without effect.
func (d *Device) Refresh(ctx context.Context, rate float64, codes func(time.Duration) map[string]int32) error {
	if !(rate > 0 && rate <= 10000) {
		return fmt.Errorf("refreshing a virtual device: %g a second is not between 0 and 10000", rate)
	}
	period := time.Duration(float64(time.Second) / rate)
	start := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		now := time.Since(start)
		for channel, code := range codes(now) {
			if err := d.Set(channel, code); err != nil && !errors.Is(err, ErrGone) {
				return err
			}
		}
		next := (time.Since(start)/period + 1) * period
		timer.Reset(next - time.Since(start))
	}
}
