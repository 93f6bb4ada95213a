package daemon

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
	"underdash/store"
)

// TestNumbersStoreMemory runs the command itself, as the service does, against the virtual car, and asks the kernel
// for the most memory that it ever had in use, until the drive is over and its session sealed.
func TestNumbersStoreMemory(t *testing.T) {
	quick, seed := numbersMode(t)
	length := 2 * time.Minute
	if quick {
		length = 20 * time.Second
	}
	dir := t.TempDir()
	command := filepath.Join(dir, "underdash")
	out, err := exec.Command("go", "build", "-o", command, "../cmd/underdash").CombinedOutput()
	require.NoError(t, err, string(out))

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	car := rig.New(rig.Demo(length, seed))
	running, err := car.Start(ctx, filepath.Join(dir, "converter"))
	require.NoError(t, err)
	defer func() { require.NoError(t, running.Close()) }()
	sessions, file := filepath.Join(dir, "sessions"), filepath.Join(dir, "underdash.toml")
	require.NoError(t, os.WriteFile(file, []byte(running.ConfigFor(sessions)+"\n[session]\nstop_after = \"1s\"\nbridge = \"0s\"\n"), 0o600))
	daemon := exec.Command(command, "run", "--config", file)
	daemon.Stderr = t.Output()
	require.NoError(t, daemon.Start())
	time.Sleep(length - 2*time.Second)
	_, now := residentMemory(t, daemon.Process.Pid)
	require.Eventually(t, func() bool {
		infos, err := store.List(sessions)
		return err == nil && len(infos) == 1 && infos[0].State == store.Complete && infos[0].SHA256 != ""
	}, time.Minute, 100*time.Millisecond, "the session is sealed")
	most, _ := residentMemory(t, daemon.Process.Pid)
	require.NoError(t, daemon.Process.Signal(syscall.SIGTERM))
	require.NoError(t, daemon.Wait())
	infos, err := store.List(sessions)
	require.NoError(t, err)
	require.Len(t, infos, 1)
	assert.Greater(t, infos[0].Samples, uint64(length.Seconds()*20), "it recorded, if few readings on a busy machine")
	number(fmt.Sprintf("resident memory of the daemon while it records and seals, the most in a drive of %v (near its end %.1f MB)", length, now/1e6),
		fmt.Sprintf("%.1f MB", most/1e6), "40.0 MB", most <= 40e6)
}

// residentMemory is how much of a process is resident, at the most and now (proc(5)).
func residentMemory(t *testing.T, pid int) (most, now float64) {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		for name, into := range map[string]*float64{"VmHWM:": &most, "VmRSS:": &now} {
			if len(f) == 3 && f[0] == name {
				kib, err := strconv.ParseFloat(f[1], 64)
				require.NoError(t, err)
				*into = kib * 1024
			}
		}
	}
	return most, now
}
