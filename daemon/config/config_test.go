package config

import (
	"errors"
	"flag"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
)

var update = flag.Bool("update", false, "write the golden files anew")

const wideband = `
[[analog]]
name     = "wideband"
kind     = "wideband"
device   = "/sys/bus/iio/devices/iio:device0"
channel  = "voltage0"
divider  = 1.5
low      = { volts = 0.5, lambda = 0.65 }
high     = { volts = 4.5, lambda = 1.35 }
warmup   = { volts = 5.0 }
rate     = 50
`

func volts(v float64) *float64 { return &v }

func TestParse(t *testing.T) {
	input := Analog{
		Name: "wideband", Kind: Wideband, Device: "/sys/bus/iio/devices/iio:device0", Channel: "voltage0", Divider: 1.5,
		Low: Point{0.5, 0.65}, High: Point{4.5, 1.35}, Warmup: volts(5), Rate: 50, Mode: Auto, Bank: 1,
	}
	for _, row := range []struct {
		name, text string
		want       func(*Config)
	}{
		{"an adapter alone", "[adapter]\naddress = \"/dev/ttyUSB0\"\n", func(c *Config) { c.Adapter.Address = "/dev/ttyUSB0" }},
		{"an adapter on the network", "[adapter]\naddress = \"tcp://192.168.0.10:35000\"\n", func(c *Config) { c.Adapter.Address = "tcp://192.168.0.10:35000" }},
		{"a COM port", "adapter.address = 'COM3'\n", func(c *Config) { c.Adapter.Address = "COM3" }},
		{"a wideband alone", wideband, func(c *Config) { c.Analog = []Analog{input} }},
		{"with a byte order mark and CRLF", "\xef\xbb\xbf" + strings.ReplaceAll(wideband, "\n", "\r\n"), func(c *Config) { c.Analog = []Analog{input} }},
		{"two banks, the second in short", wideband + `
[[analog]]
name = "bank 2"
device = "/tmp/adc"
channel = "voltage0-voltage1"
low.volts = 0
low.lambda = 0.5
[analog.high]
volts = 5
lambda = 1.5
[analog.correction]
known = 5.0
seen = 4.85
`, func(c *Config) {
			c.Analog = []Analog{input, {
				Name: "bank 2", Kind: Wideband, Device: "/tmp/adc", Channel: "voltage0-voltage1", Divider: 1,
				Low: Point{0, 0.5}, High: Point{5, 1.5}, Rate: 100, Correction: &Correction{5, 4.85}, Mode: Auto, Bank: 1,
			}}
		}},
		{"all that a wideband's chain may need", strings.Replace(wideband, "rate     = 50", `
rate        = 250
mode        = "buffer"
trigger     = "clock"
conversions = 860
scale       = 0.125
ohms        = { output = 1000, divider = 30000, converter = 6e6 }
fault       = { volts = 0.1 }
top         = { volts = 4.6 }
bank        = 2`, 1), func(c *Config) {
			a := input
			a.Rate, a.Mode, a.Trigger, a.Conversions, a.Scale = 250, Buffer, "clock", 860, 0.125
			a.Ohms, a.Fault, a.Top, a.Bank = Ohms{1000, 30000, 6e6}, volts(0.1), volts(4.6), 2
			c.Analog = []Analog{a}
		}},
		{"a linear input, inline", `analog = [ { name = "Öldruck", kind = "linear", unit = "kPa", device = "d", channel = "voltage1",
			scale = 3.2226, low = { volts = 0.5, value = -100 }, high = { volts = 4.5, value = 1000 } } ]`, func(c *Config) {
			c.Analog = []Analog{{
				Name: "Öldruck", Kind: Linear, Unit: "kPa", Device: "d", Channel: "voltage1", Divider: 1,
				Low: Point{0.5, -100}, High: Point{4.5, 1000}, Rate: 100, Scale: 3.2226, Mode: Auto,
			}}
		}},
		{"channels by class", "adapter.address = 'COM3'\n[obd]\nfast = [\"RPM\", \"MAP\", \"LAMBDA11\"]\nnormal = [\"FUELSYS1\", \"FUELSYS2\"]\nslow = ['ECT']\n", func(c *Config) {
			c.Adapter.Address = "COM3"
			c.OBD = OBD{[]string{"RPM", "MAP", "LAMBDA11"}, []string{"FUELSYS1", "FUELSYS2"}, []string{"ECT"}}
		}},
		{"channels without engine speed", "adapter.address = 'COM3'\nobd.slow = [\"LAMBDA41\"]\n", func(c *Config) {
			c.Adapter.Address = "COM3"
			c.OBD = OBD{Normal: []string{"RPM"}, Slow: []string{"LAMBDA41"}}
		}},
		{"no channels: the default set", "adapter.address = 'COM3'\n[obd]\nfast = []\n", func(c *Config) { c.Adapter.Address = "COM3" }},
		{"switches", strings.TrimSuffix(wideband, "rate     = 50\n") + `
mark = { above = 2.5 }
[[analog]]
name = "button"
kind = "linear"
unit = "V"
device = "d"
channel = "voltage1"
low = { volts = 0, value = 0 }
high = { volts = 1, value = 1 }
mark = { below = 0.5, text = "knock" }
`, func(c *Config) {
			one := input
			one.Rate, one.Mark = 100, &Mark{2.5, true, "wideband"}
			c.Analog = []Analog{one, {Name: "button", Kind: Linear, Unit: "V", Device: "d", Channel: "voltage1", Divider: 1,
				High: Point{1, 1}, Rate: 100, Mode: Auto, Mark: &Mark{0.5, false, "knock"}}}
		}},
		{"every stop ends a drive", "adapter.address = 'COM3'\nsession.bridge = '0s'\n", func(c *Config) { c.Adapter.Address, c.Session.Bridge = "COM3", 0 }},
		{"nothing is served", "adapter.address = 'COM3'\n[network]\nlisten = \"\"\n", func(c *Config) { c.Adapter.Address, c.Network.Listen = "COM3", "" }},
		{"nothing is served, plainly", "adapter.address = 'COM3'\n[network]\nlisten = \"\"\nplain = true\n", func(c *Config) {
			c.Adapter.Address, c.Network = "COM3", Network{Plain: true}
		}},
		{"unencrypted, expressly", "adapter.address = 'COM3'\n[network]\nnames = []\nplain = \"unencrypted\"\n", func(c *Config) {
			c.Adapter.Address, c.Network.Plain = "COM3", true
		}},
		{"everything else", `
adapter = { address = "/dev/ttyUSB0", baud = 115200, raise_baud = 500000, sleep_after = "0s" }
fuel    = { name = "race fuel", stoichiometric = 13.9 }
store   = { path = "drives", flush = "1s", limit = "1.5 GiB", floor = "0B", resolution = "1us" }
session = { stop_after = "1m30s", bridge = "5m", begin = "always" }
vehicle = { name = "the blue one" }
network = { listen = "[::1]:80", names = ["Logger.Example", "10.42.0.1"], plain = true }
log     = { level = "debug" }
`, func(c *Config) {
			c.Adapter = Adapter{Address: "/dev/ttyUSB0", Baud: 115200, RaiseBaud: 500000}
			c.Fuel = Fuel{Name: "race fuel", Stoichiometric: 13.9}
			c.Store = Store{"drives", time.Second, 3 << 29, 0, time.Microsecond}
			c.Session = Session{90 * time.Second, 5 * time.Minute, Always}
			c.Vehicle.Name = "the blue one"
			c.Network = Network{"[::1]:80", []string{"logger.example", "10.42.0.1"}, true}
			c.Log.Level = slog.LevelDebug
		}},
	} {
		t.Run(row.name, func(t *testing.T) {
			got, err := Parse("x.toml", []byte(row.text))
			require.NoError(t, err)
			want := Default()
			row.want(&want)
			assert.Equal(t, want, got)
		})
	}
}

