package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"underdash/daemon/rig"
)

// holdFlags are how the demonstration is asked for a controller that holds a level.
type holdFlags struct {
	level        string
	loss         float64 // percent
	shift, noise float64 // mV
	plug         string
}

func (h *holdFlags) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&h.level, "hold", "", "no drive: the controller holds a level until interrupted, to try 'calibrate' on; warmup or a number of volts")
	f.Float64Var(&h.loss, "loss", 0, "with --hold: percent of the voltage that the wire loses")
	f.Float64Var(&h.shift, "ground-shift", 0, "with --hold: millivolts by which the controller's ground lies above the logger's")
	f.Float64Var(&h.noise, "noise", 3, "with --hold: millivolts of noise at the plug")
	f.StringVar(&h.plug, "plug", plugNames[0], "with --hold: "+strings.Join(plugNames, ", "))
}

// plugNames are the fates of a plug as the command line calls them, in the order of rig's.
var plugNames = []string{"in", "out", "floating", "frozen", "at-supply"}

// options makes the virtual car's of the flags.
func (h *holdFlags) options(cmd *cobra.Command, seed uint64) (o rig.Options, err error) {
	for _, name := range []string{"loss", "ground-shift", "noise", "plug"} {
		if h.level == "" && cmd.Flags().Changed(name) {
			return o, usageError{fmt.Errorf("--%s goes with --hold: a demonstration drive has a chain of its own", name)}
		}
	}
	if h.level == "" {
		return o, nil
	}
	volts := rig.WarmupVolts
	if h.level != "warmup" {
		if volts, err = strconv.ParseFloat(h.level, 64); err != nil || !(volts >= 0 && volts <= 5) {
			return o, usageError{fmt.Errorf("--hold %s: the virtual controller holds warmup, or 0 to 5 volts", h.level)}
		}
	}
	plug := slices.Index(plugNames, h.plug)
	switch {
	case plug < 0:
		return o, usageError{fmt.Errorf("--plug %s: the plug is %s", h.plug, strings.Join(plugNames, ", "))}
	case !(h.loss >= 0 && h.loss < 100):
		return o, usageError{fmt.Errorf("--loss %v: a wire loses 0 to less than 100 percent", h.loss)}
	case !(h.shift >= -2000 && h.shift <= 2000):
		return o, usageError{fmt.Errorf("--ground-shift %v: a ground is shifted by -2000 to 2000 mV", h.shift)}
	case !(h.noise >= 0 && h.noise <= 1000):
		return o, usageError{fmt.Errorf("--noise %v: noise is 0 to 1000 mV", h.noise)}
	}
	return rig.Options{Seed: seed, Held: true, HeldVolts: volts, LineLoss: h.loss / 100, GroundOffset: h.shift / 1000, NoiseVolts: h.noise / 1000, Plug: rig.Plug(plug)}, nil
}

// hold keeps a virtual converter alive until ctx ends, with a configuration to read it by.
func hold(ctx context.Context, out io.Writer, o rig.Options, dir string) error {
	file := filepath.Join(dir, "underdash.toml")
	whole, err := filepath.Abs(dir) // the configuration is good wherever it is read from
	if err != nil {
		return fmt.Errorf("find the demo's folder: %w", err)
	}
	converter, sessions := filepath.Join(whole, "converter"), filepath.Join(whole, "sessions")
	if err := os.MkdirAll(sessions, 0o755); err != nil {
		return fmt.Errorf("make the demo's folder: %w", err)
	}
	running, err := rig.New(o).Start(ctx, converter)
	if err != nil {
		return fmt.Errorf("start the virtual car: %w", err)
	}
	defer func() {
		_ = running.Close()
		_ = os.RemoveAll(converter)
	}()
	if err := os.WriteFile(file, []byte(running.ConfigFor(sessions)), 0o644); err != nil {
		return fmt.Errorf("write the demo's configuration: %w", err)
	}
	me := called()
	fmt.Fprintf(out, "The virtual controller holds %g V, until you interrupt this. Meanwhile, in another terminal:\n\n", o.HeldVolts)
	level := strconv.FormatFloat(o.HeldVolts, 'g', -1, 64)
	if o.HeldVolts == rig.WarmupVolts {
		level = "warmup"
	}
	fmt.Fprintf(out, "  %s calibrate --config %s --level %s\n\nThen interrupt this, have it hold another level, and measure that one too.\n", me, file, level)
	<-ctx.Done()
	if err := running.Close(); err != nil && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("the virtual car: %w", err)
	}
	return nil
}
