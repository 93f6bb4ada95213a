package calibration

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
	"underdash/store/derive"
)

// Drift is how a kind of known level moved over the sessions.
type Drift struct {
	Kind     string  `json:"kind"`
	Sessions int     `json:"sessions"`
	PerMonth float64 `json:"per_month"` // volts at the plug in 30 days
	Sigma    float64 `json:"sigma"`     // its standard uncertainty
	Moves    bool    `json:"moves"`     // for certain
}

// Check is what the last sessions show by themselves, without anybody measuring anything.
type Check struct {
	Finding
	Sessions int     `json:"sessions"`    // that were looked at
	Showing  int     `json:"with_levels"` // of them showed a known level
	Drifts   []Drift `json:"drifts,omitempty"`
	Summary  string  `json:"summary"` // sentences
}

// fallback is what separates sessions whose date is not known, for a trend.
const fallback = 24 * time.Hour

// CheckSessions looks at the known levels that the last sessions of a store showed by themselves: at most so many, and only those of
// this input.
func CheckSessions(dir string, a config.Analog, most int, afr float64) (Check, error) {
	sessions, err := store.List(dir)
	if err != nil {
		return Check{}, err
	}
	dates := store.Date(sessions, store.Anchors(dir))
	if n := len(sessions) - most; n > 0 {
		sessions, dates = sessions[n:], dates[n:]
	}
	var (
		x      []float64
		levels [][]mixture.Level
		kept   [][]store.Level
		first  time.Time
		last   time.Time
	)
	c := Check{Sessions: len(sessions)}
	for i, s := range sessions {
		references, err := referencesOf(dir, s, a.Name)
		if err != nil {
			return Check{}, err
		}
		var known []mixture.Level
		var seen []store.Level
		for _, r := range references {
			known, seen = append(known, Known(r.Level)), append(seen, r.Level)
		}
		began := dates[i].Began
		if began.IsZero() || began.Before(last) { // not known, or not to be believed
			began = last.Add(fallback)
		}
		if last = began; first.IsZero() {
			first = began
		}
		if len(seen) > 0 {
			x, levels, kept = append(x, began.Sub(first).Hours()/24/30), append(levels, known), append(kept, seen)
		}
	}
	c.Showing = len(kept)
	moves := false
	for _, d := range mixture.Drifts(x, levels) {
		c.Drifts = append(c.Drifts, Drift{Kind: string(d.Kind), Sessions: d.Trend.N, PerMonth: d.Trend.Slope, Sigma: d.Trend.Sigma, Moves: d.Trend.Moves()})
		moves = moves || d.Trend.Moves()
	}
	if moves { // what was true earlier is not any more: the newest says what is
		kept = kept[len(kept)-1:]
	}
	c.Finding = Judge(a, slices.Concat(kept...), afr)
	c.Finding.Text = c.found.Text()
	c.Summary = c.summary()
	return c, nil
}

// referencesOf are the known levels that a session showed of an input: as it was recorded, or by reading it back, which says the same.
func referencesOf(dir string, s store.Info, input string) (found []store.Reference, err error) {
	path, err := store.Find(dir, s.ID)
	if err != nil {
		return nil, err
	}
	r, err := store.OpenReader(path)
	if errors.Is(err, store.ErrRecording) || err != nil && s.Err != "" {
		return nil, nil // it has not ended, or is listed as one that cannot be read
	}
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	meta := r.Meta() // a listing has not the whole of it
	for _, r := range meta.References {
		if r.Input == input {
			found = append(found, r)
		}
	}
	has := slices.ContainsFunc(meta.Channels, func(c store.Channel) bool {
		return c.Name == input && c.Analog != nil && c.Analog.Kind == config.Wideband
	})
	if len(found) > 0 || !has {
		return found, nil
	}
	session, err := derive.New(r)
	if err != nil {
		return nil, fmt.Errorf("read session %s: %w", s.ID, err)
	}
	observer, err := session.Observe(input)
	if err != nil {
		return nil, fmt.Errorf("read session %s: %w", s.ID, err)
	}
	if observer == nil {
		return nil, nil
	}
	for _, o := range observer.Levels() {
		found = append(found, derive.StoreReference(input, o))
	}
	return found, nil
}

func (c *Check) summary() string {
	if c.Showing == 0 {
		return fmt.Sprintf("None of the last %d sessions showed a level that is known: it takes a cold start with the controller's warm-up level, a steady cruise in closed loop, or a long fuel cut.", c.Sessions)
	}
	lines := []string{c.Text}
	steady := true
	for _, d := range c.Drifts {
		if d.Moves {
			steady = false
			direction := "rises"
			if d.PerMonth < 0 {
				direction = "falls"
			}
			lines = append(lines, fmt.Sprintf("The %s %s by %.1f mV a month (± %.1f mV): something ages, a connector most likely.", d.Kind, direction, 1000*math.Abs(d.PerMonth), 2000*d.Sigma))
		}
	}
	if steady && c.Showing >= 3 {
		lines = append(lines, "Nothing drifts, as far as these sessions tell.")
	}
	return strings.Join(lines, " ")
}
