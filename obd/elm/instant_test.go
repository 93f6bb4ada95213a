package elm_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

// delayed is a stream with a transport of its own in between, as a radio is: what is written on one side comes out on
// the other after at least, and up to spread more, in order. Bytes that come out in the same instant come out together.
func delayed(far net.Conn, least, spread time.Duration) io.ReadWriteCloser {
	near, mid := net.Pipe()
	type packet struct {
		at   time.Time
		data []byte
	}
	carry := func(to io.WriteCloser, from io.Reader, seed uint64) {
		random := rand.New(rand.NewPCG(4, seed))
		packets := make(chan packet, 10_000)
		go func() {
			defer close(packets)
			var last time.Time
			for {
				b := make([]byte, 300)
				n, err := from.Read(b)
				if err != nil {
					return
				}
				at := time.Now().Add(least + time.Duration(random.Float64()*float64(spread)))
				if at.Before(last) {
					at = last
				}
				last = at
				packets <- packet{at, b[:n]}
			}
		}()
		for p := range packets {
			time.Sleep(time.Until(p.at))
			for more := true; more; { // what has come out by now comes out together
				select {
				case q, ok := <-packets:
					if more = ok && !q.at.After(time.Now()); ok {
						p.data = append(p.data, q.data...)
						if !more {
							time.Sleep(time.Until(q.at))
						}
					}
				default:
					more = false
				}
			}
			if _, err := to.Write(p.data); err != nil {
				break
			}
		}
		to.Close()
	}
	go carry(far, mid, 1)
	go carry(mid, far, 2)
	return near
}

// instants measures how far the stated instants are from the virtual engine computer's true ones.
type instants struct {
	n        int
	squares  float64
	halves   time.Duration
	worst    time.Duration // error beyond the stated bound, must not be positive
	smallest time.Duration // half width
}

func (i *instants) rms() time.Duration {
	return time.Duration(math.Sqrt(i.squares/float64(i.n)) * float64(time.Second))
}

// run asks n times over a stream made by link and compares.
func (i *instants) run(t *testing.T, o obdtest.Options, eo elm.Options, delay, sampled func() float64, requests []obd.Request,
	focus obd.Address, rounds int, link func(net.Conn) io.ReadWriteCloser) {
	t.Helper()
	*i = instants{smallest: time.Hour, worst: -time.Hour}
	synctest.Test(t, func(t *testing.T) {
		truth := map[obd.Address]time.Time{} // of the latest answer
		for k, e := range o.ECUs {
			o.ECUs[k].Answer = func(r []byte, at time.Time) []byte {
				truth[e.Address] = at
				return e.Answer(r, at)
			}
			o.ECUs[k].Delay = func() time.Duration { return time.Duration(delay() * float64(time.Second)) }
			o.ECUs[k].Sampled = sampled
		}
		a := obdtest.New(o)
		stream := link(a.Dial())
		c := elm.New(stream, eo)
		defer a.Wait()
		defer c.Close()
		open(t, c)
		require.NoError(t, c.Focus(t.Context(), focus))
		for range rounds {
			for _, r := range requests {
				answer, err := c.Request(t.Context(), r)
				synctest.Wait()
				if errors.Is(err, obd.ErrNoAnswer) {
					continue // it came after the adapter's time-out, which follows the answering time
				}
				require.NoError(t, err)
				at, half := answer.Instant()
				require.False(t, answer.Earliest.Before(answer.Sent))
				require.False(t, answer.Latest.After(answer.First))
				for _, m := range answer.Messages {
					off := truth[m.From].Sub(at)
					i.n++
					i.squares += off.Seconds() * off.Seconds()
					i.worst = max(i.worst, off.Abs()-half)
				}
				i.halves += half
				i.smallest = min(i.smallest, half)
			}
		}
	})
	i.halves /= time.Duration(i.n)
}

var six = obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x0C, 0x04, 0x0D}}