// The sentences that a person gets for a faulty file are reviewed as text: one golden file for each faulty one.
func TestFaults(t *testing.T) {
	files, err := filepath.Glob("testdata/faults/*.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		name := filepath.Base(file)
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			c, err := Parse(name, text)
			require.Error(t, err)
			assert.Equal(t, Config{}, c, "a faulty file gives no half configuration")
			golden := strings.TrimSuffix(file, ".toml") + ".golden"
			if *update {
				require.NoError(t, os.WriteFile(golden, []byte(err.Error()+"\n"), 0o644))
			}
			want, readErr := os.ReadFile(golden)
			require.NoError(t, readErr, "write it with: go test ./daemon/config -update")
			assert.Equal(t, string(want), err.Error()+"\n")
		})
	}
}

// Every fault points at the place in the file where its key or value stands.
func TestFaultPositions(t *testing.T) {
	text, err := os.ReadFile("testdata/faults/values.toml")
	require.NoError(t, err)
	lines := strings.Split(string(text), "\n")
	_, err = Parse("values.toml", text)
	var faults *Error
	require.ErrorAs(t, err, &faults)
	at := map[string]string{}
	for _, f := range faults.Faults {
		require.LessOrEqual(t, f.Line, len(lines))
		at[f.Key] = lines[f.Line-1][f.Column-1:]
	}
	for key, begins := range map[string]string{
		"adapter.baud":        `"38400"`,
		"analog.name":         `"bank [1]"`,
		"analog.divider":      `0`,
		"analog.low.lambda":   `9.5 }`,
		"analog.high.volts":   `"4.5"`,
		"analog.rate":         `5000`,
		"fuel.stoichiometric": `147`,
		"store.flush":         `5`,
		"session.begin":       `"ignition"`,
	} {
		require.Contains(t, at, key)
		assert.True(t, strings.HasPrefix(at[key], begins), "%s points at %q", key, at[key])
	}
}

