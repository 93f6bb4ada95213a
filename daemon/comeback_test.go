package daemon

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/daemon/rig"
	"underdash/obd/obdtest"
	"underdash/obd/port"
	"underdash/store"
)

// plug is the way to the adapter in a bubble, where it can be blocked.
type plug struct {
	b *bubble

	mu   sync.Mutex // guards what follows
	why  error      // why nothing can be opened; nil = it can
	open net.Conn
}

func (p *plug) dial(context.Context, string, int) (io.ReadWriteCloser, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.why != nil {
		return nil, &port.Error{Op: "open", Address: "the virtual car's adapter", Err: p.why}
	}
	p.open = p.b.car.Adapter().Dial()
	return p.open, nil
}

// pull closes what is open, and lets nothing be opened for the given reason.
func (p *plug) pull(why error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.why = why
	_ = p.open.Close()
}

func (p *plug) push() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.why = nil
}

// blocked is a fault in a bubble.
type blocked struct {
	name       string
	says       string // in the session
	begin, end func(b *bubble, p *plug)
}

func adapterFault(name, says string, f obdtest.Fault) blocked {
	return blocked{name, says, func(b *bubble, _ *plug) { b.car.Adapter().SetFault(f) }, func(b *bubble, _ *plug) { b.car.Adapter().SetFault(obdtest.NoFault) }}
}

func lineFault(name, says string, why error) blocked {
	return blocked{name, says, func(_ *bubble, p *plug) { p.pull(why) }, func(_ *bubble, p *plug) { p.push() }}
}

// The link is back within 5 s of a fault's end, whatever the fault, however long it lasted; the gap is in the session
// with its reason, and the other source goes on. With UNDERDASH_NUMBERS=full the fault ends at many phases of the tries.
func TestTheLinkComesBackByItself(t *testing.T) {
	durations := []time.Duration{700 * time.Millisecond, 6300 * time.Millisecond, 8100 * time.Millisecond, 12300 * time.Millisecond, 18400 * time.Millisecond, 21300 * time.Millisecond}
	mode := os.Getenv("UNDERDASH_NUMBERS")
	for d := 6 * time.Second; mode == "full" && d < 21*time.Second; d += 370 * time.Millisecond {
		durations = append(durations, d)
	}
	for _, f := range []blocked{
		adapterFault("a silent car", "the car does not answer", obdtest.SilentCar),
		adapterFault("a sleeping bus", "the car does not answer", obdtest.SleepingBus),
		adapterFault("an adapter that says nothing", "adapter", obdtest.Dead),
		adapterFault("a hang in mid-answer", "adapter", obdtest.Hang),
		adapterFault("garbage", "damaged", obdtest.Garbage),
		adapterFault("a wrong baud rate", "baud rate", obdtest.WrongBaud),
		lineFault("unplugged", "no adapter at this address", port.ErrNotFound),
		lineFault("another program on the port", "another program", port.ErrBusy),
		lineFault("no permission", "may not open", port.ErrPermission),
		lineFault("no serial port", "not a serial port", port.ErrNotSerial),
		lineFault("too many open files", "too many files", port.ErrTooManyFiles),
		{"the adapter restarts", "restarted", func(b *bubble, _ *plug) { b.car.Adapter().BrownOut() }, func(*bubble, *plug) {}},
	} {
		worst := time.Duration(0)
		for _, lasts := range durations {
			t.Run(f.name+" for "+lasts.String(), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					o := rig.Demo(time.Minute, 1)
					o.RefreshRate = 20
					b := newBubble(t, o)
					b.cfg.Analog[0].Rate = 10
					p := &plug{b: b}
					b.o.Dial = p.dial
					b.start()
					began := time.Now()
					time.Sleep(15*time.Second + 333*time.Millisecond)
					f.begin(b, p)
					time.Sleep(lasts)
					f.end(b, p)
					end := time.Since(began)
					time.Sleep(10 * time.Second)
					infos := b.stop()
					require.Len(t, infos, 1)
					m := infos[0].Meta
					assert.Empty(t, gapsOf(m, "wideband"))
					gaps := gapsOf(m, OBDPart)
					// What is shorter than the time-outs may be over before anybody noticed.
					if lasts > 5*time.Second && f.name != "the adapter restarts" {
						require.NotEmpty(t, gaps)
						assert.Contains(t, gaps[len(gaps)-1].Text, f.says)
					}
					for _, g := range gaps {
						require.NotEqual(t, store.StillOpen, g.Until)
						assert.LessOrEqual(t, g.Until-end, 5*time.Second, "%v", g)
						worst = max(worst, g.Until-end)
					}
					r := b.compare(infos[0].ID)
					assert.Zero(t, r.OBD.Differ)
					assert.Zero(t, r.OBD.Late)
				})
			})
		}
		if mode != "" {
			number(fmt.Sprintf("link back after %s, worst of %d, simulated", f.name, len(durations)), fmt.Sprintf("%.2f s", worst.Seconds()), "5.00 s", worst <= 5*time.Second)
		} else {
			t.Logf("%-32s back %v after its end at the most", f.name, worst.Round(time.Millisecond))
		}
	}
}

