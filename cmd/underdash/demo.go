package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"underdash/daemon"
	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/store"
	"underdash/store/derive"
)

// shortestDemo is the shortest drive in which every driving state still has a steady part worth looking at.
const shortestDemo = 20

func demoCommand() *cobra.Command {
	var (
		seconds int
		dir     string
		seed    uint64
		verbose bool
		held    holdFlags
	)
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Log a drive of a virtual car, and compare the log with what was true",
		Long: "Starts a virtual car and the daemon that logs it, for one drive. The adapter is a real tty and the\n" +
			"converter a directory as Linux shows one, so everything but the car is what runs in a real one.",
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			o, err := held.options(cmd, seed)
			if err != nil {
				return err
			}
			if o.Held {
				return hold(cmd.Context(), cmd.OutOrStdout(), o, dir)
			}
			if seconds < shortestDemo || seconds > 6*3600 {
				return usageError{fmt.Errorf("--seconds %d: a drive takes %d seconds to 6 hours", seconds, shortestDemo)}
			}
			log := slog.New(slog.DiscardHandler)
			if verbose {
				log = slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
			}
			return demo(cmd.Context(), cmd.OutOrStdout(), log, rig.Demo(time.Duration(seconds)*time.Second, seed), dir)
		},
	}
	cmd.Flags().IntVar(&seconds, "seconds", 60, "length of the drive")
	cmd.Flags().StringVar(&dir, "dir", "demo-drive", "where sessions and the CSV go")
	cmd.Flags().Uint64Var(&seed, "seed", 1, "draws the drive's noise and the engine computers' answering times; the same seed, the same car")
	held.flags(cmd)
	cmd.Flags().BoolVar(&verbose, "verbose", false, "show the daemon's own log too")
	return cmd
}

func demo(ctx context.Context, out io.Writer, log *slog.Logger, o rig.Options, dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the demo's folder: %w", err)
	}
	car := rig.New(o)
	fmt.Fprintf(out, "A virtual car: 2.0 l petrol four, E10, an adapter on a serial line at 38,400 baud, a wideband controller whose\n"+
		"wire loses %.0f %% of its voltage. A drive of %v begins.\n\n", o.LineLoss*100, o.Length)
	place, err := filepath.Abs(filepath.Join(dir, "converter")) // an adapter is named by its whole path
	if err != nil {
		return fmt.Errorf("find the demo's folder: %w", err)
	}
	running, err := car.Start(ctx, place)
	if err != nil {
		return fmt.Errorf("start the virtual car: %w", err)
	}
	defer func() {
		_ = running.Close()
		_ = os.RemoveAll(filepath.Join(dir, "converter"))
	}()
	sessions := filepath.Join(dir, "sessions")
	text := running.ConfigFor(sessions) + "\n[session]\nstop_after = \"2s\"\nbridge = \"0s\"\n"
	cfg, err := config.Parse("the virtual car's configuration", []byte(text))
	if err != nil {
		return err
	}
	id, err := logDrive(ctx, out, log, cfg, o.Length)
	if err != nil {
		return err
	}
	csv := filepath.Join(dir, id+".csv")
	path, err := store.Find(sessions, id)
	if err != nil {
		return err
	}
	open := func() (*store.Reader, error) { return store.OpenReader(path) }
	calibrations, err := store.Calibrations(sessions)
	if err != nil {
		return err
	}
	if err := exportFile(open, path, "csv", derive.Options{Aligned: true, Uncertainty: true, Calibrations: calibrations}, csv); err != nil {
		return err
	}
	agrees, err := summarise(out, path, car.Truth())
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "\nOpen %s in a spreadsheet or a plotting program; %s tells what its columns are.\n", csv, filepath.Base(csv)+"-metadata.json")
	me := called()
	fmt.Fprintf(out, "Next:\n  %s sessions --store %s\n  %s show last --store %s\n  %s export last --store %s --out -\n", me, sessions, me, sessions, me, sessions)
	fmt.Fprintf(out, "and for your own car: write a configuration as the README shows, then\n  %s check --config FILE\n  %s run --config FILE\n", me, me)
	if !agrees {
		return errors.New("the log does not agree with what was true in the virtual car")
	}
	return nil
}

