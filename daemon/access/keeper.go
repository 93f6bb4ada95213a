package access

import (
	"cmp"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
)

// usedEvery is how often it is written down at most that passes were used: the file is on a card that wears.
const usedEvery = time.Hour

// Keeper keeps who may come in. It is safe for concurrent use, and several may work on one directory, in several processes.
type Keeper struct {
	dir  string
	o    Options
	slow gates

	writing sync.Mutex // held while the files are changed, so that only processes wait for their lock by trying

	mu     sync.Mutex  // guards all below
	fresh  bool        // this Keeper made the access code
	file   os.FileInfo // of the file that state was read from, as it was no later than that; nil: read it
	state  *state      // what that said
	used   map[string]time.Time
	next   time.Time // before which no use is written down
	broken string    // what was logged last as wrong with the file
}

// Open opens a directory, that of the store's access, or makes it, with an access code. It fails with an error that wraps ErrDamaged
// for a file that makes no sense: then nobody can be let in until somebody has removed it.
func Open(dir string, o Options) (*Keeper, error) {
	const doing = "open what says who may come in"
	k := &Keeper{dir: dir, o: o.withDefaults(), used: map[string]time.Time{}}
	if err := makeDir(dir); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	if _, err := k.current(); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	if err := tighten(filepath.Join(dir, stateFile), 0o600); err != nil {
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	return k, nil
}

// Fresh tells whether this Keeper made the access code, there having been none: it is to be shown once where the logger's owner
// sees it.
func (k *Keeper) Fresh() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.fresh
}

// Code is the access code, like "K7QF-2M9X-T4HP-8WZD"; empty if the file cannot be read any more.
func (k *Keeper) Code() string {
	s, err := k.current()
	if err != nil {
		return ""
	}
	return s.Code
}

// NewCode changes the access code. Every browser that signed in by the old one is out; programs keep their tokens.
func (k *Keeper) NewCode() (code string, err error) {
	err = k.change("change the access code", func(s *state) error {
		s.Code, s.Made = newCode(), k.now()
		s.Passes = slices.DeleteFunc(s.Passes, func(p kept) bool { return p.Kind == Browser })
		code = s.Code
		return nil
	})
	return code, err
}

// SignIn lets a browser in that gives the access code, from an address (with or without a port), and returns its cookie and
// until when that holds. The error is or wraps ErrWrong, or is a SlowError. Where the board's clock is not set, until is in the
// past for the browser, so tell it the time that is left.
func (k *Keeper) SignIn(code, from, agent string) (cookie string, until time.Time, err error) {
	now := k.now()
	p := Pass{Kind: Browser, Name: printable(agent), From: printable(from), Made: now, Used: now, Until: now.Add(BrowserLife)}
	p.Name = cmp.Or(p.Name, "a browser")
	cookie, err = k.enter("sign in", code, from, p)
	return cookie, p.Until, err
}

// Grant gives a program that gives the access code a token under a name. The error is or wraps ErrWrong, ErrName or ErrFull,
// or is a SlowError. From is empty for who is at the board itself.
func (k *Keeper) Grant(code, from, name string) (token string, err error) {
	now := k.now()
	p := Pass{Kind: Program, Name: strings.TrimSpace(name), From: printable(from), Made: now, Used: now}
	return k.enter("grant a token", code, from, p)
}

// enter looks at the code and then keeps a pass for whoever gave it.
func (k *Keeper) enter(doing, code, from string, p Pass) (credential string, err error) {
	s, err := k.current()
	if err != nil {
		return "", fmt.Errorf("%s: %w", doing, err)
	}
	if err := k.slow.try(from, k.o.Now(), func() bool { return sameCode(code, s.Code) }); err != nil {
		if n := k.slow.news(k.o.Now()); n > 0 {
			k.o.Log.Warn("wrong access codes", "count", n, "last_from", printable(from))
		}
		return "", err
	}
	if p.Kind == Program && (p.Name == "" || p.Name != printable(p.Name)) {
		return "", ErrName
	}
	credential = newCredential()
	err = k.change(doing, func(now *state) error {
		if now.Code != s.Code { // somebody changed it meanwhile
			return ErrWrong
		}
		return now.add(kept{p, sha256.Sum256([]byte(credential))})
	})
	if err != nil {
		return "", err
	}
	k.o.Log.Info("somebody was let in", "kind", p.Kind, "name", p.Name, "from", p.From)
	return credential, nil
}

