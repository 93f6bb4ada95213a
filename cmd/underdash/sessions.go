package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"underdash/daemon"
	"underdash/store"
	"underdash/store/summary"
)

func sessionsCommand() *cobra.Command {
	var (
		in     where
		asJSON bool
	)
	cmd := &cobra.Command{
		Use:   "sessions",
		Short: "List the recorded drives, and what the daemon is doing",
		Args:  exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			dir, err := in.path()
			if err != nil {
				return err
			}
			list, err := listing(cmd.Context(), dir, asJSON)
			if err != nil {
				return err
			}
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				return enc.Encode(list)
			}
			return list.print(cmd.OutOrStdout())
		},
	}
	in.flags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of a table")
	return cmd
}

// sessionRow is one drive in a listing, for people.
type sessionRow struct{ summary.Row }

type sessionList struct {
	Store    string         `json:"store"`
	Sessions []sessionRow   `json:"sessions"`
	Daemon   *daemon.Status `json:"daemon,omitempty"` // nil if none is running
	Fault    string         `json:"fault,omitempty"`  // of the applied calibrations

	DaemonFault string `json:"daemon_fault,omitempty"` // why it is not known what the daemon does
}

// listing describes a store's sessions. How their inputs are corrected takes a look into every one
// of them.
func listing(ctx context.Context, dir string, corrections bool) (sessionList, error) {
	l := sessionList{Store: dir, Sessions: []sessionRow{}}
	infos, err := store.List(dir)
	if err != nil {
		return l, err
	}
	calibrations, err := store.Calibrations(dir)
	if err != nil { // no reason to withhold the sessions
		l.Fault = err.Error()
	}
	status, _, running, err := daemon.ReadStatus(dir)
	if err != nil { // no reason either
		l.DaemonFault = err.Error()
	}
	if running {
		l.Daemon = &status
	}
	for n, i := range infos {
		if i.State == store.Recording {
			infos[n] = recordingInfo(ctx, dir, i)
		}
	}
	dates := store.Date(infos, store.Anchors(dir))
	for _, n := range store.Ordered(infos, dates) {
		r := sessionRow{summary.RowOf(infos[n], dates[n])}
		if corrections {
			r.lookInto(ctx, dir, calibrations)
		}
		l.Sessions = append(l.Sessions, r)
	}
	if l.Daemon != nil {
		l.Daemon = nowOf(ctx, dir, l.Daemon)
	}
	return l, nil
}

// nowOf is the daemon's own word, with its counters, or what it last wrote down.
func nowOf(ctx context.Context, dir string, written *daemon.Status) *daemon.Status {
	client := running(dir)
	if client == nil {
		return written
	}
	defer client.Close()
	var now daemon.Status
	if client.Status(ctx, &now) != nil {
		return written
	}
	return &now
}

// lookInto adds what a listing of the store does not tell: how the inputs are corrected. Nothing is added of a session that
// cannot be read.
func (r *sessionRow) lookInto(ctx context.Context, dir string, calibrations []store.Applied) {
	path, err := store.Find(dir, r.ID)
	if err != nil {
		return
	}
	reader, err := openSession(ctx, dir, path)
	if err != nil {
		return
	}
	defer reader.Close()
	r.Read = summary.ReadBy(reader.Meta(), calibrations)
}

func (l sessionList) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	unsure := false
	fmt.Fprintln(w, "SESSION\tBEGAN (UTC)\tLENGTH\tREADINGS\tSIZE\tVEHICLE\tSTATE\tREMARKS")
	for _, r := range l.Sessions {
		began, guess := r.BeganText()
		unsure = unsure || guess
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%s\t%s\t%s\t%s\n", r.ID, began, seconds(r.Length).Round(time.Second), r.Readings, summary.SizeText(r.Bytes), r.Vehicle, r.State, r.remarks())
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("print the sessions: %w", err)
	}
	if len(l.Sessions) == 0 {
		fmt.Fprintln(out, "no sessions yet")
	}
	if unsure {
		fmt.Fprintln(out, "~ by the board's own clock, which was not known to be right")
	}
	if l.Fault != "" {
		fmt.Fprintln(out, l.Fault)
	}
	l.printDaemon(out)
	return nil
}

// remarks is the one line that a listing has room for: what is wrong first, then where readings are missing.
func (r sessionRow) remarks() string {
	var all []string
	if r.Pinned {
		all = append(all, "pinned")
	}
	if b := r.Bounds(); b != "" {
		all = append(all, b)
	}
	switch more := len(r.Gaps) - 1; {
	case r.Err != "":
		all = append(all, r.Err)
	case more > 0:
		all = append(all, fmt.Sprintf("%v (and %s)", r.Gaps[0], counted(more, "more gap")))
	case more == 0:
		all = append(all, r.Gaps[0].String())
	}
	return strings.Join(all, "; ")
}

// counted is a number of things: "1 session", "2 sessions".
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func (l sessionList) printDaemon(out io.Writer) {
	if l.DaemonFault != "" {
		fmt.Fprintf(out, "\nWhat the daemon is doing is not known: %s.\n", l.DaemonFault)
		return
	}
	if l.Daemon == nil {
		fmt.Fprintln(out, "\nNo daemon is recording into this store.")
		return
	}
	fmt.Fprint(out, "\nThe daemon is running")
	if l.Daemon.Recording != "" {
		fmt.Fprintf(out, " and records session %s", l.Daemon.Recording)
	}
	fmt.Fprintln(out, ".")
	for _, p := range l.Daemon.Parts {
		fmt.Fprintf(out, "  %s: %s since %s", p.Name, p.State, p.Since.UTC().Format("15:04:05"))
		if p.Why != "" {
			fmt.Fprintf(out, ": %s", p.Why)
		}
		if n, ok := p.Counts[daemon.WrittenCount]; ok {
			fmt.Fprintf(out, "; %s went to the medium since it started", summary.SizeText(int64(n)))
		}
		fmt.Fprintln(out)
	}
	var asked []summary.Polled
	for _, p := range l.Daemon.Polling {
		asked = append(asked, summary.Polled{Parameter: p.Parameter, Class: p.Class, Wanted: p.Wanted, Asked: p.Asked, Got: p.Got, WorstGap: &p.WorstGap})
	}
	_ = printPolled(out, asked) // as for all that is printed here, nobody is there to tell
}
