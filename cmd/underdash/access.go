package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"underdash/daemon/access"
	"underdash/daemon/config"
)

// accessDir is the directory, in the store's, of what says who may come in.
const accessDir = "access"

// accessWish is what the command is to do; all zero: to show.
type accessWish struct {
	newCode, revokeAll bool
	grant, revoke      string
	asJSON             bool
}

func accessCommand() *cobra.Command {
	var (
		in   where
		wish accessWish
	)
	cmd := &cobra.Command{
		Use:   "access",
		Short: "Show the access code, and who may come in over the network; change both",
		Long: "Shows where the logger is reached, the access code that lets a browser or a program in, the certificate's\n" +
			"fingerprint, and everybody who has come in. Run it on the logger, as root where the daemon is a service.\n" +
			"What is changed holds at once; the daemon may go on running.",
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := wish.check(cmd.Flags().Changed); err != nil {
				return usageError{err}
			}
			dir, err := in.path()
			if err != nil {
				return err
			}
			network, err := in.network()
			if err != nil {
				return err
			}
			dir = filepath.Join(dir, accessDir)
			k, err := access.Open(dir, access.Options{})
			if errors.Is(err, fs.ErrPermission) {
				return fmt.Errorf("%w; the files are the daemon's alone: run this as root", err)
			}
			if err != nil {
				return err
			}
			return wish.do(cmd.OutOrStdout(), dir, k, network)
		},
	}
	in.flags(cmd)
	f := cmd.Flags()
	f.BoolVar(&wish.newCode, "new-code", false, "change the access code; browsers that came in by the old one are out")
	f.StringVar(&wish.grant, "grant", "", "print a token for a program of this `NAME`, this once")
	f.StringVar(&wish.revoke, "revoke", "", "put out who holds the pass of this `ID`")
	f.BoolVar(&wish.revokeAll, "revoke-all", false, "put out everybody, browsers and programs")
	f.BoolVar(&wish.asJSON, "json", false, "print JSON instead of lines")
	return cmd
}

// check says what is wrong with what is asked for, given which flags were set.
func (w accessWish) check(set func(flag string) bool) error {
	wishes := 0
	for _, flag := range []string{"new-code", "grant", "revoke", "revoke-all"} {
		if set(flag) {
			wishes++
		}
	}
	switch {
	case wishes > 1:
		return errors.New("of --new-code, --grant, --revoke and --revoke-all give one at a time")
	case set("grant") && strings.TrimSpace(w.grant) == "":
		return fmt.Errorf("--grant: %w", access.ErrName)
	case set("revoke") && w.revoke == "":
		return errors.New("--revoke takes the ID of a pass; 'underdash access' lists them")
	}
	return nil
}

// network is what the configuration says of it: the one that was named, else the installed one, else the default.
func (w *where) network() (config.Network, error) {
	cfg, err := config.Load(cmp.Or(w.config, config.DefaultPath))
	switch {
	case errors.Is(err, fs.ErrNotExist) && w.config == "":
		return config.Default().Network, nil
	case err != nil:
		return config.Network{}, usageError{err}
	}
	return cfg.Network, nil
}

func (w accessWish) do(out io.Writer, dir string, k *access.Keeper, network config.Network) error {
	switch {
	case w.grant != "":
		token, err := k.Grant(k.Code(), "", w.grant)
		if errors.Is(err, access.ErrName) {
			return usageError{fmt.Errorf("--grant: %w", err)}
		}
		if err != nil {
			return err
		}
		if w.asJSON {
			return printJSON(out, map[string]string{"token": token})
		}
		_, err = fmt.Fprintln(out, token)
		return err
	case w.revoke != "":
		if err := k.Revoke(w.revoke); errors.Is(err, access.ErrNotFound) {
			return usageError{err}
		} else if err != nil {
			return err
		}
	case w.revokeAll:
		if err := k.RevokeAll(); err != nil {
			return err
		}
	case w.newCode:
		if _, err := k.NewCode(); err != nil {
			return err
		}
	}
	shown, err := lookAtAccess(dir, k, network)
	if err != nil {
		return err
	}
	if w.asJSON {
		return printJSON(out, shown)
	}
	return shown.print(out)
}

func printJSON(out io.Writer, v any) error {
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// accessShown is what the command shows.
type accessShown struct {
	Addresses   []string      `json:"addresses"` // URLs; none: nothing is served
	Code        string        `json:"code"`
	Fingerprint string        `json:"fingerprint,omitempty"` // SHA-256 of the certificate; empty while none was made, or without TLS
	Passes      []access.Pass `json:"passes"`
	plain       bool
}

func lookAtAccess(dir string, k *access.Keeper, network config.Network) (accessShown, error) {
	s := accessShown{Addresses: addresses(network), Code: k.Code(), Passes: k.List(), plain: network.Plain}
	if network.Plain {
		return s, nil
	}
	c, err := access.LoadCertificate(dir)
	if err == nil {
		s.Fingerprint = access.Fingerprint(c)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return s, err
	}
	return s, nil
}

// addresses are the URLs by which the logger is reached: by its name as multicast DNS has it, by configured names, and by the
// addresses that this machine has now.
func addresses(n config.Network) []string {
	all := []string{}
	host, port, err := net.SplitHostPort(n.Listen)
	if err != nil {
		return all
	}
	scheme := "https"
	if n.Plain {
		scheme = "http"
	}
	add := func(host string) { all = append(all, scheme+"://"+net.JoinHostPort(host, port)) }
	if ip := net.ParseIP(host); host != "" && (ip == nil || !ip.IsUnspecified()) {
		add(host)
		return all
	}
	if name, err := os.Hostname(); err == nil {
		name, _, _ = strings.Cut(name, ".")
		add(strings.ToLower(name) + ".local")
	}
	for _, name := range n.Names {
		add(name)
	}
	own, err := net.InterfaceAddrs()
	if err != nil {
		return all // the names are enough
	}
	for _, a := range own {
		if ip, ok := a.(*net.IPNet); ok && ip.IP.IsGlobalUnicast() {
			add(ip.IP.String())
		}
	}
	return all
}

func (s accessShown) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if len(s.Addresses) == 0 {
		fmt.Fprintln(w, "address\tnone: nothing is served, see listen in [network] of the configuration")
	}
	for i, a := range s.Addresses {
		label := ""
		if i == 0 {
			label = "address"
		}
		fmt.Fprintf(w, "%s\t%s\n", label, a)
	}
	fmt.Fprintf(w, "access code\t%s\n", s.Code)
	switch {
	case s.Fingerprint != "":
		fmt.Fprintf(w, "fingerprint\t%s (SHA-256 of the certificate)\n", s.Fingerprint)
	case s.plain:
		fmt.Fprintln(w, "fingerprint\tnone: served without encryption")
	default:
		fmt.Fprintln(w, "fingerprint\tnone yet: the daemon makes the certificate when it starts")
	}
	fmt.Fprintln(w)
	if len(s.Passes) == 0 {
		fmt.Fprintln(w, "nobody has come in")
		return w.Flush()
	}
	fmt.Fprintln(w, "ID\tKIND\tNAME\tFROM\tSINCE\tLAST USED\tUNTIL")
	for _, p := range s.Passes {
		until := "it is revoked"
		if !p.Until.IsZero() {
			until = p.Until.Local().Format(time.DateOnly)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", p.ID, p.Kind, p.Name, cmp.Or(p.From, "the board"),
			p.Made.Local().Format("2006-01-02 15:04"), p.Used.Local().Format("2006-01-02 15:04"), until)
	}
	return w.Flush()
}
