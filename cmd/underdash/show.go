package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"underdash/store"
	"underdash/store/summary"
)

func showCommand() *cobra.Command {
	var (
		in     where
		asJSON bool
	)
	cmd := &cobra.Command{
		Use:   "show SESSION",
		Short: "Show one drive whole: the car, its codes, the channels, what is missing",
		Long: "Shows what a session holds beside its readings: which car and which calibrations in its engine computers, their\n" +
			"trouble codes at the drive's start and end, how every channel was read, where readings are missing and why.\n" +
			"SESSION is a name from 'underdash sessions', the beginning of one, or 'last'.",
		Args: exactArgs(1, "one session, by its name, the beginning of it, or 'last'"),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir, err := in.path()
			if err != nil {
				return err
			}
			path, err := store.Find(dir, args[0])
			if err != nil {
				return usageError{err}
			}
			shown, err := show(cmd.Context(), dir, path, cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				return enc.Encode(shown)
			}
			return shown.print(cmd.OutOrStdout())
		},
	}
	in.flags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of text")
	return cmd
}

// sessionShown is one session whole, for people.
type sessionShown struct{ summary.Drive }

// show reads a session file, or what the daemon has of the session that is being recorded.
func show(ctx context.Context, dir, path string, told io.Writer) (sessionShown, error) {
	r, err := openSession(ctx, dir, path)
	if err != nil {
		return sessionShown{}, err
	}
	defer r.Close()
	calibrations, err := store.Calibrations(dir)
	if err != nil { // no reason to withhold the session
		fmt.Fprintf(told, "shown by the session's own calibrations alone: %v\n", err)
	}
	d, err := summary.Of(r, store.DateOf(dir, r.Meta()), calibrations, filepath.Base(path))
	return sessionShown{d}, err
}

// seconds is a length that stands in JSON.
func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// clockTime is an instant on the session's clock, for people.
func clockTime(at float64) string {
	return seconds(at).Round(100 * time.Millisecond).String()
}
