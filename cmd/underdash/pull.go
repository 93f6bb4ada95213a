package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"underdash/daemon/pull"
	"underdash/store/export"
)

// codeEnv may hold the access code, which a flag would show to everybody on this machine.
const codeEnv = "UNDERDASH_CODE"

func pullCommand() *cobra.Command {
	var o pull.Options
	cmd := &cobra.Command{
		Use:   "pull URL",
		Short: "Bring the drives that a directory lacks from a logger on the network",
		Long: "Brings every session that DIR lacks from the logger at URL, oldest first, and verifies each. What breaks off\n" +
			"is resumed, now or by the next run; run again it does nothing. The logger is told what has arrived: when it\n" +
			"needs room, such sessions go first. DIR is then a store as the logger's is, and every command reads it with\n" +
			"--store DIR. With --format it holds exports instead, and of those the logger is not told: an export does not\n" +
			"hold all that was read.\n\n" +
			"The first time it shows the fingerprint of the logger's certificate and asks for the access code; 'underdash\n" +
			"access' on the logger shows both. What it is given for the code is kept for the next time.",
		Args: exactArgs(1, "the logger's address, such as https://logger.local:8443"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := completePull(&o, cmd.Flags().Changed); err != nil {
				return err
			}
			return pullFrom(cmd.Context(), args[0], o, os.Stdin, cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.To, "to", "", "the directory that sessions are brought to, which is made if it is not there (`DIR`)")
	f.StringVar(&o.Format, "format", "", "bring exports in this format instead of the sessions: "+strings.Join(export.Formats(), ", "))
	f.StringVar(&o.Code, "code", "", "the access code (default: $"+codeEnv+", else it is asked for)")
	f.StringVar(&o.Fingerprint, "fingerprint", "", "the SHA-256 fingerprint of the logger's certificate (default: it is shown and asked about)")
	f.DurationVar(&o.Patience, "patience", 2*time.Minute, "how long the logger may be out of reach before it is given up")
	return cmd
}

// completePull checks what is asked for, and adds what nobody asked for.
func completePull(o *pull.Options, set func(flag string) bool) error {
	switch {
	case o.To == "":
		return usageError{errors.New("name the directory that sessions are brought to with --to")}
	case o.Format != "" && !slices.Contains(export.Formats(), o.Format):
		return usageError{fmt.Errorf("--format %s: there is %s", o.Format, strings.Join(export.Formats(), ", "))}
	case o.Patience <= 0:
		return usageError{fmt.Errorf("--patience %v: give more than 0, such as 2m", o.Patience)}
	case set("code") && strings.TrimSpace(o.Code) == "":
		return usageError{errors.New("--code is empty: 'underdash access' on the logger shows the access code")}
	}
	o.Code = strings.TrimSpace(cmp.Or(o.Code, os.Getenv(codeEnv)))
	dir, err := os.UserConfigDir()
	if err != nil {
		return fmt.Errorf("find where the logger's token is to be kept: %w", err)
	}
	o.Keep = filepath.Join(dir, "underdash", "loggers.json")
	o.Name = "pull"
	if host, err := os.Hostname(); err == nil {
		o.Name = "pull on " + host
	}
	return nil
}

func pullFrom(ctx context.Context, address string, o pull.Options, in *os.File, out io.Writer) error {
	shown := &pullShown{out: out}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		shown.terminal = true
	}
	if term.IsTerminal(int(in.Fd())) {
		o.Confirm = func(ctx context.Context, fingerprint string) (bool, error) {
			return asked(ctx, in, func() (bool, error) { return confirm(in, out, address, fingerprint) })
		}
		o.AskCode = func(ctx context.Context) (string, error) {
			return asked(ctx, in, func() (string, error) { return askCode(in, out) })
		}
	}
	o.Told, o.Progress = shown.say, shown.progress
	p, err := pull.New(address, o)
	if err != nil {
		return usageError{err}
	}
	report, err := p.Run(ctx)
	shown.end()
	if report.Listed > 0 || err == nil {
		fmt.Fprintln(out, pullSummary(report, o.To))
	}
	return err
}

// asked asks at a terminal until ctx ends, and leaves the terminal as it was. Who was asking then cannot be waited for: nothing
// but a line that is typed ends a read of a terminal. The program ends instead.
func asked[T any](ctx context.Context, in *os.File, ask func() (T, error)) (answer T, err error) {
	before, err := term.GetState(int(in.Fd()))
	if err != nil {
		return answer, fmt.Errorf("ask at the terminal: %w", err)
	}
	type said struct {
		answer T
		err    error
	}
	done := make(chan said, 1)
	go func() {
		a, err := ask()
		done <- said{a, err}
	}()
	select {
	case s := <-done:
		return s.answer, s.err
	case <-ctx.Done():
		return answer, errors.Join(context.Cause(ctx), term.Restore(int(in.Fd()), before))
	}
}

// confirm shows a fingerprint and asks whether it is the logger's.
func confirm(in io.Reader, out io.Writer, address, fingerprint string) (bool, error) {
	fmt.Fprintf(out, "The first time at %s. The fingerprint of its certificate is\n  %s\nIs it what 'underdash access' shows on the logger? [y/N] ", address, fingerprint)
	answer, err := line(in)
	if err != nil {
		return false, fmt.Errorf("ask about the fingerprint: %w", err)
	}
	answer = strings.ToLower(strings.TrimSpace(answer))
	return answer == "y" || answer == "yes", nil
}

// line reads no further than the line's end: what follows is for who asks next.
func line(in io.Reader) (string, error) {
	var text []byte
	for b := make([]byte, 1); len(text) < 1000; {
		n, err := in.Read(b)
		if n == 1 && b[0] == '\n' {
			break
		}
		text = append(text, b[:n]...)
		if err == io.EOF && len(text) > 0 {
			break
		}
		if err != nil {
			return "", err
		}
	}
	return string(text), nil
}

// askCode asks for the access code without showing it.
func askCode(in *os.File, out io.Writer) (string, error) {
	fmt.Fprint(out, "Access code (not shown): ")
	code, err := term.ReadPassword(int(in.Fd()))
	fmt.Fprintln(out)
	return strings.TrimSpace(string(code)), err
}

// tellTime is how often a long download is told of where there is no bar.
const tellTime = 10 * time.Second

// pullShown shows how it goes: a bar on a terminal, lines elsewhere.
type pullShown struct {
	out      io.Writer
	terminal bool
	bar      *progressbar.ProgressBar
	of       string // what the bar is about
	told     time.Duration
}

func (s *pullShown) say(text string) {
	s.end()
	fmt.Fprintln(s.out, text)
}

func (s *pullShown) end() {
	if s.bar != nil {
		_ = s.bar.Clear() // a bar that cannot be drawn is no reason to fail
		s.bar, s.of = nil, ""
	}
}

func (s *pullShown) progress(p pull.Progress) {
	head := fmt.Sprintf("%d/%d %s", p.Nth, p.Of, p.Name)
	switch {
	case p.Finished:
		s.told = 0
		s.say(fmt.Sprintf("%s  %s, %s", head, megabytes(p.Done), speed(p.Received, p.Took)))
	case s.terminal:
		if s.bar == nil || s.of != p.Name {
			s.end()
			s.of = p.Name
			s.bar = progressbar.NewOptions64(p.Total, progressbar.OptionSetWriter(s.out), progressbar.OptionSetWidth(30), progressbar.OptionShowBytes(true),
				progressbar.OptionSetDescription(head), progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
		}
		_ = s.bar.Set64(p.Done)
	case p.Took-s.told >= tellTime:
		s.told = p.Took
		s.say(fmt.Sprintf("%s  %s%s so far, %s", head, megabytes(p.Done), ofTotal(p), speed(p.Received, p.Took)))
	case p.Took < s.told:
		s.told = 0
	}
}

func ofTotal(p pull.Progress) string {
	if p.Total < 0 {
		return ""
	}
	return " of " + megabytes(p.Total)
}

func megabytes(n int64) string { return fmt.Sprintf("%.2f MB", float64(n)/1e6) }

func speed(n int64, took time.Duration) string {
	if n == 0 || took <= 0 {
		return "nothing of it came anew"
	}
	return fmt.Sprintf("%.2f MB/s", float64(n)/1e6/took.Seconds())
}

// pullSummary is what a run came to, in a sentence.
func pullSummary(r pull.Report, to string) string {
	parts := []string{fmt.Sprintf("%d brought to %s", len(r.Brought), to)}
	if len(r.Brought) > 0 {
		parts[0] += fmt.Sprintf(" (%s, %s)", megabytes(r.Received), speed(r.Received, r.Took))
	}
	parts = append(parts, fmt.Sprintf("%d there already", r.Had))
	if n := len(r.Left); n > 0 {
		parts = append(parts, fmt.Sprintf("%d left for the next time", n))
	}
	if n := len(r.Failed); n > 0 {
		parts = append(parts, fmt.Sprintf("%d not brought", n))
	}
	return fmt.Sprintf("%s: %s", counted(r.Listed, "session"), strings.Join(parts, ", "))
}
