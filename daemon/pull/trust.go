package pull

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
)

// known is what is kept of a daemon from one run to the next.
type known struct {
	Fingerprint string `json:"fingerprint,omitempty"` // SHA-256 of the certificate, hex
	Key         string `json:"key,omitempty"`         // of its public key, by which a renewed one is known
	Token       string `json:"token,omitempty"`
}

// is says whether a certificate is the daemon's: the one that is known, or another one of the same key, renewed.
func (k known) is(seen known) bool {
	return seen.Fingerprint != "" && (seen.Fingerprint == k.Fingerprint || k.Key != "" && seen.Key == k.Key)
}

// ParseFingerprint reads the SHA-256 of a certificate in hex digits, with colons or spaces between them or without. The error
// says what one looks like.
func ParseFingerprint(text string) (string, error) {
	digits := strings.ToLower(strings.NewReplacer(":", "", " ", "").Replace(strings.TrimSpace(text)))
	if !digestPattern.MatchString(digits) {
		return "", fmt.Errorf("%q is no fingerprint: it has 64 hexadecimal digits, as 'underdash access' on the logger shows them", text)
	}
	return digits, nil
}

// pairs is a fingerprint for people.
func pairs(digits string) string {
	b, err := hex.DecodeString(digits)
	if err != nil || len(b) == 0 {
		return "(none)"
	}
	return strings.ReplaceAll(fmt.Sprintf("% X", b), " ", ":")
}

// enter makes sure of whom it speaks to, and gets in.
func (p *Puller) enter(ctx context.Context) error {
	all, err := p.kept()
	if err != nil {
		return err
	}
	k := all[p.base.String()]
	if p.base.Scheme == "https" {
		if k, err = p.trust(ctx, k); err != nil {
			return err
		}
		p.client.expected = k
	} else if !loopback(p.base.Hostname()) {
		p.o.Told(p.base.Host + ": this is not encrypted: who listens on the network sees the sessions and can come in himself")
	}
	if p.client.token = k.Token; k.Token != "" || p.base.Scheme == "http" {
		err := p.persist(ctx, func(ctx context.Context) error { return p.client.json(ctx, http.MethodGet, "/health", nil, nil) })
		s := (*statusError)(nil)
		answered := err == nil || errors.As(err, &s)
		switch {
		case s != nil && s.Status == http.StatusBadRequest && p.base.Scheme == "http": // no code is sent to who cannot read it
			return fmt.Errorf("%s speaks no http: write https://%s", p.base.Host, p.base.Host)
		case k.Token == "" && answered:
		case err == nil:
			return p.renewed(k)
		case s == nil || s.Status != http.StatusUnauthorized:
			return err
		default:
			p.client.token, k.Token = "", ""
			p.o.Told(p.base.Host + ": the token of an earlier run holds no more: the access code is needed again")
			if err := p.keep(k); err != nil {
				return err
			}
		}
	}
	if p.base.Scheme == "https" { // nobody types a code for a stranger
		seen, err := p.look(ctx)
		if err != nil {
			return err
		}
		if !k.is(seen) {
			return &PinError{Host: p.base.Host, Seen: seen.Fingerprint, Known: k.Fingerprint}
		}
		k.Fingerprint, k.Key = seen.Fingerprint, seen.Key
	}
	if k.Token, err = p.signIn(ctx); err != nil {
		return err
	}
	p.client.token = k.Token
	return p.keep(k)
}

// renewed keeps what the daemon is known by now, if that is another certificate than before.
func (p *Puller) renewed(k known) error {
	seen := p.client.accepted()
	if seen.Fingerprint == "" || seen.Fingerprint == k.Fingerprint && seen.Key == k.Key {
		return nil
	}
	k.Fingerprint, k.Key = seen.Fingerprint, seen.Key
	return p.keep(k)
}