func TestLoad(t *testing.T) {
	_, err := Load(filepath.Join(t.TempDir(), "none.toml"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	assert.ErrorContains(t, err, "there is no configuration at ")
	assert.ErrorContains(t, err, "--config")

	_, err = Load(t.TempDir())
	require.ErrorContains(t, err, "the configuration cannot be read")

	path := filepath.Join(t.TempDir(), "u.toml")
	require.NoError(t, os.WriteFile(path, []byte(wideband+"\nrat = 1"), 0o600))
	_, err = Load(path)
	var faults *Error
	require.ErrorAs(t, err, &faults)
	assert.Equal(t, path+":13:1: analog.rat: there is no such key: did you mean rate?", err.Error())
}

func TestAnalogLevels(t *testing.T) {
	c, err := Parse("x.toml", []byte(wideband+"correction = { known = 5, seen = 4.85 }\n"))
	require.NoError(t, err)
	assert.Equal(t, mixture.Levels{
		Law:         mixture.Law{Low: mixture.Point{Volts: 0.5, Lambda: 0.65}, High: mixture.Point{Volts: 4.5, Lambda: 1.35}},
		WarmupVolts: 5, HasWarmup: true,
	}, c.Analog[0].Levels())
	chain, ok := c.Analog[0].Chain()
	assert.True(t, ok)
	assert.InDelta(t, 0.97, chain.Gain, 1e-9)

	c.Analog[0].Warmup, c.Analog[0].Correction = nil, nil
	assert.False(t, c.Analog[0].Levels().HasWarmup)
	_, ok = c.Analog[0].Chain()
	assert.False(t, ok)
}

func TestFuelMixture(t *testing.T) {
	f, err := Default().Fuel.Mixture()
	require.NoError(t, err)
	assert.Equal(t, "E10", f.Name)
	f, err = Fuel{Name: "E10", Stoichiometric: 14.05}.Mixture()
	require.NoError(t, err)
	assert.Equal(t, mixture.Fuel{Name: "E10", AFRst: 14.05}, f, "a given ratio goes before the name's")
	_, err = Fuel{Name: "kerosene"}.Mixture()
	require.Error(t, err)
}

func TestNearest(t *testing.T) {
	known := []string{"address", "baud", "low", "rate", "warmup"}
	for key, want := range map[string]string{
		"adress": "address", "adresss": "address", "Baud": "baud", "buad": "baud", "bauds": "baud", "rats": "rate", "lows": "low",
		"warm_up": "warmup", "x": "", "": "", "high": "", "speed": "", strings.Repeat("b", 1000): "",
	} {
		assert.Equal(t, want, nearest(key, known), "%q", key)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(wideband))
	files, err := filepath.Glob("testdata/faults/*.toml")
	require.NoError(f, err)
	for _, file := range append(files, sample) {
		text, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := Parse("f.toml", text)
		if err == nil {
			require.True(t, c.Adapter.Address != "" || len(c.Analog) > 0)
			for _, a := range c.Analog {
				if a.Kind == Wideband {
					require.NoError(t, a.Law().Validate())
				}
			}
			_, err = c.Fuel.Mixture()
			require.NoError(t, err)
			return
		}
		faults, ok := errors.AsType[*Error](err)
		require.True(t, ok)
		require.NotEmpty(t, faults.Faults)
		for _, fault := range faults.Faults {
			require.Positive(t, fault.Line)
			require.Positive(t, fault.Column)
			require.NotEmpty(t, fault.Text)
		}
	})
}

// The units are those of IEC 80000-13: kilo is 1000, kibi 1024.
func TestSizes(t *testing.T) {
	for _, row := range []struct {
		text string
		want int64
		ok   bool
	}{
		{"2GB", 2_000_000_000, true},
		{"2 gb", 2_000_000_000, true},
		{"1GiB", 1 << 30, true},
		{"0.5MB", 500_000, true},
		{"1KiB", 1024, true},
		{"7kB", 7000, true},
		{"12B", 12, true},
		{"0B", 0, true},
		{"2", 0, false},
		{"GB", 0, false},
		{"-1GB", 0, false},
		{"1e30TB", 0, false},
		{"NaN GB", 0, false},
		{"", 0, false},
	} {
		n, ok := parseSize(row.text)
		assert.Equal(t, row.ok, ok, row.text)
		assert.Equal(t, row.want, n, row.text)
	}
	for n, want := range map[int64]string{0: "0B", 1: "1B", 2e9: "2GB", 200e6: "200MB", 1 << 30: "1GiB", 1500: "1500B", 1e15: "1000TB"} {
		assert.Equal(t, want, size(n))
	}
}
