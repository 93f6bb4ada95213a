package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/health"
	"underdash/daemon/rig"
	"underdash/obd/elm"
	"underdash/store"
)

// linked is a virtual car on a real tty or socket, and a running daemon that logs it.
type linked struct {
	injection
	t       *testing.T
	car     *rig.Car
	running *rig.Running
	cfg     config.Config
	o       Options
	daemon  *Daemon
	way     way
	release func() error
	cancel  context.CancelFunc
	run     sync.WaitGroup
	store   string
	met     time.Duration // how long the fault was there before it was met, at the most
}

func startLinked(t *testing.T, i injection, o Options, car rig.Options) *linked {
	car.RefreshRate = 20
	l := &linked{injection: i, t: t, car: rig.New(car)}
	dir := t.TempDir()
	start := l.car.Start
	if i.tcp {
		start = l.car.StartTCP
	}
	var err error
	l.running, err = start(context.Background(), dir)
	require.NoError(t, err)
	l.store = filepath.Join(dir, "sessions")
	l.cfg, err = config.Parse("virtual car", []byte(strings.Replace(l.running.ConfigFor(l.store), "rate = 100", "rate = 10", 1)))
	require.NoError(t, err)
	l.o = o
	if i.faked {
		l.o.Dial = l.way.dial
	}
	if testing.Verbose() {
		l.o.Log = slog.New(slog.NewTextHandler(t.Output(), nil)).With("link", i.name)
	}
	return l
}

// start starts the daemon.
func (l *linked) start() {
	ready := make(chan struct{})
	l.o.Ready = func() { close(ready) }
	l.daemon = New(l.cfg, l.o)
	ctx, cancel := context.WithCancel(context.Background())
	l.cancel = cancel
	l.run.Go(func() { assert.NoError(l.t, l.daemon.Run(ctx)) })
	<-ready
}

// halt ends the daemon; stop ends the car too.
func (l *linked) halt() {
	l.cancel()
	l.run.Wait()
}

func (l *linked) stop() {
	l.halt()
	assert.NoError(l.t, l.running.Close())
}

// counts are the part's counters and state.
func (l *linked) part(name string) health.Part {
	for _, p := range l.daemon.Status().Parts {
		if p.Name == name {
			return p
		}
	}
	return health.Part{}
}

// until waits for something that must come; how long it may take is only a bound against a hang of the test.
func until(what string, done func() bool) error {
	for end := time.Now().Add(time.Minute); !done(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			return fmt.Errorf("still waiting for %s", what)
		}
	}
	return nil
}

// round injects the fault, waits until the table's row has met it, ends it, and returns how long the link took to be
// back.
func (l *linked) round() (back time.Duration, err error) {
	seen, begun := l.part(OBDPart).Counts[l.row], time.Now()
	if err := l.begin(l); err != nil {
		return 0, err
	}
	if err := until("the table's row "+l.row, func() bool { return l.part(OBDPart).Counts[l.row] > seen }); err != nil {
		return 0, err
	}
	l.met = max(l.met, time.Since(begun))
	if err := l.end(l); err != nil {
		return 0, err
	}
	ended := time.Now()
	before := l.part(OBDPart).Counts["readings"]
	err = until("the link to be back", func() bool {
		p := l.part(OBDPart)
		return p.State == health.Working && p.Counts["readings"] > before
	})
	return time.Since(ended), err
}

// hurried is a daemon that waits for nothing long.
var hurried = Options{Retry: 100 * time.Millisecond, MostWait: 200 * time.Millisecond, Silent: time.Second, Dialogue: elm.Options{
	Timeout: 400 * time.Millisecond, SearchTimeout: 8 * time.Second, ResetTimeout: 800 * time.Millisecond, AbortTimeout: 200 * time.Millisecond}}

// openFiles counts this process's descriptors.
func openFiles(t *testing.T) int {
	entries, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	return len(entries) - 1 // the directory's own
}

