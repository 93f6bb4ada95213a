package iio

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/analog"
)

// sysfsNumber is an attribute of the kernel's own that holds a whole number, on every Linux: reading it takes the way through sysfs that
// reading a converter takes, but for the bus.
const sysfsNumber = "/sys/class/net/lo/mtu"

// number prints one row of a table of numbers.
func number(name, measured, bound string, ok bool) {
	verdict := "ok"
	if !ok {
		verdict = "short"
	}
	fmt.Printf("number\t%s\t%s\t%s\t%s\n", name, measured, bound, verdict)
}

// cpu is the time that this process has computed for.
func cpu(t *testing.T) time.Duration {
	var use syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &use))
	return time.Duration(use.Utime.Nano() + use.Stime.Nano())
}

// TestNumbersMixtureSampler measures the sampler at 250 readings a second against a bare loop of the same reads, turn by turn in one run.
func TestNumbersMixtureSampler(t *testing.T) {
	mode := os.Getenv("UNDERDASH_NUMBERS")
	if mode == "" {
		t.Skip("a measurement, run by .ci/numbers")
	}
	const rate = 250
	turns, length, most := 6, 10*time.Second, 3
	if mode == "quick" {
		turns, length = 3, 2*time.Second
	}
	dir := tree(t, map[string]string{"in_voltage_scale": "0.125\n"})
	raw := filepath.Join(dir, "in_voltage0_raw")
	from := "sysfs"
	if text, err := os.ReadFile(sysfsNumber); err != nil || strings.TrimSpace(string(text)) == "" {
		from = "a file"
		require.NoError(t, os.WriteFile(raw, []byte("65536\n"), 0o600))
	} else {
		require.NoError(t, os.Symlink(sysfsNumber, raw))
	}
	c, err := Open(dir, "voltage0", Options{})
	require.NoError(t, err)
	defer c.Close()

	var sampled, bare time.Duration
	gaps, readings, worst, bareGaps := 0, 0, time.Duration(0), 0
	for range turns {
		before := cpu(t)
		g, n, w := sampleFor(t, c, rate, length)
		sampled += cpu(t) - before
		gaps, readings, worst = gaps+g, readings+n, max(worst, w)
		before = cpu(t)
		bareGaps += bareLoop(t, raw, rate, length)
		bare += cpu(t) - before
	}
	span := time.Duration(turns) * length
	share := 0.95
	if mode == "quick" { // others use the machine too: what the bare loop suffers is not the sampler's
		most, share = max(most, 2*bareGaps+10), 0.5
	}
	number(fmt.Sprintf("sampler, %d Hz from %s, %v: gaps over 2 periods", rate, from, span), fmt.Sprintf("%d (bare %d), most %.0f ms", gaps, bareGaps, worst.Seconds()*1e3), fmt.Sprintf("%d", most),
		gaps <= most && readings > int(share*rate*span.Seconds()))
	ratio, bound := sampled.Seconds()/bare.Seconds(), 1.5
	if mode == "quick" {
		bound = 2
	}
	number("sampler, CPU against a bare loop of the same reads", fmt.Sprintf("%.2f times", ratio), fmt.Sprintf("%.1f times", bound), ratio <= bound && !math.IsNaN(ratio))
}

func sampleFor(t *testing.T, c *Channel, rate float64, length time.Duration) (gaps, n int, worst time.Duration) {
	ctx, cancel := context.WithTimeout(t.Context(), length)
	defer cancel()
	var last time.Time
	err := analog.NewSampler(c, rate).Run(ctx, func(r analog.Reading) {
		if n++; n > 1 {
			gap := r.At.Sub(last)
			if gap.Seconds() > 2/rate {
				gaps++
			}
			worst = max(worst, gap)
		}
		last = r.At
	})
	require.ErrorIs(t, err, context.DeadlineExceeded)
	return gaps, n, worst
}

// bareLoop does what cannot be left out: wait, and read the number from the file's start. It counts gaps too: more than it has no sampler can
// be blamed for.
func bareLoop(t *testing.T, path string, rate float64, length time.Duration) (gaps int) {
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	fd := int(f.Fd())
	var b [32]byte
	sum := int32(0)
	start := time.Now()
	last := start
	for i := range int(length.Seconds() * rate) {
		time.Sleep(time.Until(start.Add(time.Duration(float64(i) / rate * float64(time.Second)))))
		n, err := syscall.Pread(fd, b[:], 0)
		if err != nil {
			t.Fatal(err)
		}
		code, _ := parseCode(b[:n])
		sum += code
		now := time.Now()
		if now.Sub(last).Seconds() > 2/rate {
			gaps++
		}
		last = now
	}
	return gaps
}