// add gives a pass its ID and keeps it, within the bounds of how many are kept.
func (s *state) add(p kept) error {
	s.Passes = slices.DeleteFunc(s.Passes, func(q kept) bool { return q.expired(p.Made) })
	same := func(q kept) bool { return q.Kind == p.Kind }
	n := 0
	for _, q := range s.Passes {
		if same(q) {
			n++
		}
	}
	switch {
	case p.Kind == Program && n >= maxPrograms:
		return ErrFull
	case p.Kind == Browser && n >= maxBrowsers:
		oldest := -1
		for i, q := range s.Passes {
			if same(q) && (oldest < 0 || q.Used.Before(s.Passes[oldest].Used)) {
				oldest = i
			}
		}
		s.Passes = slices.Delete(s.Passes, oldest, oldest+1)
	}
	for p.ID = newID(); slices.ContainsFunc(s.Passes, func(q kept) bool { return q.ID == p.ID }); {
		p.ID = newID()
	}
	s.Passes = append(s.Passes, p)
	return nil
}

// List returns everybody who may come in, in the order in which they did at first; nobody if the file cannot be read.
func (k *Keeper) List() []Pass {
	all := []Pass{}
	s, err := k.current()
	if err != nil {
		return all
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.now()
	for _, p := range s.Passes {
		if p.expired(now) {
			continue
		}
		if u := k.used[p.ID]; u.After(p.Used) {
			p.Used = u
		}
		all = append(all, p.Pass)
	}
	return all
}

// Revoke puts out who holds the pass of an ID. The error wraps ErrNotFound if nobody does.
func (k *Keeper) Revoke(id string) error {
	return k.change("revoke a pass", func(s *state) error {
		before := len(s.Passes)
		s.Passes = slices.DeleteFunc(s.Passes, func(p kept) bool { return strings.EqualFold(p.ID, id) })
		if len(s.Passes) == before {
			return fmt.Errorf("%w as %q; 'underdash access' lists them", ErrNotFound, id)
		}
		return nil
	})
}

// RevokeAll puts out everybody, browsers and programs. Who knows the access code comes in again; see NewCode.
func (k *Keeper) RevokeAll() error {
	return k.change("revoke all passes", func(s *state) error {
		s.Passes = nil
		return nil
	})
}

// now is the time as it is written down: UTC, to the second.
func (k *Keeper) now() time.Time { return k.o.Now().UTC().Truncate(time.Second) }

// read looks at the file as it is now: another process may have changed it a moment ago.
func (k *Keeper) read() (*state, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	// Looked at before it is read: what changes in between is read again the next time. All under the lock of this Keeper,
	// so that what is kept is never older than what was.
	at, err := os.Stat(filepath.Join(k.dir, stateFile))
	if err == nil && k.settledLocked(at) {
		return k.state, nil
	}
	k.file = nil
	if k.state, err = readState(k.dir); err != nil {
		if text := err.Error(); text != k.broken && !errors.Is(err, fs.ErrNotExist) {
			k.broken = text
			k.o.Log.Error("nobody is let in over the network", "err", err)
		}
		return nil, err
	}
	k.broken, k.file = "", at
	return k.state, nil
}

// settling is how long after it was written a file is read again and again: some file systems tell the time of the last
// change to two seconds only, and two changes within that look like one.
const settling = 3 * time.Second

// settledLocked reports whether a file is the one that was read last, and has been long enough.
func (k *Keeper) settledLocked(at os.FileInfo) bool {
	return k.file != nil && os.SameFile(k.file, at) && k.file.Size() == at.Size() && k.file.ModTime().Equal(at.ModTime()) &&
		k.now().Sub(at.ModTime()) > settling
}

// current is read, and makes an access code where there is none, or none any more.
func (k *Keeper) current() (*state, error) {
	s, err := k.read()
	if !errors.Is(err, fs.ErrNotExist) {
		return s, err
	}
	if err := k.change("make an access code", func(*state) error { return nil }); err != nil {
		return nil, err
	}
	return k.read()
}

// change has f change the state, under the lock, and writes it.
func (k *Keeper) change(doing string, f func(*state) error) error {
	k.writing.Lock()
	defer k.writing.Unlock()
	if err := k.changeLocked(lockWait, f); err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	return nil
}

func (k *Keeper) changeLocked(wait time.Duration, f func(*state) error) error {
	return locked(k.dir, wait, func() error {
		s, err := readState(k.dir)
		fresh := errors.Is(err, fs.ErrNotExist)
		switch {
		case fresh:
			s = &state{Code: newCode(), Made: k.now()}
		case err != nil:
			return err
		}
		s = s.clone()
		if err := f(s); err != nil {
			return err
		}
		k.noteUses(s)
		text, err := s.encode()
		if err == nil {
			err = replace(k.dir, stateFile, text)
		}
		if err == nil && fresh {
			k.mu.Lock()
			k.fresh = true
			k.mu.Unlock()
		}
		return err
	})
}

// printable is what people are shown of a text from the network: at most maxName characters, and none that does something.
func printable(text string) string {
	var b strings.Builder
	n := 0
	for _, c := range text {
		if n == maxName {
			break
		}
		if unicode.IsPrint(c) && c != unicode.ReplacementChar {
			b.WriteRune(c)
			n++
		}
	}
	return strings.TrimSpace(b.String())
}