// For every row of the table of faults: the fault is injected into a running daemon over a real tty (or TCP), the link
// comes back, the gap is in the session with its reason, the other source is undisturbed; and after all rounds no
// goroutine and no file descriptor is left behind. Two rounds with short time-outs are run by default, and with
//
//	UNDERDASH_NUMBERS=full go test ./daemon -run TestFaultTable -timeout 60m -v
//
// 100 rounds with those of a car.
func TestFaultTable(t *testing.T) {
	rounds, length := 2, 10*time.Minute
	o := hurried
	full := os.Getenv("UNDERDASH_NUMBERS") == "full"
	if full {
		rounds, length, o = 100, 2*time.Hour, Options{}
	}
	covered := map[string]bool{}
	for _, i := range injections {
		covered[i.row] = true
	}
	for _, f := range faults {
		assert.True(t, covered[f.name], "no fault is injected for the table's row %q", f.name)
	}

	// The runtime opens two files of its own with the first that it waits for, and keeps them.
	first, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, first.Close())
	goroutines, files := runtime.NumGoroutine(), openFiles(t)
	var links []*linked
	for _, i := range injections {
		l := startLinked(t, i, o, rig.Options{Length: length})
		l.start()
		links = append(links, l)
	}
	all := func(f func(l *linked)) {
		var wait sync.WaitGroup
		for _, l := range links {
			wait.Go(func() { f(l) })
		}
		wait.Wait()
	}
	all(func(l *linked) {
		// A restart that comes while the adapter is set up is none that anybody would notice.
		assert.NoError(t, until("the drive's beginning", func() bool {
			return l.daemon.Status().Recording != "" && l.part(OBDPart).State == health.Working
		}), l.name)
	})
	worst := make([]time.Duration, len(links))
	var leftGoroutines, leftFiles []int
	for round := range rounds {
		all(func(l *linked) {
			i := slices.Index(links, l)
			back, err := l.round()
			assert.NoError(t, err, "%s: %s", l.name, l.part(OBDPart).Why)
			worst[i] = max(worst[i], back)
		})
		if t.Failed() {
			break
		}
		leftGoroutines, leftFiles = append(leftGoroutines, runtime.NumGoroutine()), append(leftFiles, openFiles(t))
		if full && round%10 == 9 {
			t.Logf("round %d: %d goroutines, %d open files", round+1, leftGoroutines[round], leftFiles[round])
		}
	}
	all(func(l *linked) { l.stop() })
	if t.Failed() {
		return
	}
	// While all is well each round leaves as many as the one before, give or take those that are about to end.
	assert.InDelta(t, leftGoroutines[0], leftGoroutines[rounds-1], 10)
	assert.InDelta(t, leftFiles[0], leftFiles[rounds-1], 10)
	assert.NoError(t, until("all goroutines to end", func() bool { return runtime.NumGoroutine() <= goroutines }))
	assert.Equal(t, files, openFiles(t))
	for i, l := range links {
		l.check(t, rounds)
		if full {
			number(fmt.Sprintf("link back after: %s, worst of %d", l.name, rounds), fmt.Sprintf("%.2f s", worst[i].Seconds()), "5.00 s", worst[i] <= 5*time.Second)
		} else {
			t.Logf("%-60s met after %v, back after %v at the most", l.name, l.met.Round(time.Millisecond), worst[i].Round(time.Millisecond))
		}
	}
}

// check looks at what was recorded.
func (l *linked) check(t *testing.T, rounds int) {
	infos, err := store.List(l.store)
	require.NoError(t, err)
	var gaps int
	for _, info := range infos {
		assert.Equal(t, store.Complete, info.State, l.name)
		assert.Empty(t, gapsOf(info.Meta, "wideband"), "%s: the other source was disturbed", l.name)
		for _, g := range gapsOf(info.Meta, OBDPart) {
			assert.NotEmpty(t, g.Text, l.name)
			assert.Greater(t, g.Until, g.At, l.name)
			gaps++
		}
	}
	assert.GreaterOrEqual(t, gaps, rounds, "%s: the gaps are in the session", l.name)
	assert.Zero(t, l.part("wideband").Counts["faults"], l.name)
}

// An adapter that has another rate than the configuration says is found, and at once the next time.
func TestTheBaudRateIsFound(t *testing.T) {
	t.Parallel()
	l := startLinked(t, injection{name: "another rate"}, hurried, rig.Options{Baud: 115200, StrictBaud: true})
	l.cfg.Adapter.Baud = 9600
	answers := func() error {
		return until("an answer", func() bool { return l.part(OBDPart).State == health.Working })
	}
	l.start()
	require.NoError(t, answers())
	assert.NotZero(t, l.part(OBDPart).Counts["no adapter's answer"], "the configured rate was tried first")
	l.halt()
	assert.Equal(t, 115200, recall(l.store).Baud)
	l.start()
	require.NoError(t, answers())
	assert.Zero(t, l.part(OBDPart).Counts["faults"])
	l.stop()
}
