package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"underdash/store"
	"underdash/store/derive"
	"underdash/store/export"
)

func exportCommand() *cobra.Command {
	var (
		in          where
		format, out string
		rate        float64
		aligned     bool
	)
	cmd := &cobra.Command{
		Use:   "export SESSION",
		Short: "Write a session to a file that other programs read",
		Long: "Writes one session, decoded and corrected. SESSION is a name from 'underdash sessions', the beginning of\n" +
			"one, or 'last'. In CSV there is a row for every instant at which something was read, and a cell is filled\n" +
			"only where that channel was read: nothing is made up in between. Beside FILE a description of the columns\n" +
			"is written (FILE" + export.DescriptionSuffix + "), unless that is a device or a pipe, which is written to as it is.",
		Args: exactArgs(1, "one session, by its name, the beginning of it, or 'last'"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if rate != 0 && !(rate >= derive.LeastRate && rate <= derive.MostRate) {
				return usageError{fmt.Errorf("--rate %v: analog inputs are averaged to %v to %v a second; leave it out for every reading", rate, derive.LeastRate, derive.MostRate)}
			}
			if !slices.Contains(export.Formats(), format) {
				return usageError{fmt.Errorf("--format %s: there is %s", format, strings.Join(export.Formats(), ", "))}
			}
			dir, err := in.path()
			if err != nil {
				return err
			}
			path, err := store.Find(dir, args[0])
			if err != nil {
				return usageError{err}
			}
			open := func() (*store.Reader, error) { return openSession(cmd.Context(), dir, path) }
			// What was applied and cannot be read is told, and no reason to withhold the session.
			calibrations, unread := store.Calibrations(dir)
			if unread != nil {
				unread = fmt.Errorf("exported by the session's own calibrations alone: %w", unread)
			}
			o := derive.Options{Rate: rate, Aligned: aligned, Uncertainty: true, Calibrations: calibrations}
			if out == "-" {
				return errors.Join(exportTo(open, path, format, o, cmd.OutOrStdout()), unread)
			}
			if out == "" {
				out = store.IDOf(path) + "." + format
			}
			if err := exportFile(open, path, format, o, out); err != nil {
				return errors.Join(err, unread)
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "wrote %s\n", out)
			return unread
		},
	}
	in.flags(cmd)
	cmd.Flags().StringVar(&format, "format", "csv", "the file format: "+strings.Join(export.Formats(), ", "))
	cmd.Flags().Float64Var(&rate, "rate", 0, "average the analog inputs to so many values a second, single-sample spikes dropped (default: every reading)")
	cmd.Flags().BoolVar(&aligned, "aligned", true, "add λ at the instants when its mixture was drawn in, beside the plain one")
	cmd.Flags().StringVar(&out, "out", "", "the file to write, - for standard output (default: the session's name)")
	return cmd
}

// opener opens a session's file, or asks the daemon for the session.
type opener func() (*store.Reader, error)

func exportTo(open opener, path, format string, o derive.Options, out io.Writer) error {
	session, close, err := derived(open, o)
	if err != nil {
		return err
	}
	defer close()
	if err := export.Write(out, format, session); err != nil {
		return fmt.Errorf("export %s: %w", filepath.Base(path), err)
	}
	return nil
}

// exportFile writes under another name first, so that a half-written export never passes for a whole one. A symbolic link
// stays one; what is there already and is no file, such as a device or a pipe, is written to and nothing put in its place.
func exportFile(open opener, path, format string, o derive.Options, out string) (err error) {
	switch info, err := os.Stat(out); {
	case err == nil && info.IsDir():
		return usageError{fmt.Errorf("%s is a directory: --out takes the name of a file", out)}
	case err == nil && !info.Mode().IsRegular():
		return exportInto(open, format, o, out)
	}
	session, close, err := derived(open, o)
	if err != nil {
		return err
	}
	defer close()
	target := linked(out)
	f, err := os.CreateTemp(filepath.Dir(target), "."+filepath.Base(target)+".*")
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close(), os.Remove(f.Name()))
		}
	}()
	// What is missing because blocks are damaged is told, and no reason to withhold the rest.
	err = export.Write(f, format, session)
	incomplete := (*export.Incomplete)(nil)
	if err != nil && !errors.As(err, &incomplete) {
		return fmt.Errorf("export to %s: %w", out, err)
	}
	if err = errors.Join(f.Chmod(0o644), f.Sync()); err != nil {
		return fmt.Errorf("export to %s: %w", out, err)
	}
	if err = os.Rename(f.Name(), target); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("export to %s: %w", out, err)
	}
	if err := describe(session, path, out); err != nil {
		return err
	}
	if incomplete != nil {
		return fmt.Errorf("%s: %w", out, incomplete)
	}
	return nil
}

// exportInto writes to what is no file and takes what comes.
func exportInto(open opener, format string, o derive.Options, out string) error {
	f, err := os.OpenFile(out, os.O_WRONLY, 0)
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	return errors.Join(exportTo(open, out, format, o, f), f.Close())
}

// linked is the file that a name leads to, whether it is there or not.
func linked(name string) string {
	for range 40 { // as many as Linux follows
		to, err := os.Readlink(name)
		if err != nil {
			return name
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(filepath.Dir(name), to)
		}
		name = to
	}
	return name
}

func describe(session *derive.Session, path, out string) error {
	f, err := os.Create(out + export.DescriptionSuffix)
	if err != nil {
		return fmt.Errorf("describe the export: %w", err)
	}
	if err := errors.Join(export.Describe(f, filepath.Base(out), session, store.DateOf(filepath.Dir(path), session.Meta())), f.Close()); err != nil {
		return fmt.Errorf("describe the export: %w", err)
	}
	return nil
}

// derived opens a session to be read as quantities.
func derived(open opener, o derive.Options) (*derive.Session, func() error, error) {
	r, err := open()
	if err != nil {
		return nil, nil, err
	}
	session, err := derive.NewWith(r, o)
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("read session %s: %w", r.Info().ID, err), r.Close())
	}
	return session, r.Close, nil
}
