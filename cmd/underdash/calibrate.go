package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"underdash/daemon"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/store"
)

// calibrateFlags are how calibrate is asked.
type calibrateFlags struct {
	config, dir, input string
	level, since       string
	drive              string
	seconds            float64
	sessions           int
	afr                float64
	apply, withdraw    bool
	clear, check, json bool
}

func calibrateCommand() *cobra.Command {
	var o calibrateFlags
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "Measure what the wiring does to the mixture reading, and correct it",
		Long: "For the driveway: have the controller hold a level that you know, and measure it with --level. Levels are kept until\n" +
			"--apply makes a calibration of them, from the next drive on, or --clear forgets them. One level tells a line loss if\n" +
			"there is no ground shift; two, well apart, tell both. A level is one of:\n\n" +
			"  warmup       what the controller puts out while it heats its sensor, just after it was switched on\n" +
			"  2.5          volts that were set in the controller's own software\n" +
			"  lambda=0.85  the same, as a mixture on its scale\n" +
			"  bench=2.5    volts from a supply in the controller's place, measured with a meter\n" +
			"  ground       the signal wire put to the controller's own signal ground\n" +
			"  top          what it puts out at the lean end, with its sensor in free air\n\n" +
			"Without a level it shows what is there now. The daemon may go on running, unless it reads the converter's buffer.",
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return o.run(cmd.Context(), cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.config, "config", config.DefaultPath, "the configuration file")
	f.StringVar(&o.dir, "store", "", "the store's directory (default: $"+storeEnv+", else the configuration's)")
	f.StringVar(&o.input, "input", "", "the wideband input, if there are several")
	f.StringVar(&o.level, "level", "", "the level that the controller holds now: "+calibration.LevelHelp)
	f.Float64Var(&o.seconds, "seconds", 5, "how long to measure")
	f.BoolVar(&o.apply, "apply", false, "make the measured levels the calibration, from the next drive on")
	f.StringVar(&o.since, "since", "", "with a date, as 2026-05-01: apply from the first drive that began then, and so re-correct earlier drives")
	f.StringVar(&o.drive, "drive", "", "in an archive of several loggers: one of the drives of the logger that is meant")
	f.BoolVar(&o.withdraw, "withdraw", false, "take the applied calibration back, from the next drive on or --since")
	f.BoolVar(&o.clear, "clear", false, "forget the measured levels that were not applied")
	f.BoolVar(&o.check, "check", false, "look at what the last drives showed by themselves, and whether it drifts")
	f.IntVar(&o.sessions, "sessions", 20, "with --check: how many of the last drives")
	f.Float64Var(&o.afr, "afr", 14.7, "the stoichiometric ratio of the scale that new scale ends are to be typed into")
	f.BoolVar(&o.json, "json", false, "print JSON instead of sentences")
	return cmd
}

// calibrated is all that one call found and did.
type calibrated struct {
	Input     string               `json:"input"`
	Seen      *calibration.Seen    `json:"seen,omitempty"`
	Remark    string               `json:"remark,omitempty"`
	Forgotten int                  `json:"forgotten,omitempty"`
	Finding   *calibration.Finding `json:"finding,omitempty"`
	Check     *calibration.Check   `json:"check,omitempty"`
	Applied   *store.Applied       `json:"applied,omitempty"`
	InForce   *store.Applied       `json:"in_force,omitempty"` // for the next drive
	Next      string               `json:"next,omitempty"`

	afr   float64
	level *store.Level // just measured
	fuel  *store.Fuel  // as configured
}

func (o calibrateFlags) run(ctx context.Context, out io.Writer) error {
	since, err := o.valid()
	if err != nil {
		return usageError{err}
	}
	cfg, err := config.Load(o.config)
	if err != nil {
		return usageError{err}
	}
	in, err := chooseInput(cfg, o.input)
	if err != nil {
		return usageError{err}
	}
	if o.dir == "" && os.Getenv(storeEnv) == "" {
		o.dir = cfg.Store.Path
	}
	dir, err := (&where{dir: o.dir}).path()
	if err != nil {
		return err
	}
	c := calibrated{Input: in.Name, afr: o.afr}
	if fuel, err := cfg.Fuel.Mixture(); err == nil {
		c.fuel = &store.Fuel{Name: fuel.Name, AFRst: fuel.AFRst, Source: "configured", Flex: cfg.Fuel.Flex}
	}
	if err := o.do(ctx, &c, in, dir, since); err != nil {
		return err
	}
	if o.json {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		return enc.Encode(c)
	}
	return c.print(out)
}

