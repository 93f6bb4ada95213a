package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
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

// A source that is missing or wrong is named in one sentence while the daemon runs, and the other source logs on.
func TestAFaultOfOneSourceLeavesTheOther(t *testing.T) {
	for _, row := range []struct {
		name  string
		fault func(b *bubble)
		part  string
		why   []string // words that its sentence must hold
		works string
	}{
		{"no such adapter", func(b *bubble) {
			b.o.Dial = func(ctx context.Context, _ string, baud int) (io.ReadWriteCloser, error) {
				return port.Open(ctx, filepath.Join(b.dir, "ttyUSB0"), port.Options{Baud: baud})
			}
		}, OBDPart, []string{"ttyUSB0"}, "wideband"},
		{"a silent car", func(b *bubble) { b.car.Adapter().SetFault(obdtest.SilentCar) }, OBDPart, []string{"the car does not answer", "ignition"}, "wideband"},
		{"a sleeping bus", func(b *bubble) { b.car.Adapter().SetFault(obdtest.SleepingBus) }, OBDPart, []string{"car"}, "wideband"},
		{"an adapter that never says anything", func(b *bubble) { b.car.Adapter().SetFault(obdtest.Dead) }, OBDPart, []string{"adapter", "no"}, "wideband"},
		{"a wrong baud rate", func(b *bubble) { b.car.Adapter().SetFault(obdtest.WrongBaud) }, OBDPart, []string{"adapter"}, "wideband"},
		{"no such converter", func(b *bubble) { b.cfg.Analog[0].Device = filepath.Join(b.dir, "iio:device9") }, "wideband", []string{"iio:device9"}, OBDPart},
		{"no such channel", func(b *bubble) { b.cfg.Analog[0].Channel = "voltage7" }, "wideband", []string{"voltage7", "voltage0"}, OBDPart},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(time.Minute, 1))
				row.fault(b)
				b.start()
				time.Sleep(75 * time.Second)
				state, why := b.part(row.part)
				assert.Equal(t, string(health.Waiting), state)
				for _, word := range row.why {
					assert.Contains(t, why, word)
				}
				infos := b.stop()
				require.Len(t, infos, 1, "the other source makes a session of its own")
				assert.Equal(t, store.Complete, infos[0].State)
				var gap *store.Event
				for _, e := range infos[0].Meta.Events {
					if e.Kind == "gap" && e.Source == row.part {
						gap = &e
					}
				}
				require.NotNil(t, gap, "the gap is in the session")
				assert.Contains(t, gap.Text, row.why[0])
				r := b.compare(infos[0].ID)
				if row.works == OBDPart {
					assert.Greater(t, r.OBD.Readings, 1000)
					assert.Zero(t, r.OBD.Differ)
					return
				}
				assert.Zero(t, r.OBD.Readings)
				for _, s := range r.States {
					if s.Name != "idle" { // the drive begins only when the mixture has shown that the engine runs
						assert.InDelta(t, s.True, s.Lambda, 0.01, s.Name)
					}
				}
			})
		})
	}
}

func TestAConverterThatVanishesLeavesAGapAndComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.start()
		time.Sleep(20 * time.Second)
		require.NoError(t, b.device.Vanish())
		time.Sleep(5 * time.Second)
		state, why := b.part("wideband")
		assert.Equal(t, string(health.Waiting), state)
		assert.NotEmpty(t, why)
		require.NoError(t, b.device.Return())
		time.Sleep(45 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		gaps := gapsOf(infos[0].Meta, "wideband")
		require.Len(t, gaps, 1)
		length := gaps[0].Until - gaps[0].At
		assert.GreaterOrEqual(t, length, 4900*time.Millisecond)
		assert.LessOrEqual(t, length, 10*time.Second)
		r := b.compare(infos[0].ID)
		assert.Zero(t, r.OBD.Differ)
		for _, c := range r.Channels {
			if c.Name == "RPM" {
				// Trouble codes are read at the drive's start, which costs the fast channels up to about a second.
				assert.Less(t, c.WorstGap, 2*time.Second, "the adapter was not disturbed")
			}
		}
	})
}

func TestAnAdapterThatHangsComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.start()
		time.Sleep(20 * time.Second)
		b.car.Adapter().SetFault(obdtest.Dead)
		time.Sleep(10 * time.Second)
		state, _ := b.part(OBDPart)
		assert.Equal(t, string(health.Waiting), state)
		b.car.Adapter().SetFault(obdtest.NoFault)
		time.Sleep(40 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1, "one drive: the mixture carried it over the gap")
		gaps := gapsOf(infos[0].Meta, OBDPart)
		require.NotEmpty(t, gaps)
		assert.NotEqual(t, store.StillOpen, gaps[0].Until)
		r := b.compare(infos[0].ID)
		assert.Zero(t, r.OBD.Differ)
		assert.Zero(t, r.OBD.Late)
	})
}

func gapsOf(m store.Meta, source string) (found []store.Event) {
	for _, e := range m.Events {
		if e.Kind == "gap" && e.Source == source {
			found = append(found, e)
		}
	}
	return found
}

func TestAStoreThatCannotBeOpenedEndsTheDaemonWithASentence(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	b := newBubble(t, rig.Demo(time.Minute, 1))
	b.cfg.Store.Path = file
	err := New(b.cfg, b.o).Run(t.Context())
	require.ErrorContains(t, err, file)

	b.cfg.Store.Path = filepath.Join(t.TempDir(), "sessions")
	st, err := store.Open(b.cfg.Store.Path, store.Options{})
	require.NoError(t, err)
	defer st.Close()
	err = New(b.cfg, b.o).Run(t.Context())
	require.True(t, errors.Is(err, store.ErrLocked), "%v", err)
}

func TestStatusFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		_, _, running, err := ReadStatus(b.cfg.Store.Path)
		require.NoError(t, err)
		assert.False(t, running, "no daemon ever ran")
		file := filepath.Join(b.cfg.Store.Path, StatusFile)
		require.NoError(t, os.Mkdir(b.cfg.Store.Path, 0o755))
		require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, `{"pid": %d, "recording": "00001-aaaa", "parts": []}`, os.Getpid()), 0o644))
		b.o.Listen = func() (net.Listener, error) {
			assert.NoFileExists(t, file, "one that was killed left it, perhaps with this one's process number")
			return nowhere()
		}
		b.start()
		time.Sleep(10 * time.Second)
		s, _, running, err := ReadStatus(b.cfg.Store.Path)
		require.NoError(t, err)
		assert.True(t, running)
		assert.NotEmpty(t, s.Recording)
		assert.Len(t, s.Parts, 3)
		before, err := os.Stat(filepath.Join(b.cfg.Store.Path, StatusFile))
		require.NoError(t, err)
		time.Sleep(20 * time.Second)
		after, err := os.Stat(filepath.Join(b.cfg.Store.Path, StatusFile))
		require.NoError(t, err)
		assert.Equal(t, before.ModTime(), after.ModTime(), "nothing changed, nothing is written")
		b.stop()
		_, _, running, err = ReadStatus(b.cfg.Store.Path)
		require.NoError(t, err)
		assert.False(t, running, "it ended")
	})
}