func loopback(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

// look connects and returns what the certificate is known by.
func (p *Puller) look(ctx context.Context) (seen known, err error) {
	err = p.persist(ctx, func(ctx context.Context) (err error) {
		seen, err = p.client.look(ctx)
		return err
	})
	return seen, err
}

// trust decides which certificate is the daemon's.
func (p *Puller) trust(ctx context.Context, k known) (known, error) {
	switch {
	case p.o.Fingerprint != "" && p.o.Fingerprint != k.Fingerprint:
		return known{Fingerprint: p.o.Fingerprint}, nil // a token was given by somebody else
	case k.Fingerprint != "":
		return k, nil
	}
	seen, err := p.look(ctx)
	if err != nil {
		return k, err
	}
	if p.o.Confirm == nil {
		return k, fmt.Errorf("%s is not known yet: its certificate has the fingerprint %s; if that is what 'underdash access' shows on the logger, give it with --fingerprint", p.base.Host, pairs(seen.Fingerprint))
	}
	right, err := p.o.Confirm(ctx, pairs(seen.Fingerprint))
	if err != nil {
		return k, err
	}
	if !right {
		return k, fmt.Errorf("nothing was sent to %s: its certificate was not confirmed", p.base.Host)
	}
	return seen, nil
}

// mostCodes is how often somebody may mistype.
const mostCodes = 3

// signIn gets a token for the access code.
func (p *Puller) signIn(ctx context.Context) (token string, err error) {
	for try := 1; ; try++ {
		code := p.o.Code
		if code == "" {
			if p.o.AskCode == nil {
				return "", fmt.Errorf("%s wants the access code, which 'underdash access' shows on the logger: give it with --code, or in $UNDERDASH_CODE", p.base.Host)
			}
			if code, err = p.o.AskCode(ctx); err != nil {
				return "", fmt.Errorf("ask for the access code: %w", err)
			}
		}
		var given struct {
			Token string `json:"token"`
		}
		err := p.persist(ctx, func(ctx context.Context) error {
			return p.client.json(ctx, http.MethodPost, "/tokens", struct {
				Code string `json:"code"`
				Name string `json:"name"`
			}{code, p.o.Name}, &given)
		})
		s := (*statusError)(nil)
		switch {
		case err == nil && (given.Token == "" || strings.ContainsFunc(given.Token, func(r rune) bool { return r <= ' ' || r > '~' })):
			return "", fmt.Errorf("%s gives no token for the access code: is it a logger?", p.base.Host)
		case err == nil:
			return given.Token, nil
		case errors.As(err, &s) && s.Status == http.StatusUnauthorized && p.o.Code == "" && try < mostCodes:
			p.o.Told(s.Error())
		default:
			return "", fmt.Errorf("sign in at %s: %w", p.base.Host, err)
		}
	}
}

// kept reads what is kept of all daemons.
func (p *Puller) kept() (map[string]known, error) {
	all := make(map[string]known)
	if p.o.Keep == "" {
		return all, nil
	}
	text, err := os.ReadFile(p.o.Keep)
	if errors.Is(err, fs.ErrNotExist) {
		return all, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read what is kept of loggers: %w", err)
	}
	if err := json.Unmarshal(text, &all); err != nil {
		return nil, fmt.Errorf("read what is kept of loggers, %s: %w: if you remove it, loggers are confirmed and the access code is asked for again", p.o.Keep, err)
	}
	return all, nil
}

// keep changes what is kept of this daemon. Nobody but the user may read it.
func (p *Puller) keep(k known) error {
	if p.o.Keep == "" {
		return nil
	}
	all, err := p.kept()
	if err != nil {
		return err
	}
	all[p.base.String()] = k
	text, err := json.MarshalIndent(all, "", " ")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(p.o.Keep), 0o700); err != nil {
		return fmt.Errorf("keep the token: %w", err)
	}
	if err := replace(p.o.Keep, append(text, '\n'), 0o600); err != nil {
		return fmt.Errorf("keep the token: %w", err)
	}
	return nil
}
