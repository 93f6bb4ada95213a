package access

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"time"
)

// Check tells whose cookie or token a credential is; not ok if it is nobody's, not any more, or if the file cannot be read. How
// long it takes tells nothing of how nearly right a credential is.
func (k *Keeper) Check(credential string) (p Pass, ok bool) {
	s, err := k.read()
	if err != nil || len(credential) > maxCredential {
		return Pass{}, false
	}
	sum, at := sha256.Sum256([]byte(credential)), -1
	for i := range s.Passes {
		at = subtle.ConstantTimeSelect(subtle.ConstantTimeCompare(sum[:], s.Passes[i].SHA256[:]), i, at)
	}
	now := k.now()
	if at < 0 || s.Passes[at].expired(now) {
		return Pass{}, false
	}
	p = s.Passes[at].Pass
	k.use(p, now)
	p.Used = now
	return p, true
}

// dateless tells whether a browser came in while the clock was not set, and it is now: its time counts from now on.
func (p Pass) dateless(now time.Time) bool {
	return p.Kind == Browser && p.Made.Before(clockSet) && !now.Before(clockSet)
}

func (p Pass) expired(now time.Time) bool {
	return !p.Until.IsZero() && !now.Before(p.Until) && !p.dateless(now)
}

// use remembers that a pass was used, and writes that down now and then. Nobody waits for it, nor is kept out where it fails.
func (k *Keeper) use(p Pass, now time.Time) {
	k.mu.Lock()
	k.used[p.ID] = now
	due := (p.dateless(now) || now.Sub(p.Used) >= usedEvery) && (!now.Before(k.next) || k.next.Sub(now) > usedEvery)
	if due {
		k.next = now.Add(usedEvery)
	}
	k.mu.Unlock()
	if !due || !k.writing.TryLock() {
		return
	}
	defer k.writing.Unlock()
	err := k.changeLocked(0, func(s *state) error {
		for i := range s.Passes {
			if p := &s.Passes[i].Pass; p.dateless(now) {
				p.Made, p.Until = now, now.Add(BrowserLife)
			}
		}
		return nil
	})
	if err != nil && !errors.Is(err, errLocked) {
		k.o.Log.Warn("could not write down who came in last", "err", err)
	}
}

// noteUses puts what is remembered of uses into a state that is to be written.
func (k *Keeper) noteUses(s *state) {
	k.mu.Lock()
	defer k.mu.Unlock()
	live := make(map[string]time.Time, len(s.Passes))
	for i := range s.Passes {
		p := &s.Passes[i]
		if u, ok := k.used[p.ID]; ok {
			live[p.ID] = u
			if u.After(p.Used) {
				p.Used = u
			}
		}
	}
	k.used = live
}
