//go:build linux || windows

package poll_test

import (
	"context"
	"fmt"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/rzetterberg/elmobd"
	"github.com/stretchr/testify/require"

	"underdash/obd/elm"
	"underdash/obd/obdtest"
	"underdash/obd/poll"
)

// serve puts the bench's adapter behind a TCP port, as a Wi-Fi adapter is. Who connects last is served: elmobd has no way
// to close a connection.
func serve(t *testing.T, adapter *obdtest.Adapter) (address string) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var accepting, serving sync.WaitGroup
	accepting.Go(func() {
		end := func() {}
		for {
			conn, err := listener.Accept()
			end()
			serving.Wait()
			if err != nil {
				return
			}
			ctx, cancel := context.WithCancel(context.Background())
			end = cancel
			serving.Go(func() {
				defer conn.Close()
				_ = adapter.Serve(ctx, withoutLineFeeds{conn})
			})
		}
	})
	t.Cleanup(func() {
		require.NoError(t, listener.Close())
		accepting.Wait()
	})
	return listener.Addr().String()
}

// withoutLineFeeds drops the line feed that elmobd sends behind every carriage return. To the adapter it is a character
// like any other, which stops the request that has just begun. It costs elmobd nothing that way.
type withoutLineFeeds struct{ net.Conn }

func (c withoutLineFeeds) Read(b []byte) (int, error) {
	for {
		n, err := c.Conn.Read(b)
		kept := 0
		for _, x := range b[:n] {
			if x != '\n' {
				b[kept] = x
				kept++
			}
		}
		if kept > 0 || err != nil {
			return kept, err
		}
	}
}

// theirs asks for the six channels in elmobd's own loop and returns how many readings a second it got.
func theirs(t *testing.T, address string, length time.Duration) float64 {
	device, err := elmobd.NewDevice("tcp://"+address, false)
	require.NoError(t, err)
	readings, start := 0, time.Now()
	for time.Since(start) < length {
		got, err := device.RunManyOBDCommands([]elmobd.OBDCommand{
			elmobd.NewEngineRPM(), elmobd.NewVehicleSpeed(), elmobd.NewTimingAdvance(),
			elmobd.NewThrottlePosition(), elmobd.NewIntakeManifoldPressure(), elmobd.NewIntakeAirTemperature(),
		})
		require.NoError(t, err)
		if readings == 0 {
			start = time.Now() // the first round looked for the protocol
		}
		readings += len(got)
	}
	return float64(readings-6) / time.Since(start).Seconds()
}

// ours asks for the same with the poller.
func ours(t *testing.T, address string, channels []poll.Channel, length time.Duration) float64 {
	stream, err := net.Dial("tcp", address)
	require.NoError(t, err)
	conn := elm.New(stream, elm.Options{})
	defer conn.Close()
	_, err = conn.Open(t.Context())
	require.NoError(t, err)
	found, err := poll.Discover(t.Context(), conn)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), length)
	defer cancel()
	readings := 0
	var first, last time.Time
	require.ErrorIs(t, poll.New(conn, found, poll.Options{Channels: channels}).Run(ctx, func(r poll.Reading) {
		if last = r.At; readings == 0 {
			first = r.At
		}
		readings++
	}), context.DeadlineExceeded)
	return float64(readings) / last.Sub(first).Seconds()
}

// TestNumbersLinkElmobd measures in real time, since elmobd opens sockets only: the same channels from the same virtual
// adapter over the same kind of connection, one after the other.
func TestNumbersLinkElmobd(t *testing.T) {
	quick, seed := numbersMode(t)
	for _, row := range []struct {
		baud             int
		times, timesLoud float64 // at least; on a noisy machine
	}{{38400, 4, 2.5}, {115200, 6, 3.5}} {
		length, bound := 10*time.Second, row.times
		if quick {
			length, bound = 3*time.Second, row.timesLoud
		}
		answer := 5 * time.Millisecond
		b := newBench(benchOptions{baud: row.baud, seed: seed, soonest: answer, latest: answer, supported: six})
		address := serve(t, b.adapter)
		them := theirs(t, address, length)
		us := ours(t, address, fastChannels(six), length)
		number(fmt.Sprintf("six fast channels against elmobd's own loop, %d baud", row.baud),
			fmt.Sprintf("%.0f/s, %.0f/s: %.1f times", us, them, us/them), fmt.Sprintf(">= %.1f times", bound), us >= bound*them)
	}
}
