package main

import (
	"cmp"
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
	"underdash/store/derive"
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

// sessionRow is one drive in a listing.
type sessionRow struct {
	ID       string        `json:"id"`
	State    string        `json:"state"`
	Began    *time.Time    `json:"began,omitempty"`         // nil while nothing is known of it
	Clock    string        `json:"clock,omitempty"`         // where Began is from: "synchronised", "client", or "system", which is a guess
	ClockOff *float64      `json:"clock_error_s,omitempty"` // what Began may be off by, seconds; nil: not known
	After    *time.Time    `json:"began_after,omitempty"`   // of a session without a date: it began not before this,
	Before   *time.Time    `json:"began_before,omitempty"`  // and not after this
	Length   float64       `json:"length_s"`                // seconds
	Readings uint64        `json:"readings"`                //
	Bytes    int64         `json:"bytes"`                   // the file's size
	Vehicle  string        `json:"vehicle,omitempty"`       // the configured name, else the VIN that the car told
	Fuel     string        `json:"fuel,omitempty"`          //
	Protocol string        `json:"protocol,omitempty"`      // how the car was spoken to
	Gaps     []gapRow      `json:"gaps,omitempty"`          // when a source had nothing to say, and why
	Pinned   bool          `json:"pinned,omitempty"`        // it stays when room is needed
	SHA256   string        `json:"sha256,omitempty"`        // of what it holds, once it is sealed
	Read     []readRow     `json:"read_by,omitempty"`       // how the analog inputs are corrected
	Err      string        `json:"error,omitempty"`         // what is wrong with the file
	length   time.Duration // as Length
}

type gapRow struct {
	Source string   `json:"source"`
	From   float64  `json:"from_s"`
	Until  *float64 `json:"until_s"` // nil: to the end
	Why    string   `json:"why"`
}

// readRow is by which calibration an input of a session is read.
type readRow struct {
	Input  string  `json:"input"`
	Gain   float64 `json:"gain"`
	Offset float64 `json:"offset"` // volts
	Method string  `json:"method"`
	From   uint64  `json:"from_session,omitempty"` // of one that was applied
}

// String is the gap in a line.
func (g gapRow) String() string {
	until := "to the end"
	if g.Until != nil {
		until = fmt.Sprintf("to %.1f s", *g.Until)
	}
	return fmt.Sprintf("no %s from %.1f s %s: %s", g.Source, g.From, until, g.Why)
}

type sessionList struct {
	Store    string         `json:"store"`
	Sessions []sessionRow   `json:"sessions"`
	Daemon   *daemon.Status `json:"daemon,omitempty"` // nil if none is running
	Fault    string         `json:"fault,omitempty"`  // of the applied calibrations
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
	if err != nil {
		return l, err
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
	for n, i := range infos {
		r := row(i, dates[n])
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

func row(i store.Info, date store.Dating) sessionRow {
	r := sessionRow{ID: i.ID, State: i.State, Length: i.Length.Seconds(), length: i.Length, Readings: i.Samples, Bytes: i.Bytes,
		Vehicle: cmp.Or(i.Meta.Vehicle, derive.VIN(i.Meta)), Fuel: i.Meta.Fuel.Name, Protocol: i.Meta.Adapter.Protocol, Pinned: i.Pinned, SHA256: i.SHA256, Err: i.Err}
	if !date.Began.IsZero() {
		r.Began, r.Clock = &date.Began, date.Source
	}
	if date.MaxError > 0 {
		off := date.MaxError.Seconds()
		r.ClockOff = &off
	}
	if !date.After.IsZero() {
		r.After = &date.After
	}
	if !date.Before.IsZero() {
		r.Before = &date.Before
	}
	for _, e := range i.Meta.Events {
		if e.Kind != "gap" {
			continue
		}
		g := gapRow{Source: e.Source, From: e.At.Seconds(), Why: e.Text}
		if e.Until != store.StillOpen {
			until := e.Until.Seconds()
			g.Until = &until
		}
		r.Gaps = append(r.Gaps, g)
	}
	return r
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
	r.Read = readBy(reader.Meta(), calibrations)
}

// readBy tells how a session's inputs are corrected; nothing of a session that cannot be read.
func readBy(m store.Meta, calibrations []store.Applied) (rows []readRow) {
	session, err := derive.NewWith(board{meta: m}, derive.Options{Calibrations: calibrations})
	if err != nil {
		return nil
	}
	seen := map[string]bool{}
	for _, c := range m.Channels {
		k, ok := session.Correction(c.Name)
		if c.Analog == nil || !ok || seen[c.Name] {
			continue
		}
		seen[c.Name] = true
		r := readRow{Input: c.Name, Gain: k.Calibration.Gain, Offset: k.Calibration.Offset, Method: k.Calibration.Method}
		if k.Applied != nil {
			r.From = k.Applied.From
		}
		rows = append(rows, r)
	}
	return rows
}

// program is when this program was begun: no drive is older.
var program = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)

// began is the date in words, and whether it is a guess: what the board's own clock said, where nobody knows whether
// it was right and nothing says that it was wrong.
func (r sessionRow) began() (text string, guess bool) {
	switch {
	case r.Began == nil:
		return "not known", false
	case r.Clock != store.BySystem:
		return stamp(*r.Began), false
	case r.Began.Before(program), r.After != nil && r.Began.Before(*r.After), r.Before != nil && r.Began.After(*r.Before):
		return "not known", false
	}
	return "~" + stamp(*r.Began), true
}

// bounds says what is known of the date of a session that has none.
func (r sessionRow) bounds() string {
	switch {
	case r.After != nil && r.Before != nil:
		return fmt.Sprintf("began between %s and %s", stamp(*r.After), stamp(*r.Before))
	case r.After != nil:
		return "began after " + stamp(*r.After)
	case r.Before != nil:
		return "began before " + stamp(*r.Before)
	}
	return ""
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05") }

func (l sessionList) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	unsure := false
	fmt.Fprintln(w, "SESSION\tBEGAN (UTC)\tLENGTH\tREADINGS\tSIZE\tVEHICLE\tSTATE\tREMARKS")
	for _, r := range l.Sessions {
		began, guess := r.began()
		unsure = unsure || guess
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%s\t%s\t%s\t%s\n", r.ID, began, r.length.Round(time.Second), r.Readings, size(r.Bytes), r.Vehicle, r.State, r.remarks())
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
	if b := r.bounds(); b != "" {
		all = append(all, b)
	}
	switch more := len(r.Gaps) - 1; {
	case r.Err != "":
		all = append(all, r.Err)
	case more > 0:
		all = append(all, fmt.Sprintf("%v (and %d more gaps)", r.Gaps[0], more))
	case more == 0:
		all = append(all, r.Gaps[0].String())
	}
	return strings.Join(all, "; ")
}

func (l sessionList) printDaemon(out io.Writer) {
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
			fmt.Fprintf(out, "; %s went to the medium since it started", size(int64(n)))
		}
		fmt.Fprintln(out)
	}
}

func size(n int64) string {
	switch {
	case n >= 10<<20:
		return fmt.Sprintf("%d MB", n/1e6)
	case n >= 1<<20:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%d kB", (n+999)/1000)
}
