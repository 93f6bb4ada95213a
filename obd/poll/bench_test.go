package poll_test

import (
	"bytes"
	"context"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
	"underdash/obd/pid"
	"underdash/obd/poll"
)

// bench is a virtual adapter with one engine computer behind it, which notes when it sampled what it answered. Every
// answer's values are the answer's number, so that a reading tells which answer it came in.
type bench struct {
	adapter *obdtest.Adapter
	mu      sync.Mutex  // guards what follows
	sampled []time.Time // by answer
}

// benchOptions say what is behind the adapter.
type benchOptions struct {
	baud int
	seed uint64
	// The engine computer answers after a time between these two, any being equally likely, and samples at any instant
	// of it.
	soonest, latest time.Duration
	supported       []obd.PID
}

func newBench(o benchOptions) *bench {
	b := &bench{}
	random := rand.New(rand.NewPCG(o.seed, 1)) // used by the adapter's goroutine only
	b.adapter = obdtest.New(obdtest.Options{Baud: o.baud, ECUs: []obdtest.ECU{{
		Address: 0x7E8,
		Delay:   func() time.Duration { return o.soonest + time.Duration(random.Float64()*float64(o.latest-o.soonest)) },
		Sampled: random.Float64,
		Answer:  func(request []byte, at time.Time) []byte { return b.answer(o.supported, request, at) },
	}}})
	return b
}

func (b *bench) answer(supported []obd.PID, request []byte, at time.Time) []byte {
	if len(request) < 2 || request[0] != 0x01 {
		return nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	payload := []byte{0x41}
	for _, p := range request[1:] {
		switch {
		case p&0x1F == 0:
			payload = append(append(payload, p), bitmap(supported, obd.PID(p))...)
		case slices.Contains(supported, obd.PID(p)):
			width, _ := pid.Width(obd.PID(p))
			data := make([]byte, width)
			for i := range data { // big-endian
				data[i] = byte(len(b.sampled) >> (8 * (width - 1 - i)))
			}
			payload = append(append(payload, p), data...)
		}
	}
	if len(payload) == 1 {
		return nil
	}
	b.sampled = append(b.sampled, at)
	return payload
}

func bitmap(supported []obd.PID, base obd.PID) []byte {
	bits := make([]byte, 4)
	for _, p := range supported {
		switch n := int(p) - int(base) - 1; {
		case n >= 0 && n < 32:
			bits[n/8] |= 0x80 >> (n % 8)
		case n >= 32:
			bits[3] |= 1 // there is a next bitmap
		}
	}
	return bits
}

// result is what a run of the poller came to.
type result struct {
	readings  int           // of all channels
	perSecond float64       // fast readings, from the first to the last
	uneven    float64       // the worst fast channel's 99th percentile of its interval over the median
	rms       time.Duration // of the instants' error
	half      time.Duration // the largest bound of an instant
	outside   int           // readings whose true instant is not within their bound
	rates     []poll.Rate
}

// run polls channels over a link for so long and holds the readings against what the engine computer did.
func (b *bench) run(t *testing.T, link io.ReadWriteCloser, o elm.Options, channels []poll.Channel, length time.Duration) result {
	conn := elm.New(link, o)
	defer conn.Close()
	_, err := conn.Open(t.Context())
	require.NoError(t, err)
	found, err := poll.Discover(t.Context(), conn)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), length)
	defer cancel()
	p := poll.New(conn, found, poll.Options{Channels: channels})
	var readings []poll.Reading
	require.ErrorIs(t, p.Run(ctx, func(r poll.Reading) {
		r.Data = bytes.Clone(r.Data)
		readings = append(readings, r)
	}), context.DeadlineExceeded)
	res := b.judge(t, readings, channels)
	res.rates = p.Rates()
	return res
}

