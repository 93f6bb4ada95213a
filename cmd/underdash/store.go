package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"underdash/daemon/socket"
	"underdash/store"
)

func storeCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "store",
		Short: "Check, mend and tidy the store of sessions",
		Args:  exactArgs(0, "one of its commands, see --help"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return usageError{errors.New("'underdash store' takes one of its commands; 'underdash store --help' lists them")}
		},
	}
	cmd.AddCommand(storeCheckCommand(), storeSalvageCommand(), storeAddCommand(), storeDeleteCommand(),
		storePinCommand(true), storePinCommand(false))
	return cmd
}

func storeCheckCommand() *cobra.Command {
	var (
		in     where
		asJSON bool
	)
	cmd := &cobra.Command{
		Use:   "check [SESSION...]",
		Short: "Verify sessions and say what is damaged and what it cost",
		Long: "Reads whole session files, all or those named, and compares them with what they say of themselves: pages,\n" +
			"descriptions, every block's checksum and place, and the digest that was taken when the session was sealed.\n" +
			"A name with a / in it is a file. With all, the store's marks, such as pins, are looked at too. Nothing is\n" +
			"changed. The session that is being recorded is left out.",
		RunE: func(cmd *cobra.Command, args []string) error {
			paths, err := in.sessionFiles(args)
			if err != nil {
				return err
			}
			err = checkFiles(cmd.OutOrStdout(), paths, asJSON)
			if len(args) > 0 {
				return err
			}
			dir, _ := in.path() // which is known to be there
			return errors.Join(err, store.CheckMarks(dir))
		},
	}
	in.flags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of lines")
	return cmd
}

// sessionFiles finds the files of the sessions named, or of all.
func (w *where) sessionFiles(names []string) (paths []string, err error) {
	dir := ""
	for _, name := range names {
		if strings.ContainsRune(name, '/') || strings.ContainsRune(name, filepath.Separator) {
			paths = append(paths, name)
			continue
		}
		if dir, err = w.path(); err != nil {
			return nil, err
		}
		path, err := store.Find(dir, name)
		if err != nil {
			return nil, usageError{err}
		}
		paths = append(paths, path)
	}
	if len(names) > 0 {
		return paths, nil
	}
	if dir, err = w.path(); err != nil {
		return nil, err
	}
	infos, err := store.List(dir)
	for _, i := range infos {
		paths = append(paths, filepath.Join(dir, i.File))
	}
	return paths, err
}

func checkFiles(out io.Writer, paths []string, asJSON bool) error {
	reports := []store.Report{}
	damaged := 0
	for _, path := range paths {
		r, err := store.Check(path)
		name := strings.TrimSuffix(filepath.Base(path), ".session")
		switch {
		case errors.Is(err, store.ErrRecording):
			r = store.Report{ID: name, State: store.Recording, Cost: "not checked while it is being recorded"}
		case err != nil:
			r = store.Report{ID: name, State: store.Unreadable, Faults: []string{err.Error()}, Cost: "it could not be checked"}
		}
		if !r.Sound() {
			damaged++
		}
		reports = append(reports, r)
		if !asJSON {
			printReport(out, r)
		}
	}
	if asJSON {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		if err := enc.Encode(reports); err != nil {
			return fmt.Errorf("print the reports: %w", err)
		}
	}
	if damaged > 0 {
		return fmt.Errorf("%d of %d sessions are damaged", damaged, len(paths))
	}
	if !asJSON {
		fmt.Fprintf(out, "%s, none damaged\n", counted(len(paths), "session"))
	}
	return nil
}

func printReport(out io.Writer, r store.Report) {
	switch {
	case r.State == store.Recording:
		fmt.Fprintf(out, "%s  %s\n", r.ID, r.Cost)
		return
	case r.Sound():
		sealed := ""
		if r.Sealed {
			sealed = ", digest right"
		}
		fmt.Fprintf(out, "%s  sound: %s, %d blocks, %d readings%s\n", r.ID, r.State, r.Blocks, r.Readings, sealed)
		return
	}
	fmt.Fprintf(out, "%s  damaged: %s\n", r.ID, r.Cost)
	for _, l := range r.Lost {
		fmt.Fprintf(out, "  lost: %v\n", l)
	}
	for _, f := range r.Faults {
		fmt.Fprintf(out, "  %s\n", f)
	}
}

