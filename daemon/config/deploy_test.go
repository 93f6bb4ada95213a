package config

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const (
	sample  = "../../deploy/underdash.toml"
	service = "../../deploy/underdash.service"
	rules   = "../../deploy/70-underdash.rules"
	modules = "../../deploy/modules-load.d/underdash.conf"
)

func TestSample(t *testing.T) {
	c, err := Load(sample)
	require.NoError(t, err)
	want := Default()
	assert.Equal(t, want.Store, c.Store, "what the sample shows as default is the default")
	assert.Equal(t, want.Session, c.Session)
	assert.Equal(t, want.Network, c.Network)
	assert.Equal(t, want.Adapter.Baud, c.Adapter.Baud)
	assert.Equal(t, want.Adapter.SleepAfter, c.Adapter.SleepAfter)
	assert.Zero(t, c.Adapter.RaiseBaud)
	assert.NotEmpty(t, c.Adapter.Address)
	require.Len(t, c.Analog, 1)
	assert.Equal(t, Wideband, c.Analog[0].Kind)
	assert.NotNil(t, c.Analog[0].Warmup)
}

// Keys that the sample shows behind a # are keys that the reader takes, with values that it takes.
func TestSampleComments(t *testing.T) {
	text, err := os.ReadFile(sample)
	require.NoError(t, err)
	var b strings.Builder
	shown := 0
	for line := range strings.Lines(string(text)) {
		if key, ok := strings.CutPrefix(line, "#"); ok && !strings.HasPrefix(key, " ") && strings.TrimSpace(key) != "" {
			line, shown = key, shown+1
		}
		b.WriteString(line)
	}
	require.Greater(t, shown, 10)
	c, err := Parse("uncommented.toml", []byte(b.String()))
	require.NoError(t, err)
	require.Len(t, c.Analog, 2)
	assert.Equal(t, Linear, c.Analog[1].Kind)
	assert.NotNil(t, c.Analog[0].Correction)
}

// settings reads an INI-like unit file: "Section.Key" to its values.
func settings(t *testing.T, path string) map[string][]string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	all, section := map[string][]string{}, ""
	for lines := bufio.NewScanner(f); lines.Scan(); {
		line := strings.TrimSpace(lines.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		if line[0] == '[' {
			section = strings.Trim(line, "[]")
			continue
		}
		key, value, ok := strings.Cut(line, "=")
		require.True(t, ok, "%s: %q", path, line)
		all[section+"."+key] = append(all[section+"."+key], value)
	}
	return all
}

func TestService(t *testing.T) {
	unit := settings(t, service)
	one := func(key string) string {
		require.Len(t, unit[key], 1, key)
		return unit[key][0]
	}
	command := strings.Fields(one("Service.ExecStart"))
	assert.Equal(t, []string{"/usr/bin/underdash", "run", "--config", DefaultPath}, command)

	state := "/var/lib/" + one("Service.StateDirectory")
	assert.Equal(t, state, filepath.Dir(Default().Store.Path), "the store is in the directory that systemd makes and lets the daemon write to")
	assert.Equal(t, filepath.Base(filepath.Dir(DefaultPath)), one("Service.ConfigurationDirectory"))
	assert.Equal(t, "underdash", one("Service.RuntimeDirectory"))
	assert.Equal(t, "notify", one("Service.Type"))
	assert.Equal(t, "strict", one("Service.ProtectSystem"))
	assert.Contains(t, strings.Fields(one("Service.SupplementaryGroups")), "dialout")
	assert.Equal(t, "0", one("Unit.StartLimitIntervalSec"), "the daemon is started again however often it fails")
	assert.NotContains(t, unit, "Service.PrivateDevices", "it would hide the adapter")
	assert.NotContains(t, unit, "Service.ProcSubset", "it would hide the boot's identity")

	// Devices that do not exist yet when the service starts are allowed by their driver's name, so the driver must be loaded
	// by then.
	text, err := os.ReadFile(modules)
	require.NoError(t, err)
	for device, module := range map[string]string{"char-ttyUSB rw": "usbserial", "char-ttyACM rw": "cdc_acm", "char-rfcomm rw": "rfcomm", "char-iio rw": "industrialio"} {
		assert.Contains(t, unit["Service.DeviceAllow"], device)
		assert.Contains(t, strings.Fields(string(text)), module)
	}
}

