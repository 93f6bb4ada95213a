package block

import "time"

// Stored returns what is read of samples once they were stored in a block of that tick (0 = DefaultTick): in the order
// of instants, rounded as Append says. Stored again they stay as they are. The error wraps ErrRange.
func Stored(samples []Sample, tick time.Duration) ([]Sample, error) {
	var all []Sample
	for len(samples) > 0 {
		n := min(len(samples), MaxSamples)
		b, err := Append(nil, Header{Tick: tick}, samples[:n])
		if err != nil {
			return nil, err
		}
		if _, all, err = Decode(b, all); err != nil {
			return nil, err
		}
		samples = samples[n:]
	}
	return all, nil
}
