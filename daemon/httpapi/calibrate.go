package httpapi

import (
	"cmp"
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"time"

	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/store"
)

// Calibrations is where every wideband input stands.
type Calibrations struct {
	Inputs []InputCalibration `json:"inputs"`
}

// InputCalibration is where one input stands.
type InputCalibration struct {
	Input   string                `json:"input"`
	Check   calibration.Check     `json:"check"`    // what the last sessions show by themselves
	Levels  []calibration.Pending `json:"levels"`   // that were measured and wait
	InForce *store.Applied        `json:"in_force"` // for the next session; null if its own counts
	Applied []store.Applied       `json:"applied"`  // all that ever was, the newest last
}

// defaultAFR is the stoichiometric ratio that most scales in AFR are made for; common practice, no source.
const defaultAFR = 14.7

func (s *Server) calibration(w http.ResponseWriter, r *http.Request) error {
	q, err := query(r, "sessions", "afr")
	if err != nil {
		return err
	}
	sessions, ok, err := number(q, "sessions", 1, calibration.MostSessions)
	if err != nil {
		return err
	}
	if !ok {
		sessions = 20
	}
	afr, ok, err := number(q, "afr", 1, 40)
	if err != nil {
		return err
	}
	if !ok {
		afr = defaultAFR
	}
	c, err := s.Calibrations(r.Context(), int(sessions), afr)
	if err != nil {
		return err
	}
	return answer(w, c)
}

// Calibrations is where every wideband input stands, for the page.
func (s *Server) Calibrations(ctx context.Context, sessions int, afr float64) (Calibrations, error) {
	out := Calibrations{Inputs: []InputCalibration{}}
	dir := s.o.Store.Dir()
	pending, err := calibration.ReadPending(dir)
	if err != nil {
		return out, err
	}
	applied, err := store.Calibrations(dir)
	if err != nil {
		return out, err
	}
	for _, a := range s.Wideband() {
		in := InputCalibration{Input: a.Name, Levels: []calibration.Pending{}, Applied: []store.Applied{}}
		if in.Check, err = s.check(ctx, a, sessions, afr); err != nil {
			return out, err
		}
		for _, p := range pending {
			if p.Input == a.Name {
				in.Levels = append(in.Levels, p)
			}
		}
		for _, x := range applied {
			if x.Input == a.Name {
				in.Applied = append(in.Applied, x)
			}
		}
		if in.InForce, err = calibration.InForce(s.own(), a); err != nil {
			return out, err
		}
		out.Inputs = append(out.Inputs, in)
	}
	return out, nil
}

// check is what the last sessions show of an input by themselves. Those that recorded no levels are read whole for it, so that what was
// found out is kept until other sessions are there, or the input is another one.
func (s *Server) check(ctx context.Context, a config.Analog, sessions int, afr float64) (calibration.Check, error) {
	infos, err := s.o.Store.List()
	if err != nil {
		return calibration.Check{}, err
	}
	key := struct {
		Seals    []string
		Input    config.Analog
		Sessions int
		AFR      float64
		Anchors  []store.BootAnchor // by which they are dated
	}{nil, a, sessions, afr, store.Anchors(s.o.Store.Dir())}
	for _, i := range infos[max(0, len(infos)-sessions):] {
		key.Seals = append(key.Seals, i.ID+" "+i.State+" "+i.SHA256)
	}
	text, err := json.Marshal(key)
	if err != nil {
		return calibration.Check{}, err
	}
	return s.checks.get(ctx, digest(text), func() (calibration.Check, error) {
		return calibration.CheckSessions(ctx, s.own(), a, sessions, afr)
	})
}

// AppliedList is the store's.
type AppliedList struct {
	Origin  string          `json:"origin"` // what the daemon's own sessions say they come from; empty until one was recorded
	Applied []store.Applied `json:"applied"`
}

func (s *Server) applied(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	list, err := store.Calibrations(s.o.Store.Dir())
	if err != nil {
		return err
	}
	return answer(w, AppliedList{s.own().Origin, append([]store.Applied{}, list...)})
}

// own are the drives that the daemon records.
func (s *Server) own() calibration.Drives {
	dir := s.o.Store.Dir()
	return calibration.Drives{Dir: dir, Origin: store.Origin(dir)}
}

// Wideband are the inputs that can be calibrated, for the page.
func (s *Server) Wideband() (out []config.Analog) {
	for _, a := range s.o.Daemon.Inputs() {
		if a.Kind == config.Wideband {
			out = append(out, a)
		}
	}
	return out
}

// input is the wideband input of that name, or the only one if none is named.
func (s *Server) input(name string) (config.Analog, error) {
	all := s.Wideband()
	var names []string
	for _, a := range all {
		if strings.EqualFold(a.Name, name) || name == "" && len(all) == 1 {
			return a, nil
		}
		names = append(names, a.Name)
	}
	if len(names) == 0 {
		return config.Analog{}, refuse(http.StatusNotFound, "", "the configuration has no wideband input to calibrate")
	}
	return config.Analog{}, refuse(http.StatusNotFound, "", "there is no wideband input %q: there is %s", name, joined(names))
}

// LevelRequest asks for a measurement.
type LevelRequest struct {
	Input   string  `json:"input,omitempty"`   // may be left out if there is one
	Level   string  `json:"level,omitempty"`   // what the controller holds: warmup, top, ground, a number of volts, bench=VOLTS or lambda=NUMBER; empty: nothing is kept
	Seconds float64 `json:"seconds,omitempty"` // 1 to 600; default 5
}