// What the engine computers measured lies within the stated bound, whatever the line, the bus, the transport and the
// computers do; and on the modelled link the error is small.
func TestInstants(t *testing.T) {
	direct := func(c net.Conn) io.ReadWriteCloser { return c }
	for _, baud := range []int{9600, 38400, 500000} {
		for _, given := range []bool{true, false} {
			for i := range protocols {
				protocol := protocols[i]
				t.Run(fmt.Sprintf("%d baud, given %v, protocol %c", baud, given, protocol), func(t *testing.T) {
					random := rand.New(rand.NewPCG(1, uint64(baud)))
					eo := elm.Options{}
					if given {
						eo.Pace = 10 * time.Second / time.Duration(baud)
					}
					requests := []obd.Request{rpm, speed(0), ask(obd.VehicleInfo, 2)}
					if protocol >= '6' {
						requests = append(requests, six)
					}
					delay := func() float64 { return 0.040 * random.Float64() }
					var i instants
					i.run(t, obdtest.Options{Baud: baud, Protocol: protocol, ECUs: car(protocol, 0)}, eo, delay, random.Float64, requests, 0, 12, direct)
					require.LessOrEqual(t, i.worst, time.Duration(0), "the bound was broken")
				})
			}
		}
	}
}

func TestInstantsOverATransport(t *testing.T) {
	for _, tt := range []struct {
		name          string
		least, spread time.Duration
	}{
		{"3 ms", 3 * time.Millisecond, 0}, {"a lively radio", 10 * time.Millisecond, 20 * time.Millisecond}, {"nothing but jitter", 0, 15 * time.Millisecond},
	} {
		for _, baud := range []int{38400, 115200} {
			t.Run(fmt.Sprintf("%s, %d baud", tt.name, baud), func(t *testing.T) {
				random := rand.New(rand.NewPCG(2, 2))
				var i instants
				i.run(t, obdtest.Options{Baud: baud, ECUs: car('6', 0)}, elm.Options{}, func() float64 { return 0.040 * random.Float64() }, random.Float64,
					[]obd.Request{rpm, speed(0), six, ask(obd.VehicleInfo, 2)}, 0, 50, func(c net.Conn) io.ReadWriteCloser { return delayed(c, tt.least, tt.spread) })
				require.LessOrEqual(t, i.worst, time.Duration(0), "the bound was broken")
				t.Logf("error %v RMS, bound %v on average", i.rms(), i.halves)
			})
		}
	}
}

// On the modelled link (CAN 500 kbit/s, an engine computer that answers in 5 ms, give or take 2) the error is at most
// 3 ms RMS, or half the answering time's spread.
func TestInstantsOfTheModelledLink(t *testing.T) {
	for _, tt := range []struct {
		name  string
		baud  int
		pace  bool
		delay time.Duration
	}{
		{"38400 baud", 38400, true, 0}, {"115200 baud", 115200, true, 0}, {"500000 baud", 500000, true, 0},
		{"TCP with 3 ms", 115200, false, 3 * time.Millisecond}, {"TCP with 3 ms, a slow line behind", 38400, false, 3 * time.Millisecond},
	} {
		t.Run(tt.name, func(t *testing.T) {
			random := rand.New(rand.NewPCG(3, 3))
			eo := elm.Options{}
			if tt.pace {
				eo.Pace = 10 * time.Second / time.Duration(tt.baud)
			}
			link := func(c net.Conn) io.ReadWriteCloser { return c }
			if tt.delay > 0 {
				link = func(c net.Conn) io.ReadWriteCloser { return delayed(c, tt.delay, 0) }
			}
			var i instants
			i.run(t, obdtest.Options{Baud: tt.baud, ECUs: car('6', 0)}, eo, func() float64 { return 0.003 + 0.004*random.Float64() }, random.Float64,
				[]obd.Request{six, rpm}, 0x7E8, 200, link)
			t.Logf("error %v RMS, bound %v on average, %v at best", i.rms(), i.halves, i.smallest)
			assert.LessOrEqual(t, i.rms(), 3*time.Millisecond)
			assert.LessOrEqual(t, i.worst, time.Duration(0))
			if tt.pace {
				assert.Less(t, i.halves, 4*time.Millisecond, "half of 5 ms, and what is not known of the adapter")
			}
		})
	}
}

