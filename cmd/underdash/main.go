// Underdash logs what an engine reports and what a wideband oxygen controller puts out, on one clock. This command
// holds the daemon and everything that reads its sessions.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Exit codes: 0 all well, 1 it was tried and failed, 2 asked for wrongly (a flag, an argument, the configuration).
const (
	exitFailed = 1
	exitUsage  = 2
)

// usageError marks an error that the person at the keyboard can put right by asking differently.
type usageError struct{ error }

func (u usageError) Unwrap() error { return u.error }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // who interrupts a second time will not wait
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	cmd := root()
	cmd.SetArgs(args)
	cmd.SetOut(stdout)
	cmd.SetErr(stderr)
	_, _, err := cmd.Find(args)
	if err != nil {
		err = usageError{fmt.Errorf("%w: 'underdash --help' lists the commands", err)}
	} else {
		err = cmd.ExecuteContext(ctx)
	}
	if err == nil {
		return 0
	}
	fmt.Fprintln(stderr, "underdash:", err)
	if errors.As(err, new(usageError)) {
		return exitUsage
	}
	return exitFailed
}

func root() *cobra.Command {
	cmd := &cobra.Command{
		Use:           "underdash",
		Short:         "Log an engine and its mixture, and read the logs",
		Long:          "underdash logs what an engine reports over OBD-II and what a wideband oxygen controller\nputs out, on one clock, and reads the sessions it has recorded.",
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	cmd.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usageError{fmt.Errorf("%w; '%s --help' lists the flags", flagError(err), c.CommandPath())}
	})
	cmd.CompletionOptions.HiddenDefaultCmd = true
	cmd.AddCommand(runCommand(), checkCommand(), calibrateCommand(), demoCommand(), sessionsCommand(), showCommand(), exportCommand(), markCommand(), storeCommand(), pullCommand(), accessCommand())
	return cmd
}

// flagError is what is wrong with a flag in plain words, where the library tells how a number is read.
func flagError(err error) error {
	var invalid *pflag.InvalidValueError
	if !errors.As(err, &invalid) {
		return err
	}
	f := invalid.GetFlag()
	right := map[string]string{"float64": "a number, such as 10", "int": "a whole number, such as 10", "uint64": "a whole number, such as 10",
		"duration": "a time with its unit, such as 10s", "bool": "true or false"}[f.Value.Type()]
	if right == "" {
		return err
	}
	return fmt.Errorf("--%s %s: give %s", f.Name, invalid.GetValue(), right)
}

// leastArgs is exactArgs for n and more.
func leastArgs(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) >= n {
			return nil
		}
		return usageError{fmt.Errorf("'%s' takes %s; got %d arguments", c.CommandPath(), what, len(args))}
	}
}

// exactArgs is cobra's check of the number of arguments, as an error of usage that says what is missing.
func exactArgs(n int, what string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) == n {
			return nil
		}
		return usageError{fmt.Errorf("'%s' takes %s; got %d arguments", c.CommandPath(), what, len(args))}
	}
}

// version is what the build knows of itself: the commit, where there is one.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	revision, modified := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			revision = s.Value[:min(12, len(s.Value))]
		case s.Key == "vcs.modified" && s.Value == "true":
			modified = "+"
		}
	}
	if revision == "" {
		return "development"
	}
	return revision + modified
}