// The kernel's word on the clock is what dates the drives, whichever time service the board has. Asking for it and setting the
// clock is one and the same call, told apart by a capability.
func TestServiceReadsTheClockAndCannotSetIt(t *testing.T) {
	unit := settings(t, service)
	assert.Equal(t, []string{""}, unit["Service.CapabilityBoundingSet"], "CAP_SYS_TIME sets the clock")
	assert.NotContains(t, unit, "Service.AmbientCapabilities")
	assert.NotContains(t, unit, "Service.ProtectClock", "it forbids adjtimex")
	filters := unit["Service.SystemCallFilter"]
	require.NotEmpty(t, filters)
	assert.Equal(t, "adjtimex", filters[len(filters)-1], "behind what takes @clock away")

	tool, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed here, so the unit's groups of system calls are not looked into")
	}
	allowed := map[string]bool{}
	var set func(call string, to bool)
	set = func(call string, to bool) {
		if call[0] != '@' {
			allowed[call] = to
			return
		}
		out, err := exec.CommandContext(t.Context(), tool, "--no-pager", "syscall-filter", call).Output()
		require.NoError(t, err, call)
		members := strings.Fields(strings.Join(strings.Split(string(out), "\n")[2:], " ")) // behind its name and what it is for
		require.NotEmpty(t, members, call)
		for _, c := range members {
			set(c, to)
		}
	}
	for _, f := range filters { // in this order, systemd.exec(5)
		calls, denied := strings.CutPrefix(f, "~")
		for _, c := range strings.Fields(calls) {
			set(c, !denied)
		}
	}
	assert.True(t, allowed["adjtimex"])
	assert.True(t, allowed["read"])
	for _, c := range []string{"clock_settime", "settimeofday", "clock_adjtime", "setuid", "mount"} {
		assert.False(t, allowed[c], c)
	}
}

func TestRules(t *testing.T) {
	text, err := os.ReadFile(rules)
	require.NoError(t, err)
	active := ""
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "#") {
			active += line
		}
	}
	assert.Contains(t, active, `DRIVERS=="ftdi_sio"`)
	assert.Contains(t, active, `ATTR{latency_timer}="1"`)
	assert.Contains(t, active, `SUBSYSTEM=="iio"`)
	assert.Contains(t, active, `GROUP="dialout"`)
	for line := range strings.Lines(active) {
		assert.Zero(t, strings.Count(line, `"`)%2, "quotes in %q", line)
	}
}

func TestServiceVerified(t *testing.T) {
	tool, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed here, so the unit's keywords are not checked")
	}
	// The unit names a program that is not installed here; a stand-in of the same name is, in a tree of its own.
	root := t.TempDir()
	text, err := os.ReadFile(service)
	require.NoError(t, err)
	binary := filepath.Join(root, "underdash")
	require.NoError(t, os.WriteFile(binary, []byte("#!/bin/sh\n"), 0o755))
	unit := filepath.Join(root, "underdash.service")
	require.NoError(t, os.WriteFile(unit, []byte(strings.Replace(string(text), "/usr/bin/underdash", binary, 1)), 0o644))
	out, err := exec.CommandContext(t.Context(), tool, "verify", "--man=no", unit).CombinedOutput()
	if strings.Contains(string(out), "Failed to initialize manager") || strings.Contains(string(out), "Failed to setup working directory") {
		t.Skipf("systemd-analyze cannot work here: %s", out)
	}
	// An unknown keyword is only a warning with exit code 0, so any line about the unit counts.
	require.NoError(t, err, "%s", out)
	for line := range strings.Lines(string(out)) {
		assert.NotContains(t, line, "underdash.service", "systemd-analyze verify")
	}
}