// valid checks what the flags say together, and reads the date.
func (o calibrateFlags) valid() (since *time.Time, err error) {
	if !(o.seconds >= 1 && o.seconds <= 600) {
		return nil, fmt.Errorf("--seconds %v: measure for 1 to 600 seconds", o.seconds)
	}
	if !(o.afr >= 1 && o.afr <= 40) {
		return nil, fmt.Errorf("--afr %v: a stoichiometric ratio is 1 to 40; most scales in AFR are made for 14.7", o.afr)
	}
	if o.sessions < 1 || o.sessions > calibration.MostSessions {
		return nil, fmt.Errorf("--sessions %d: look at 1 to %d sessions", o.sessions, calibration.MostSessions)
	}
	var asked []string
	for _, f := range []struct {
		name string
		on   bool
	}{{"--check", o.check}, {"--withdraw", o.withdraw}, {"--apply", o.apply}} {
		if f.on {
			asked = append(asked, f.name)
		}
	}
	switch {
	case len(asked) > 1:
		return nil, fmt.Errorf("%s cannot be asked for together", strings.Join(asked, " and "))
	case (o.check || o.withdraw) && o.level != "":
		return nil, fmt.Errorf("%s measures nothing: leave --level out", asked[0])
	case o.clear && o.level == "" && len(asked) > 0:
		return nil, fmt.Errorf("--clear forgets the levels that %s would need: leave one of them out", asked[0])
	case o.clear && o.level == "" && o.since != "":
		return nil, errors.New("--clear forgets the measured levels, whatever their date: leave --since out, or measure a new level with --level")
	case o.since != "" && o.check:
		return nil, errors.New("--check looks at the last drives: say how many with --sessions, not --since")
	case o.since == "":
		return nil, nil
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, o.since, time.Local); err == nil {
			if now := time.Now(); t.After(now) && store.Plausible(now) { // a board's clock may not be set
				return nil, fmt.Errorf("--since %s is yet to come: leave it out for the next drive on", o.since)
			}
			return &t, nil
		}
	}
	return nil, fmt.Errorf("--since %q is no date: write it like 2026-05-01, or \"2026-05-01 14:30\"", o.since)
}

// chooseInput is the wideband input of that name, or the only one.
func chooseInput(cfg config.Config, name string) (config.Analog, error) {
	var names []string
	var found []config.Analog
	for _, a := range cfg.Analog {
		if a.Kind != config.Wideband {
			continue
		}
		names = append(names, fmt.Sprintf("%q", a.Name))
		if name == "" || strings.EqualFold(a.Name, name) {
			found = append(found, a)
		}
	}
	switch {
	case len(names) == 0:
		return config.Analog{}, errors.New("the configuration has no wideband input to calibrate")
	case len(found) == 0:
		return config.Analog{}, fmt.Errorf("there is no wideband input %q: there is %s", name, strings.Join(names, ", "))
	case len(found) > 1:
		return config.Analog{}, fmt.Errorf("there are several wideband inputs: name one with --input, of %s", strings.Join(names, ", "))
	}
	return found[0], nil
}

// do does what was asked for, in the order in which a person means it: forget, measure, apply.
func (o calibrateFlags) do(ctx context.Context, c *calibrated, in config.Analog, dir string, since *time.Time) error {
	drives, err := o.whose(dir)
	if err != nil {
		return err
	}
	if o.check {
		check, err := calibration.CheckSessions(ctx, drives, in, o.sessions, o.afr)
		c.Check = &check
		return err
	}
	if o.clear {
		n, err := calibration.ClearPending(dir, in.Name)
		if c.Forgotten = n; err != nil || o.level == "" {
			c.Next = "Measure a level with --level."
			return err
		}
	}
	if o.level != "" || !o.apply && !o.withdraw && since == nil {
		if err := o.measure(ctx, c, in, dir); err != nil {
			return err
		}
	}
	finding, err := calibration.Waiting(dir, in, o.afr)
	if err != nil {
		return err
	}
	finding.Fuel = c.fuel
	c.Finding = &finding
	switch {
	case o.withdraw:
		err = c.applied(calibration.Withdraw(drives, in.Name, since, time.Now()))
	case o.apply, since != nil && len(finding.Levels) > 0:
		err = c.applied(calibration.Apply(drives, finding, since, time.Now()))
	case since != nil:
		err = c.applied(calibration.Extend(drives, in, *since, time.Now()))
	default:
		c.Next = finding.Advice()
	}
	if err != nil {
		return err
	}
	if c.Applied != nil && !c.Applied.Withdrawn && in.Correction != nil {
		c.Next = fmt.Sprintf("The correction of %s in the configuration no longer counts: take it out.", in.Name)
	}
	c.InForce, err = calibration.InForce(drives, in)
	return err
}

// whose are the drives that are meant.
func (o calibrateFlags) whose(dir string) (calibration.Drives, error) {
	d, err := calibration.Whose(dir, o.drive)
	if errors.Is(err, calibration.ErrWhose) {
		return d, usageError{fmt.Errorf("%w, with --drive", err)}
	}
	if errors.Is(err, store.ErrNotFound) {
		return d, usageError{fmt.Errorf("--drive %s: %w", o.drive, err)}
	}
	return d, err
}

// measure watches the input, and keeps what was seen if a level was named.
func (o calibrateFlags) measure(ctx context.Context, c *calibrated, in config.Analog, dir string) error {
	level, err := calibration.ParseLevel(o.level, in)
	if err != nil && o.level != "" {
		return usageError{err}
	}
	if in.Mode != config.Buffer {
		in.Mode = config.Poll // so that the daemon may poll beside it
	}
	converter, err := daemon.OpenInput(in, nil)
	if err != nil {
		return err
	}
	defer converter.Close()
	seen, err := calibration.Measure(ctx, converter, in, time.Duration(o.seconds*float64(time.Second)))
	if errors.Is(err, daemon.ErrBusy) {
		return fmt.Errorf("%w; if it is the daemon, stop it for the time being", err)
	}
	if err != nil {
		return err
	}
	c.Seen = &seen
	if o.level == "" {
		c.Remark = seen.Remark(in)
		return nil
	}
	kept, err := calibration.Keep(dir, level, seen, in, time.Now())
	if err != nil {
		return err
	}
	c.level, c.Remark = &kept, seen.Warning()
	return nil
}

func (c *calibrated) applied(a store.Applied, err error) error {
	if err == nil {
		c.Applied = &a
	}
	return err
}