// Measured is what a measurement saw.
type Measured struct {
	Input   string              `json:"input"`
	Seen    calibration.Seen    `json:"seen"`
	Remark  string              `json:"remark,omitempty"`
	Level   *store.Level        `json:"level,omitempty"` // that was kept
	Finding calibration.Finding `json:"finding"`         // what the levels that wait tell now
	Next    string              `json:"next"`            // what to do next
}

func (s *Server) measure(w http.ResponseWriter, r *http.Request) error {
	var q LevelRequest
	if err := take(w, r, &q); err != nil {
		return err
	}
	in, err := s.input(q.Input)
	if err != nil {
		return err
	}
	length := cmp.Or(q.Seconds, 5)
	if !(length >= 1 && length <= 600) {
		return refuse(http.StatusBadRequest, "", "seconds of %v: measure for 1 to 600", length)
	}
	level, err := calibration.ParseLevel(q.Level, in)
	if err != nil && q.Level != "" {
		return refuse(http.StatusBadRequest, "no-level", "%v", err)
	}
	give, err := s.measuring.takeFor("measurements")
	if err != nil {
		return err
	}
	defer give()
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(seconds(length) + answerTime))
	out := Measured{Input: in.Name}
	if out.Seen, err = s.o.Daemon.Measure(r.Context(), in.Name, seconds(length)); err != nil {
		return err
	}
	if q.Level == "" {
		out.Remark = out.Seen.Remark(in)
	} else {
		kept, err := calibration.Keep(s.o.Store.Dir(), level, out.Seen, in, s.o.Now())
		if err != nil {
			return err
		}
		out.Level, out.Remark = &kept, out.Seen.Warning()
	}
	if out.Finding, err = calibration.Waiting(s.o.Store.Dir(), in, defaultAFR); err != nil {
		return err
	}
	out.Next = out.Finding.Advice()
	return answer(w, out)
}

func (s *Server) forget(w http.ResponseWriter, r *http.Request) error {
	q, err := query(r, "input")
	if err != nil {
		return err
	}
	in, err := s.input(q.Get("input"))
	if err != nil {
		return err
	}
	if _, err := calibration.ClearPending(s.o.Store.Dir(), in.Name); err != nil {
		return err
	}
	return nothing(w)
}

// PreviewRequest asks what the levels that wait tell.
type PreviewRequest struct {
	Input string  `json:"input,omitempty"` // may be left out if there is one
	AFR   float64 `json:"afr,omitempty"`   // the stoichiometric ratio of the scale that scale ends are to be typed into; default 14.7
}

func (s *Server) preview(w http.ResponseWriter, r *http.Request) error {
	var q PreviewRequest
	if err := take(w, r, &q); err != nil {
		return err
	}
	in, err := s.input(q.Input)
	if err != nil {
		return err
	}
	afr := cmp.Or(q.AFR, defaultAFR)
	if !(afr >= 1 && afr <= 40) {
		return refuse(http.StatusBadRequest, "", "afr of %v: a stoichiometric ratio is 1 to 40", afr)
	}
	f, err := calibration.Waiting(s.o.Store.Dir(), in, afr)
	if err != nil {
		return err
	}
	return answer(w, f)
}

// ApplyRequest asks for a calibration, or for its end.
type ApplyRequest struct {
	Input string `json:"input,omitempty"` // may be left out if there is one
	Since string `json:"since,omitempty"` // a date as 2026-05-01 or an instant of RFC 3339; empty: from the next session on
}

// Applied is what was done.
type Applied struct {
	Applied store.Applied  `json:"applied"`
	InForce *store.Applied `json:"in_force"` // for the next session; null if its own counts
	Next    string         `json:"next,omitempty"`
}

// since reads the request's date, in the board's own time zone if it names none.
func (q ApplyRequest) since() (*time.Time, error) {
	if q.Since == "" {
		return nil, nil
	}
	for _, layout := range []string{time.DateOnly, time.RFC3339} {
		if t, err := time.ParseInLocation(layout, q.Since, time.Local); err == nil {
			return &t, nil
		}
	}
	return nil, refuse(http.StatusBadRequest, "", "since of %q is no date: write it like 2026-05-01 or 2026-05-01T14:30:00Z", q.Since)
}

func (s *Server) apply(w http.ResponseWriter, r *http.Request) error {
	return s.change(w, r, func(in config.Analog, since *time.Time) (store.Applied, error) {
		f, err := calibration.Waiting(s.o.Store.Dir(), in, defaultAFR)
		if err != nil {
			return store.Applied{}, err
		}
		if since != nil && len(f.Levels) == 0 {
			return calibration.Extend(s.own(), in, *since, s.o.Now())
		}
		if now, _ := s.o.Daemon.Newest(); now.Fuel.Name != "" {
			f.Fuel = &now.Fuel
		}
		return calibration.Apply(s.own(), f, since, s.o.Now())
	})
}

func (s *Server) withdraw(w http.ResponseWriter, r *http.Request) error {
	return s.change(w, r, func(in config.Analog, since *time.Time) (store.Applied, error) {
		return calibration.Withdraw(s.own(), in.Name, since, s.o.Now())
	})
}

func (s *Server) change(w http.ResponseWriter, r *http.Request, do func(config.Analog, *time.Time) (store.Applied, error)) error {
	var q ApplyRequest
	if err := take(w, r, &q); err != nil {
		return err
	}
	in, err := s.input(q.Input)
	if err != nil {
		return err
	}
	since, err := q.since()
	if err != nil {
		return err
	}
	out := Applied{}
	if out.Applied, err = do(in, since); err != nil {
		return err
	}
	if !out.Applied.Withdrawn && in.Correction != nil {
		out.Next = "The correction of " + in.Name + " in the configuration no longer counts: take it out."
	}
	if out.InForce, err = calibration.InForce(s.own(), in); err != nil {
		return err
	}
	return answer(w, out)
}