// called is how the person at the keyboard started this program, as well as can be told.
func called() string {
	if strings.Contains(os.Args[0], "go-build") {
		return "go run ./cmd/underdash"
	}
	return os.Args[0]
}

// logDrive runs the daemon for one drive of the given length and returns the session's name.
func logDrive(ctx context.Context, out io.Writer, log *slog.Logger, cfg config.Config, length time.Duration) (id string, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ready := make(chan struct{})
	cfg.Network.Listen = "" // nobody is to come in to a demonstration
	d := daemon.New(cfg, daemon.Options{Log: log, Software: "underdash " + version(), Ready: func() { close(ready) }})
	var run sync.WaitGroup
	ended := make(chan struct{})
	run.Go(func() {
		defer close(ended)
		err = d.Run(ctx)
	})
	select {
	case <-ready:
		id = watchDrive(ctx, out, d, length, ended)
	case <-ended:
	}
	interrupted := ctx.Err()
	cancel()
	run.Wait()
	switch {
	case err != nil:
		return "", err
	case interrupted != nil:
		return "", fmt.Errorf("the demonstration was interrupted, and what was logged so far is in %s", cfg.Store.Path)
	case id == "":
		return "", errors.New("no session was recorded: the daemon never saw the engine run")
	}
	return id, nil
}

// watchDrive shows the newest values until the drive is over and its session complete, and returns its name.
func watchDrive(ctx context.Context, out io.Writer, d *daemon.Daemon, length time.Duration, ended <-chan struct{}) (id string) {
	show := newProgress(out, length)
	began := time.Now()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return id
		case <-ended:
			return id
		case <-tick.C:
		}
		elapsed := time.Since(began)
		now := d.Status().Recording
		if now != "" {
			id = now
		}
		show.at(min(elapsed, length), newest(d))
		if elapsed > length+10*time.Second || (elapsed >= length && id != "" && now == "") {
			show.done()
			return id
		}
	}
}

// newest is one line of the newest values worth watching.
func newest(d *daemon.Daemon) string {
	meta, samples := d.Newest()
	session, err := derive.New(derive.Snapshot{Description: meta, Readings: samples})
	if err != nil {
		return ""
	}
	shown := map[string]string{}
	for v, err := range session.Values() {
		if err != nil {
			continue
		}
		c := session.Channels()[v.Channel]
		switch {
		case c.Name == "RPM" || c.Name == "MAP":
			shown[c.Name] = fmt.Sprintf("%s %4.0f %s", c.Name, v.Number, c.Unit)
		case c.Kind == derive.Lambda && v.State == "":
			shown["λ"] = fmt.Sprintf("λ %.3f", v.Number)
		case c.Kind == derive.Volts && v.State != "":
			shown["λ"] = "λ " + v.State
		}
	}
	var parts []string
	for _, name := range []string{"RPM", "MAP", "λ"} {
		if s := shown[name]; s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, "  ")
}

// progress shows how far the drive is: a bar on a terminal, a line every five seconds elsewhere.
type progress struct {
	out    io.Writer
	length time.Duration
	bar    *progressbar.ProgressBar
	next   time.Duration
}

func newProgress(out io.Writer, length time.Duration) *progress {
	p := &progress{out: out, length: length}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.bar = progressbar.NewOptions64(length.Milliseconds(), progressbar.OptionSetWriter(out), progressbar.OptionSetWidth(30),
			progressbar.OptionShowDescriptionAtLineEnd(), progressbar.OptionSetPredictTime(false), progressbar.OptionClearOnFinish())
	}
	return p
}

func (p *progress) at(elapsed time.Duration, line string) {
	if p.bar != nil {
		p.bar.Describe(fmt.Sprintf("%2.0f s  %s", elapsed.Seconds(), line))
		_ = p.bar.Set64(elapsed.Milliseconds())
		return
	}
	if elapsed >= p.next {
		p.next += 5 * time.Second
		fmt.Fprintf(p.out, "%3.0f of %.0f s  %s\n", elapsed.Seconds(), p.length.Seconds(), line)
	}
}

func (p *progress) done() {
	if p.bar != nil {
		_ = p.bar.Finish()
	}
}
