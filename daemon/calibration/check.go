package calibration

import (
	"context"
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
	Sessions int     `json:"sessions"`             // that were looked at
	Showing  int     `json:"with_levels"`          // of them showed a known level
	Others   int     `json:"otherwise_configured"` // of them had the input with another scale, divider or level: they tell nothing
	Cars     int     `json:"other_cars,omitempty"` // of them were of another car than the newest that tells its identification number
	Drifts   []Drift `json:"drifts,omitempty"`
	Summary  string  `json:"summary"` // sentences
}

// fallback is what separates sessions whose date is not known, for a trend.
const fallback = 24 * time.Hour

// MostSessions is how many sessions CheckSessions takes at the most. All their levels are fitted together, which takes the third power
// of their number; and what drifts shows in far fewer.
const MostSessions = 100

// CheckSessions looks at the known levels that the last sessions of a logger showed by themselves: at most so many, MostSessions at
// the most, and only those of this input as it is configured now, in the car that it is in now: another one has other wiring. afr is
// as for Judge.
func CheckSessions(ctx context.Context, d Drives, a config.Analog, most int, afr float64) (Check, error) {
	sessions, err := d.list()
	if err != nil {
		return Check{}, err
	}
	dates := store.Date(sessions, store.Anchors(d.Dir))
	if n := len(sessions) - min(most, MostSessions); n > 0 {
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
	car := newestCar(sessions)
	for i, s := range sessions {
		if err := ctx.Err(); err != nil {
			return Check{}, err
		}
		if OtherCar(s.Meta, car) {
			c.Cars++
			continue
		}
		references, other, err := referencesOf(d.Dir, s, a)
		if err != nil {
			return Check{}, err
		}
		if other {
			c.Others++
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

// OtherCar tells whether a session is known to be of another car than that of the identification number vin. A car that does not tell
// its number may be any.
func OtherCar(m store.Meta, vin string) bool {
	was := derive.VIN(m)
	return vin != "" && was != "" && was != vin
}

// newestCar is the identification number that the newest session of those that have one tells; empty if none does.
func newestCar(sessions []store.Info) string {
	for _, s := range slices.Backward(sessions) {
		if vin := derive.VIN(s.Meta); vin != "" {
			return vin
		}
	}
	return ""
}

// Configured tells whether a session's channels have an input with the scale, the divider and the levels that it is configured with
// now; had tells whether they have it at all. Otherwise its volts mean something else.
func Configured(channels []store.Channel, a config.Analog) (same, had bool) {
	for _, c := range channels {
		if c.Name == a.Name && c.Analog != nil {
			return c.Analog.Kind == a.Kind && derive.Levels(*c.Analog) == a.Levels() && c.Analog.Divider == a.PlugPerPin(), true
		}
	}
	return false, false
}

// referencesOf are the known levels that a session showed of an input: as it was recorded, or by reading it back, which says the same.
// other tells that the session had the input configured in another way, and shows none of it as it is now.
func referencesOf(dir string, s store.Info, a config.Analog) (found []store.Reference, other bool, err error) {
	path, err := store.Find(dir, s.ID)
	if err != nil {
		return nil, false, err
	}
	r, err := store.OpenReader(path)
	if errors.Is(err, store.ErrRecording) || err != nil && s.Err != "" {
		return nil, false, nil // it has not ended, or is listed as one that cannot be read
	}
	if err != nil {
		return nil, false, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	meta := r.Meta() // a listing has not the whole of it
	if same, had := Configured(meta.Channels, a); !same {
		return nil, had, nil
	}
	for _, r := range meta.References {
		if r.Input == a.Name {
			found = append(found, r)
		}
	}
	if len(found) > 0 {
		return found, false, nil
	}
	found, err = readBack(r, s.ID, a.Name)
	return found, false, err
}

// readBack are the known levels that a session's readings show of an input.
func readBack(r *store.Reader, id, input string) (found []store.Reference, err error) {
	session, err := derive.New(r)
	if err != nil {
		return nil, fmt.Errorf("read session %s: %w", id, err)
	}
	observer, err := session.Observe(input)
	if err != nil {
		return nil, fmt.Errorf("read session %s: %w", id, err)
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
	var lines []string
	if c.Showing == 0 {
		lines = append(lines, fmt.Sprintf("None of the last %d sessions showed a level that is known: it takes a cold start with the controller's warm-up level, a steady cruise in closed loop, or a long fuel cut.", c.Sessions))
	} else {
		lines = append(lines, c.Text)
	}
	if c.Others > 0 {
		lines = append(lines, fmt.Sprintf("Of them %d had %s configured with another scale, divider or level than now, and tell nothing of it.", c.Others, c.Input))
	}
	if c.Cars > 0 {
		lines = append(lines, fmt.Sprintf("Of them %d were of another car than the newest, and tell nothing of the wiring in this one.", c.Cars))
	}
	if c.Showing == 0 {
		return strings.Join(lines, " ")
	}
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
