// Package pull brings sessions from a daemon to a directory, over a network that comes and goes: the sealed files
// into a store, or exports beside each other. What broke off is resumed, also by the next run; what arrived is verified,
// and the daemon is told.
package pull

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"underdash/store"
	"underdash/store/summary"
)

// Options say what is brought where, and who may be asked.
type Options struct {
	To     string // the directory, which is made if it is not there
	Format string // of exports; empty: the session files themselves, into To as a store

	Keep        string                                                                // the file that keeps fingerprints and tokens
	Name        string                                                                // by which the daemon tells this program from others
	Code        string                                                                // the access code; empty: see AskCode
	AskCode     func(ctx context.Context) (string, error)                             // nil: nobody can be asked
	Fingerprint string                                                                // of the daemon's certificate, as hex digits; empty: the one kept, or see Confirm
	Confirm     func(ctx context.Context, fingerprint string) (right bool, err error) // nil: nobody can be asked

	Patience time.Duration  // how long the daemon may be out of reach; default 2 minutes
	Told     func(string)   // hears sentences for people; default: nobody does
	Progress func(Progress) // hears how far a download is; default: nobody does
}

func (o Options) withDefaults() Options {
	o.Patience = cmp.Or(o.Patience, 2*time.Minute)
	if o.Told == nil {
		o.Told = func(string) {}
	}
	if o.Progress == nil {
		o.Progress = func(Progress) {}
	}
	return o
}

// Progress is how far a download is.
type Progress struct {
	Name        string // of what is brought
	Nth, Of     int    // it is this one of so many
	Done, Total int64  // bytes; Total is -1 while it is not known
	Finished    bool   // it is there, and verified
	Took        time.Duration
	Received    int64 // bytes that came meanwhile, in this run
}

// Report is what a run came to.
type Report struct {
	Listed   int           // sessions that the daemon has
	Brought  []string      // names of those that were brought
	Had      int           // that were there already
	Left     []Left        // for the next time: they are being recorded, or not sealed yet
	Failed   []Left        // that could not be brought
	Received int64         // bytes
	Took     time.Duration // for all downloads
}

// Left is a session that was not brought.
type Left struct{ ID, Why string }

// Puller brings sessions. It is used once.
type Puller struct {
	o      Options
	base   *url.URL
	client *client
	away   away

	dir    directory
	report Report
	nth    int
	of     int
}

// directory is where sessions go.
type directory interface {
	// has tells whether a session is there.
	has(row summary.Row) bool
	// bring fetches a session that is not there. The error concerns this session, or is a fatalError.
	bring(ctx context.Context, row summary.Row) error
	// settle is done for every session that is there, those too that were brought just now.
	settle(ctx context.Context, row summary.Row) error
	// end is done when all sessions that can be brought are there.
	end(ctx context.Context, list sessionList) error
	close() error
}

// New makes a Puller of the daemon at an address such as "https://logger.local:8443"; without a scheme it is https, and
// then without a port it is 8443. It touches nothing. The error says what is wrong with the address or the options.
func New(address string, o Options) (*Puller, error) {
	o = o.withDefaults()
	base, err := parseBase(address)
	if err != nil {
		return nil, err
	}
	if o.To == "" {
		return nil, errors.New("name the directory that sessions are brought to")
	}
	if o.Format != "" && !formatPattern.MatchString(o.Format) {
		return nil, fmt.Errorf("%q is no export format: csv, for instance, is", o.Format)
	}
	if o.Fingerprint != "" {
		if o.Fingerprint, err = ParseFingerprint(o.Fingerprint); err != nil {
			return nil, err
		}
		if base.Scheme == "http" {
			return nil, fmt.Errorf("%s is not encrypted, so that there is no certificate with a fingerprint", address)
		}
	}
	p := &Puller{o: o, base: base}
	p.client = newClient(base)
	return p, nil
}

var formatPattern = regexp.MustCompile(`^[a-z0-9]{1,16}$`)

const defaultPort = "8443" // the configuration's

func parseBase(address string) (*url.URL, error) {
	plain := !strings.Contains(address, "://")
	if plain {
		address = "https://" + address
	}
	u, err := url.Parse(address)
	switch {
	case err != nil:
		return nil, fmt.Errorf("%q is no address: one is like https://logger.local:%s", address, defaultPort)
	case u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return nil, fmt.Errorf("%q is not a logger's address: one is like https://logger.local:%s", address, defaultPort)
	}
	if plain && u.Port() == "" {
		u.Host += ":" + defaultPort
	}
	return &url.URL{Scheme: u.Scheme, Host: strings.ToLower(u.Host), Path: strings.TrimRight(u.Path, "/")}, nil
}

// A fatalError ends the run: no other session would fare better.
type fatalError struct{ error }

func (f fatalError) Unwrap() error { return f.error }

// ErrBusy says that another run brings sessions into the same directory.
var ErrBusy = errors.New("another pull into this directory is under way: let it end first")