func (b *bench) judge(t *testing.T, readings []poll.Reading, channels []poll.Channel) result {
	require.NotEmpty(t, readings)
	b.mu.Lock()
	defer b.mu.Unlock()
	res := result{readings: len(readings)}
	fast := map[obd.PID][]time.Time{}
	for _, c := range channels {
		if c.Class == poll.Fast {
			fast[c.PID] = nil
		}
	}
	answer, squares, count := 0, 0.0, 0
	for _, r := range readings {
		answer = b.which(t, r, answer)
		e := r.At.Sub(b.sampled[answer])
		squares += e.Seconds() * e.Seconds()
		res.half = max(res.half, r.Half)
		if e.Abs() > r.Half {
			res.outside++
		}
		if _, ok := fast[r.PID]; ok {
			fast[r.PID] = append(fast[r.PID], r.At)
			count++
		}
	}
	res.rms = time.Duration(math.Sqrt(squares/float64(len(readings))) * float64(time.Second))
	res.perSecond = float64(count) / readings[len(readings)-1].At.Sub(readings[0].At).Seconds()
	for _, at := range fast {
		require.Greater(t, len(at), 100, "for percentiles")
		intervals := make([]time.Duration, 0, len(at))
		for i := 1; i < len(at); i++ {
			intervals = append(intervals, at[i].Sub(at[i-1]))
		}
		slices.Sort(intervals)
		res.uneven = max(res.uneven, float64(intervals[len(intervals)*99/100])/float64(intervals[len(intervals)/2]))
	}
	return res
}

// which tells the answer that a reading came in: the next one whose number ends in the reading's bytes.
func (b *bench) which(t *testing.T, r poll.Reading, from int) int {
	number, bits := 0, 8*len(r.Data)
	for _, x := range r.Data {
		number = number<<8 | int(x)
	}
	for n := from; n < len(b.sampled); n++ {
		if n&(1<<min(bits, 32)-1) == number {
			return n
		}
	}
	require.Fail(t, "a reading of no answer", "%s %X", r.PID, r.Data)
	return 0
}

// inBubble runs f with a bench in a synctest bubble and takes the bench down.
func inBubble(t *testing.T, o benchOptions, f func(t *testing.T, b *bench)) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(o)
		f(t, b)
		b.adapter.Wait()
	})
}

// delayed is a network: whatever goes through it arrives later by a fixed time.
type delayed struct {
	far   net.Conn
	out   chan parcel
	in    chan parcel
	rest  []byte
	ended sync.WaitGroup
}

type parcel struct {
	bytes []byte
	due   time.Time
}

func delay(far net.Conn, by time.Duration) *delayed {
	d := &delayed{far: far, out: make(chan parcel, 64), in: make(chan parcel, 64)}
	arrivals := make(chan parcel, 64)
	d.ended.Go(func() { // to the far end
		for p := range d.out {
			time.Sleep(time.Until(p.due.Add(by)))
			_, _ = far.Write(p.bytes)
		}
	})
	d.ended.Go(func() { // from it
		defer close(arrivals)
		for {
			buf := make([]byte, 512)
			n, err := far.Read(buf)
			if err != nil {
				return
			}
			arrivals <- parcel{buf[:n], time.Now()}
		}
	})
	d.ended.Go(func() {
		defer close(d.in)
		for p := range arrivals {
			time.Sleep(time.Until(p.due.Add(by)))
			d.in <- p
		}
	})
	return d
}

func (d *delayed) Write(b []byte) (int, error) {
	d.out <- parcel{bytes.Clone(b), time.Now()}
	return len(b), nil
}

func (d *delayed) Read(b []byte) (int, error) {
	for len(d.rest) == 0 {
		p, ok := <-d.in
		if !ok {
			return 0, io.EOF
		}
		d.rest = p.bytes
	}
	n := copy(b, d.rest)
	d.rest = d.rest[n:]
	return n, nil
}

func (d *delayed) Close() error {
	close(d.out)
	err := d.far.Close()
	for range d.in {
	}
	d.ended.Wait()
	return err
}