// An engine computer behind a slow gateway answers later than it may. Its answers are waited for, and none is taken for the answer
// to the question after its own; that it always was so slow, or is so from some time on, or now and then.
func TestInstantsOfALateComputer(t *testing.T) {
	for _, tt := range []struct {
		name  string
		delay func(n int) time.Duration
		o     obdtest.Options
		lost  int // requests
	}{
		{"95 ms", func(int) time.Duration { return 95 * time.Millisecond }, obdtest.Options{}, 0},
		{"101 ms", func(int) time.Duration { return 101 * time.Millisecond }, obdtest.Options{}, 0},
		{"104 ms", func(int) time.Duration { return 104 * time.Millisecond }, obdtest.Options{}, 0},
		{"130 ms", func(int) time.Duration { return 130 * time.Millisecond }, obdtest.Options{}, 0},
		{"190 ms", func(int) time.Duration { return 190 * time.Millisecond }, obdtest.Options{}, 0},
		{"104 ms, no count", func(int) time.Duration { return 104 * time.Millisecond }, obdtest.Options{NoCount: true}, 0},
		{"104 ms, no adaptive time-out", func(int) time.Duration { return 104 * time.Millisecond }, obdtest.Options{Refused: []string{"AT"}}, 1},
		{"from 10 ms to 104 ms", func(n int) time.Duration { return []time.Duration{10, 104}[min(1, n/40)] * time.Millisecond }, obdtest.Options{}, 2},
		{"from 10 ms to 150 ms", func(n int) time.Duration { return []time.Duration{10, 150}[min(1, n/40)] * time.Millisecond }, obdtest.Options{}, 2},
		{"110 ms now and then", func(n int) time.Duration { return 10*time.Millisecond + time.Duration(n%23/22)*100*time.Millisecond }, obdtest.Options{}, 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var truth []time.Time
				asked := 0
				tt.o.ECUs = []obdtest.ECU{{Address: 0x7E8, Delay: func() time.Duration { asked++; return tt.delay(asked) }, Answer: func(r []byte, at time.Time) []byte {
					truth = append(truth, at)
					return engine(r, at)
				}}}
				a := obdtest.New(tt.o)
				c := elm.New(a.Dial(), elm.Options{Pace: pace38400})
				defer a.Wait()
				defer c.Close()
				open(t, c)
				require.NoError(t, c.Focus(t.Context(), 0x7E8))
				lost := 0
				for range 200 {
					answer, err := c.Request(t.Context(), obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x0C}, Bytes: 4})
					synctest.Wait()
					if err != nil {
						require.ErrorIs(t, err, obd.ErrNoAnswer)
						lost++
						continue
					}
					at := truth[len(truth)-1]
					require.False(t, at.Before(answer.Earliest) || at.After(answer.Latest), "measured at %v, said to be from %v to %v",
						at, answer.Earliest, answer.Latest)
				}
				assert.LessOrEqual(t, lost, tt.lost)
			})
		})
	}
}

// A pace that cannot be right is not believed.
func TestPaceIsCheckedAgainstTheLink(t *testing.T) {
	o := obdtest.Options{Baud: 115200, ECUs: car('6', 8*time.Millisecond)}
	withOptions(t, o, elm.Options{Pace: pace38400}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
		info := open(t, c)
		assert.Less(t, info.Pace, 10*time.Second/115200)
		assert.Greater(t, info.Pace, 10*time.Second/115200/2)
		assert.Greater(t, info.RoundTrip, 5*10*time.Second/115200)
	})
	withOptions(t, o, elm.Options{Pace: 10 * time.Second / 115200}, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
		info := open(t, c)
		assert.InDelta(t, 86.8e-6, info.Pace.Seconds(), 3e-6)
	})
}