// Run brings what is not there yet, oldest first. What could not be brought is in the report, and then the error says so; the
// other sessions are brought all the same. Run again it does nothing.
func (p *Puller) Run(ctx context.Context) (report Report, err error) {
	defer p.client.close()
	if err := os.MkdirAll(p.o.To, 0o755); err != nil {
		return report, fmt.Errorf("pull: %w", err)
	}
	lock, err := takeLock(filepath.Join(p.o.To, ".pull.lock"))
	if err != nil {
		return report, fmt.Errorf("pull to %s: %w", p.o.To, err)
	}
	defer func() { _ = lock.Close() }()
	if p.dir, err = p.openDirectory(); err != nil {
		return report, fmt.Errorf("pull to %s: %w", p.o.To, err)
	}
	defer func() { err = first(err, p.dir.close()) }()
	if err := p.enter(ctx); err != nil {
		return report, err
	}
	list, err := p.list(ctx)
	if err != nil {
		return report, err
	}
	if err := p.offerClock(ctx); err != nil {
		return report, err
	}
	err = p.all(ctx, list)
	if err == nil || ctx.Err() == nil && !errors.As(err, new(fatalError)) {
		err = first(err, p.dir.end(ctx, list))
	}
	return p.report, err
}

func (p *Puller) openDirectory() (directory, error) {
	if p.o.Format != "" {
		return openExports(p)
	}
	s, err := store.Open(p.o.To, store.Options{Told: func(n store.Notice) { p.o.Told(n.Session + ": " + n.Text) }})
	if err != nil {
		return nil, err
	}
	d, err := newSessions(p, s)
	if err != nil {
		_ = s.Close()
		return nil, err
	}
	return d, nil
}

// sessionList is the daemon's.
type sessionList struct {
	Sessions  []summary.Row `json:"sessions"`
	Recording string        `json:"recording"`
}

// idPattern is how sessions are named, as package store does it: a name from the network becomes a file's.
var idPattern = regexp.MustCompile(`^[0-9]{5,19}-[0-9a-z]{4}(-[0-9a-f]{8})?$`)

var digestPattern = regexp.MustCompile(`^[0-9a-f]{64}$`)

func (p *Puller) list(ctx context.Context) (list sessionList, err error) {
	err = p.persist(ctx, func(ctx context.Context) error {
		list = sessionList{}
		return p.client.json(ctx, "GET", "/sessions", nil, &list)
	})
	if err != nil {
		return list, fmt.Errorf("list the sessions of %s: %w", p.base.Host, err)
	}
	for _, row := range list.Sessions {
		if !idPattern.MatchString(row.ID) || row.SHA256 != "" && !digestPattern.MatchString(row.SHA256) {
			return list, fmt.Errorf("list the sessions of %s: %q is no session's name with its digest: is it a newer program's? Update this one", p.base.Host, row.ID)
		}
	}
	return list, nil
}

// all goes through the sessions.
func (p *Puller) all(ctx context.Context, list sessionList) error {
	p.report.Listed = len(list.Sessions)
	var wanted []summary.Row
	for _, row := range list.Sessions {
		switch {
		case row.ID == list.Recording || row.State == store.Recording:
			p.leave(row.ID, "it is being recorded: it is left for the next time")
		case row.SHA256 == "":
			p.leave(row.ID, "it is not sealed ("+row.State+"): it is left for the next time")
		default:
			wanted = append(wanted, row)
			if !p.dir.has(row) {
				p.of++
			}
		}
	}
	for _, row := range wanted {
		err := p.one(ctx, row)
		switch {
		case err == nil:
		case ctx.Err() != nil:
			return fmt.Errorf("pull from %s: %w: what has arrived is kept, and the next run goes on from there", p.base.Host, context.Cause(ctx))
		case errors.As(err, new(fatalError)):
			return fmt.Errorf("pull session %s: %w", row.ID, err)
		default:
			p.report.Failed = append(p.report.Failed, Left{row.ID, err.Error()})
			p.o.Told(row.ID + ": " + err.Error())
		}
	}
	if n := len(p.report.Failed); n > 0 {
		return fmt.Errorf("%d of %d sessions could not be brought; the first, %s: %s", n, p.report.Listed, p.report.Failed[0].ID, p.report.Failed[0].Why)
	}
	return nil
}

func (p *Puller) leave(id, why string) {
	p.report.Left = append(p.report.Left, Left{id, why})
	p.o.Told(id + ": " + why)
}

func (p *Puller) one(ctx context.Context, row summary.Row) error {
	if p.dir.has(row) {
		p.report.Had++
		return p.dir.settle(ctx, row)
	}
	p.nth++
	if err := p.dir.bring(ctx, row); err != nil {
		return err
	}
	p.report.Brought = append(p.report.Brought, row.ID)
	return p.dir.settle(ctx, row)
}