// A daemon that starts while the car still sleeps has its first reading within 5 s of the car's awakening, too: the protocol is
// known from the drive before, and a search would miss it. Where the logger has come into a car of another protocol that one is
// found within a minute.
func TestTheDaemonStartsBeforeTheCar(t *testing.T) {
	for _, row := range []struct {
		name, protocol string
		wakes, within  time.Duration
	}{
		{"awake after 1 s", "6", time.Second, 5 * time.Second},
		{"awake after 3.5 s", "6", 3500 * time.Millisecond, 5 * time.Second},
		{"awake after 7 s", "6", 7 * time.Second, 5 * time.Second},
		{"awake after 13 s", "6", 13 * time.Second, 5 * time.Second},
		{"awake after 25 s", "6", 25 * time.Second, 5 * time.Second},
		{"another car", "8", 0, time.Minute},
		{"another car, the old one had a K-line", "3", 0, time.Minute},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := rig.Demo(3*time.Minute, 1)
				o.RefreshRate = 20
				b := newBubble(t, o)
				b.cfg.Analog = nil
				known := fmt.Sprintf(`{"address": "the virtual car's adapter", "baud": 38400, "protocol": %q}`, row.protocol)
				require.NoError(t, os.MkdirAll(b.cfg.Store.Path, 0o755))
				require.NoError(t, os.WriteFile(filepath.Join(b.cfg.Store.Path, MemoryFile), []byte(known), 0o644))
				if row.wakes > 0 {
					b.car.Adapter().SetFault(obdtest.SleepingBus)
				}
				b.start()
				time.Sleep(row.wakes)
				b.car.Adapter().SetFault(obdtest.NoFault)
				time.Sleep(row.within)
				assert.True(t, b.daemon.reads(OBDPart))
				b.stop()
			})
		})
	}
}

// An adapter that was left at another rate with its echo off says nothing to what it does not understand, and is found all the same.
// One that was met is not looked for at other rates when it falls silent, which would only take time.
func TestASilentAdapterIsLookedForAtOtherRates(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := rig.Demo(5*time.Minute, 1)
		o.RefreshRate = 20
		b := newBubble(t, o)
		b.cfg.Analog = nil
		var deaf sync.WaitGroup
		var rates []int
		b.o.Dial = func(_ context.Context, _ string, baud int) (io.ReadWriteCloser, error) {
			if rates = append(rates, baud); baud == 9600 {
				return b.car.Adapter().Dial(), nil
			}
			near, far := net.Pipe()
			deaf.Go(func() { _, _ = io.Copy(io.Discard, far) })
			return near, nil
		}
		b.start()
		time.Sleep(2 * time.Minute)
		assert.True(t, b.daemon.reads(OBDPart))
		b.car.Adapter().SetFault(obdtest.Dead)
		time.Sleep(2 * time.Minute)
		b.stop()
		deaf.Wait()
		require.Contains(t, rates, 9600)
		before, other := slices.Index(rates, 9600), 0
		for _, baud := range rates[:before] {
			if baud != 38400 {
				other++
			}
		}
		assert.LessOrEqual(t, 4*other, before, "the likeliest rate keeps most of the tries: %v", rates)
		for _, baud := range rates[before:] {
			assert.Equal(t, 9600, baud)
		}
	})
}

// patient is the stream of a radio link that cannot tell whether it is connected.
type patient struct{ net.Conn }

func (patient) Patience() time.Duration { return port.RadioPatience }

// A radio link that has been opened is waited for on the same stream: to open it again would begin its connection anew.
func TestARadioLinkIsWaitedFor(t *testing.T) {
	for _, row := range []struct {
		name    string
		radio   bool
		connect time.Duration
		opened  int // times, at the most and at the least
	}{
		{"a radio link that takes its time", true, 28 * time.Second, 1},
		{"a wire", false, 28 * time.Second, 8},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := rig.Demo(time.Minute, 1)
				o.RefreshRate = 20
				b := newBubble(t, o)
				b.cfg.Analog[0].Rate = 10
				b.car.Adapter().SetFault(obdtest.Dead)
				opened := 0
				b.o.Dial = func(context.Context, string, int) (io.ReadWriteCloser, error) {
					opened++
					c := b.car.Adapter().Dial()
					if row.radio {
						return patient{c}, nil
					}
					return c, nil
				}
				b.start()
				time.Sleep(row.connect)
				b.car.Adapter().SetFault(obdtest.NoFault)
				time.Sleep(5 * time.Second)
				state, why := b.part(OBDPart)
				assert.Equal(t, string(health.Working), state, why)
				b.stop()
				if row.radio {
					assert.Equal(t, row.opened, opened)
				} else {
					assert.GreaterOrEqual(t, opened, row.opened)
				}
			})
		})
	}
}
