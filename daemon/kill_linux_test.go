package daemon

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
	"underdash/daemon/rig/compare"
	"underdash/daemon/socket"
	"underdash/store"
	"underdash/store/block"
)

// killFlush is the flush interval of the daemon that is killed, and mostLost what a kill may cost: that, and three times
// more for a machine that is busy with other things. A kill comes up to latestKill after the first flush, so that a daemon
// which flushes no more is found out.
const (
	killFlush  = time.Second
	mostLost   = 4 * killFlush
	latestKill = 6 * killFlush
)

// killsOfACar is how often the daemon is killed in one drive, which is long enough for that on a slow machine.
const killsOfACar = 10

// TestKillingTheDaemonLosesNoMoreThanAFlush kills the daemon, the command itself on a real tty, at random instants of a
// drive, one time after the other on the same store.
func TestKillingTheDaemonLosesNoMoreThanAFlush(t *testing.T) {
	t.Parallel()
	kills := 2
	switch {
	case os.Getenv("UNDERDASH_FULL") != "":
		kills = 300
	case os.Getenv("UNDERDASH_NO_SKIP") != "" && !testing.Short():
		kills = 30
	}
	seed, err := strconv.ParseUint(os.Getenv("UNDERDASH_SEED"), 10, 64)
	if err != nil {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("UNDERDASH_SEED=%d", seed)
	command := filepath.Join(t.TempDir(), "underdash")
	out, err := exec.Command("go", "build", "-o", command, "../cmd/underdash").CombinedOutput()
	require.NoError(t, err, string(out))
	// Most of it is waiting for the car, so that several stores are tried side by side.
	stores := min(3, (kills+killsOfACar-1)/killsOfACar)
	for n := range stores {
		t.Run(fmt.Sprintf("store %d", n+1), func(t *testing.T) {
			t.Parallel()
			k := &killing{t: t, dir: t.TempDir(), command: command, samples: make(map[string]uint64)}
			k.sessions = filepath.Join(k.dir, "sessions")
			k.all(rand.New(rand.NewPCG(seed, uint64(n))), kills/stores)
		})
	}
}

// all kills the daemon so many times, and then looks at the store as the next daemon leaves it.
func (k *killing) all(r *rand.Rand, kills int) {
	t := k.t
	for done := 0; done < kills; done += killsOfACar {
		k.oneCar(r, min(killsOfACar, kills-done))
	}

	s, err := store.Open(k.sessions, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	for id, samples := range k.samples {
		path, err := store.Find(k.sessions, id)
		require.NoError(t, err)
		reader, err := store.OpenReader(path)
		require.NoError(t, err)
		assert.Equal(t, store.CutOff, reader.Info().State, id)
		assert.Equal(t, samples, reader.Info().Samples, "%s: closed as it was left", id)
		require.NoError(t, reader.Close())
	}
	assert.NoDirExists(t, filepath.Join(k.sessions, "damaged"), "no file came to harm")
	t.Logf("%d kills; %v were missing at the most", kills, k.worst)
}

type killing struct {
	t                      *testing.T
	dir, sessions, command string
	samples                map[string]uint64 // what is there of each session
	worst                  time.Duration
}

func (k *killing) oneCar(r *rand.Rand, kills int) {
	t := k.t
	car := rig.New(rig.Demo(time.Duration(2+kills)*20*time.Second, r.Uint64()))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	dir := filepath.Join(k.dir, "car")
	running, err := car.Start(ctx, dir)
	require.NoError(t, err)
	defer func() {
		require.NoError(t, running.Close())
		require.NoError(t, os.RemoveAll(dir))
	}()
	file := filepath.Join(k.dir, "underdash.toml")
	text := running.ConfigFor(k.sessions) + "flush = \"" + killFlush.String() + "\"\n\n[network]\nlisten = \"\"\n"
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	for range kills {
		k.once(car, file, time.Duration(r.Int64N(int64(latestKill))))
	}
}

// once runs the daemon until a while after it has begun to record, kills it, and holds what is there against what the
// daemon had said to be stored and against the drive.
func (k *killing) once(car *rig.Car, file string, after time.Duration) {
	t := k.t
	daemon := exec.Command(k.command, "run", "--config", file)
	daemon.Stderr = t.Output()
	require.NoError(t, daemon.Start())
	defer func() {
		_ = daemon.Process.Kill() // again, unless a check has failed
		_ = daemon.Wait()
	}()
	var client *socket.Client
	var stored store.Info
	ask := func() bool {
		if client == nil {
			status, _, ok, err := ReadStatus(k.sessions)
			if err != nil || !ok || status.PID != daemon.Process.Pid || status.Socket == "" {
				return false
			}
			client = socket.New(status.Socket)
			t.Cleanup(client.Close)
		}
		infos, err := client.Sessions(t.Context())
		if err != nil {
			return false
		}
		for _, i := range infos {
			if i.State == store.Recording && i.Samples > 0 {
				stored = i
				return true
			}
		}
		return false
	}
	require.Eventually(t, ask, time.Minute, 20*time.Millisecond, "it records")
	for until := time.Now().Add(after); time.Now().Before(until); time.Sleep(20 * time.Millisecond) {
		require.True(t, ask())
	}
	killed := time.Since(car.Truth().Began())
	require.NoError(t, daemon.Process.Kill())
	_ = daemon.Wait()
	k.holds(car.Truth(), stored, killed)
}

// holds checks a session that was cut off. It is read as anybody may before the daemon comes back.
func (k *killing) holds(truth *rig.Truth, stored store.Info, killed time.Duration) {
	t := k.t
	path, err := store.Find(k.sessions, stored.ID)
	require.NoError(t, err)
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	assert.Equal(t, store.CutOff, r.Info().State)
	assert.GreaterOrEqual(t, r.Info().Samples, stored.Samples, "what was said to be stored is there")
	assert.GreaterOrEqual(t, r.Info().Length+block.DefaultTick, stored.Length)
	k.samples[stored.ID] = r.Info().Samples

	report, err := compare.Session(r, truth)
	require.NoError(t, err)
	assert.Zero(t, report.OBD.Differ, "values that the engine computer did not send")
	a := r.Meta().Anchors[0]
	zero := a.UTC.Add(-a.At).Sub(truth.Began().Round(0)) // of the session, in the drive's time
	last, made := make(map[bool]time.Duration), 0
	for s, err := range r.Samples() {
		require.NoError(t, err)
		analog := r.Meta().Channels[s.Channel].Analog != nil
		last[analog] = max(last[analog], zero+s.At)
		if analog && !shown(truth, zero+s.At, s.Code) {
			made++
		}
	}
	assert.Zero(t, made, "codes that the converter did not show")
	require.Len(t, last, 2, "both sources were stored")
	for _, at := range last {
		k.worst = max(k.worst, killed-at)
		assert.LessOrEqual(t, killed-at, mostLost, "of %s", stored.ID)
	}
}

// shown tells whether a code lies between the least and the greatest that the converter showed in the two seconds before
// an instant, give or take its noise: on a busy machine the virtual one is late to show what it should.
func shown(truth *rig.Truth, at time.Duration, code int64) bool {
	const noise = 16 // codes: the standard deviation, 3 mV at the plug
	least, most := int64(math.MaxInt64), int64(math.MinInt64)
	for back := -5 * time.Millisecond; back < 2*time.Second; back += time.Millisecond {
		c := int64(truth.Code(at - back))
		least, most = min(least, c), max(most, c)
		if least-noise <= code && code <= most+noise {
			return true
		}
	}
	return false
}