func storeSalvageCommand() *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "salvage FILE",
		Short: "Read what can be read of a damaged session file into a new one",
		Long: "Looks for the session's blocks in the whole file, whether or not anything still leads to them, and writes\n" +
			"those that are whole to a new session file. FILE stays as it is. The new file goes into a store with\n" +
			"'underdash store add'.",
		Args: exactArgs(1, "one session file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			to := out
			if to == "" {
				to = strings.TrimSuffix(filepath.Base(args[0]), ".session") + ".salvaged"
			}
			if _, err := os.Stat(args[0]); err != nil {
				return usageError{err}
			}
			r, err := store.Salvage(args[0], to)
			if err != nil {
				return err
			}
			printReport(cmd.OutOrStdout(), r)
			fmt.Fprintf(cmd.OutOrStdout(), "wrote %s: %d blocks, %d readings\n", to, r.Blocks, r.Readings)
			return nil
		},
	}
	cmd.Flags().StringVar(&out, "out", "", "the file to write (default: FILE's name with .salvaged behind, in this directory)")
	return cmd
}

func storeAddCommand() *cobra.Command {
	var in where
	cmd := &cobra.Command{
		Use:   "add FILE...",
		Short: "Take session files into a store, each at most once",
		Long: "Copies sessions from elsewhere, such as a logger's card, into a store, such as an archive; the store's\n" +
			"directory is made if it is not there. Sessions that it has already are left out.",
		Args: leastArgs(1, "one session file or more"),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir, err := in.name()
			if err != nil {
				return err
			}
			s, err := store.Open(dir, store.Options{Told: tell(cmd.ErrOrStderr())})
			if err != nil {
				return err
			}
			return errors.Join(addFiles(cmd.OutOrStdout(), s, args), s.Close())
		},
	}
	in.flags(cmd)
	return cmd
}

func addFiles(out io.Writer, s *store.Store, paths []string) error {
	var faults []error
	for _, path := range paths {
		id, added, err := s.Add(path)
		switch {
		case err != nil:
			faults = append(faults, err)
		case added:
			fmt.Fprintf(out, "%s  added from %s\n", id, path)
		default:
			fmt.Fprintf(out, "%s  was there already: %s\n", id, path)
		}
	}
	return errors.Join(faults...)
}

func storeDeleteCommand() *cobra.Command {
	var in where
	cmd := &cobra.Command{
		Use:   "delete SESSION...",
		Short: "Delete sessions for good",
		Args:  leastArgs(1, "one session or more, by name or the beginning of one"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return eachNamed(cmd, in, args, "deleted", func(ctx context.Context, c *socket.Client, id string) error { return c.Remove(ctx, id) },
				func(s *store.Store, id string) error { return s.Remove(id) })
		},
	}
	in.flags(cmd)
	return cmd
}

func storePinCommand(on bool) *cobra.Command {
	var in where
	name, short, done := "pin", "Keep sessions when room is needed", "pinned"
	if !on {
		name, short, done = "unpin", "Let sessions go when room is needed", "unpinned"
	}
	cmd := &cobra.Command{
		Use:   name + " SESSION...",
		Short: short,
		Args:  leastArgs(1, "one session or more, by name or the beginning of one"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return eachNamed(cmd, in, args, done, func(ctx context.Context, c *socket.Client, id string) error { return c.Pin(ctx, id, on) },
				func(s *store.Store, id string) error { return s.Mark(id, store.Pinned, on) })
		},
	}
	in.flags(cmd)
	return cmd
}

// eachNamed does something to each of the sessions named, after all names have been found to be right.
func eachNamed(cmd *cobra.Command, in where, names []string, done string,
	ask func(context.Context, *socket.Client, string) error, do func(*store.Store, string) error) error {
	dir, err := in.path()
	if err != nil {
		return err
	}
	var ids []string
	for _, name := range names {
		path, err := store.Find(dir, name)
		if err != nil {
			return usageError{err}
		}
		ids = append(ids, strings.TrimSuffix(filepath.Base(path), ".session"))
	}
	var faults []error
	for _, id := range ids {
		err := change(cmd.Context(), dir, func(c *socket.Client) error { return ask(cmd.Context(), c, id) },
			func(s *store.Store) error { return do(s, id) }, tell(cmd.ErrOrStderr()))
		if err != nil {
			faults = append(faults, err)
			continue
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s  %s\n", id, done)
	}
	return errors.Join(faults...)
}

// tell prints what a store does by itself.
func tell(out io.Writer) func(store.Notice) {
	return func(n store.Notice) { fmt.Fprintf(out, "%s  %s\n", n.Session, n.Text) }
}
