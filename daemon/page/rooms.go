package page

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"underdash/daemon/calibration"
	"underdash/store/summary"
)

// drivesAtOnce is how many drives one page lists.
const drivesAtOnce = 50

// drives is the room of all drives, the newest first; with ?before=ID those before one.
func (p *Pages) drives(r *http.Request) (room, error) {
	l, err := p.o.Drives(r.Context())
	if err != nil {
		return room{}, err
	}
	rows := slices.Clone(l.Rows)
	slices.Reverse(rows)
	var data struct {
		Rows                   []row
		Bytes                  int64
		Fault                  string
		Newer                  bool   // drives are there that are not on this page
		Older                  string // ID of the page's last drive; empty if no earlier one is there
		All                    int
		Waiting, Pinned, Wrong int
	}
	data.Fault = l.Fault
	first := 0
	if before := r.URL.Query().Get("before"); before != "" {
		first = slices.IndexFunc(rows, func(s summary.Row) bool { return s.ID == before }) + 1
	}
	data.Newer = first > 0
	for i, s := range rows {
		if i >= first && i < first+drivesAtOnce {
			data.Rows = append(data.Rows, row{Row: s, Recording: s.ID == l.Recording && s.ID != ""})
		}
		data.All++
		data.Bytes += s.Bytes
		switch {
		case s.Err != "":
			data.Wrong++
		case !s.Pulled && s.ID != l.Recording:
			data.Waiting++
		}
		if s.Pinned {
			data.Pinned++
		}
	}
	if last := first + drivesAtOnce; last < len(rows) {
		data.Older = rows[last-1].ID
	}
	return room{view: "drives.html", title: "Drives", name: "drives", data: data}, nil
}

// row is a drive in the list.
type row struct {
	summary.Row
	Recording bool
}

// Missing is what of a drive is not there, in a few words.
func (r row) Missing() []string {
	var all []string
	var seconds = make(map[string]float64)
	var names []string
	for _, g := range r.Gaps {
		until := r.Length
		if g.Until != nil {
			until = *g.Until
		}
		if _, known := seconds[g.Source]; !known {
			names = append(names, g.Source)
		}
		seconds[g.Source] += max(0, until-g.From)
	}
	for _, name := range names {
		if seconds[name] >= 1 {
			all = append(all, fmt.Sprintf("%s: %s missing", name, length(seconds[name])))
		}
	}
	return all
}

// Trust is how the mixture of a drive may be trusted.
func (r row) Trust() []trust {
	var all []trust
	for _, k := range r.Read {
		all = append(all, trustOf(k))
	}
	return all
}

// trust is a verdict on one input's readings.
type trust struct {
	Input string
	Known bool // something is known of the wiring
	Text  string
}

// methods are the ways in which corrections are found, for people.
var methods = map[string]string{
	"applied":       "levels that you measured",
	"configured":    "what the configuration says",
	"warm-up level": "the level that the controller put out while it warmed",
	"references":    "levels that drives showed by themselves",
	"carried over":  "what an earlier drive showed",
	"modelled":      "the resistances in the configuration",
}

func trustOf(k summary.Reading) trust {
	switch {
	case k.Method == "" || k.Method == "none":
		return trust{k.Input, false, "as read: nothing is known of its wiring"}
	case k.From > 0:
		return trust{k.Input, true, "corrected by levels that you measured"}
	}
	return trust{k.Input, true, "corrected by " + cmp.Or(methods[k.Method], k.Method)}
}

// drive is the room of one drive: plots, downloads, and a place for the review.
func (p *Pages) drive(r *http.Request) (room, error) {
	o, err := p.o.Outline(r.Context(), r.PathValue("id"))
	if err != nil {
		return room{}, err
	}
	asked := r.URL.Query()["channel"]
	if len(asked) == 0 {
		asked = favourites(o.Channels)
	}
	data := struct {
		row
		Groups  []group
		Events  []summary.Event
		Plot    string // what the script needs to know, as JSON
		Ahead   string // address of the first plot, which a browser asks for before it has read the script; or empty
		Formats []string
	}{row: row{o.Row, o.Recording}, Events: o.Events, Formats: p.o.Formats}
	data.Groups = grouped(o.Channels, asked)
	data.Ahead = ahead(o.Row.ID, data.Groups, r.URL.Query())
	text, err := json.Marshal(map[string]any{"id": o.Row.ID, "length": o.Row.Length, "channels": described(o.Channels), "events": o.Events, "gaps": o.Row.Gaps})
	if err != nil {
		return room{}, fmt.Errorf("describe the plots: %w", err)
	}
	data.Plot = string(text)
	title := "Undated drive"
	if o.Row.Began != nil {
		text, _ := o.Row.BeganText()
		title = "Drive " + text
	}
	return room{view: "drive.html", title: title, name: "drives", data: data}, nil
}

// ahead is where the plot of a whole drive comes from, or empty if another range is asked for or no channel.
func ahead(id string, groups []group, q url.Values) string {
	channels := url.Values{}
	for _, g := range groups {
		for _, c := range g.Channels {
			if c.On {
				channels.Add("channel", c.Name)
			}
		}
	}
	if q.Has("from") || q.Has("to") || len(channels) == 0 {
		return ""
	}
	return "/api/v1/sessions/" + url.PathEscape(id) + "/plot?" + channels.Encode()
}

// review is what one drive came to, for the script to put into its room.
func (p *Pages) review(r *http.Request) (room, error) {
	d, err := p.o.Drive(r.Context(), r.PathValue("id"))
	if err != nil {
		return room{}, err
	}
	return room{view: "review.html", title: "Review", name: "drives", bare: r.Header.Get("X-Fragment") != "", data: d}, nil
}

// signIn is the way in. The query says what was wrong with the last try (wrong=1, or wait=SECONDS), and where to go (next).
func (p *Pages) signIn(r *http.Request) (room, error) {
	q := r.URL.Query()
	data := struct{ Wrong, Next string }{Next: cmp.Or(q.Get("next"), "/")}
	if wait, err := strconv.Atoi(q.Get("wait")); err == nil && wait > 0 {
		data.Wrong = fmt.Sprintf("There were too many wrong codes. Wait %s, then try again.", length(float64(wait)))
	} else if q.Get("wrong") != "" {
		data.Wrong = "This is not the access code. It is shown by underdash access on the logger."
	}
	return room{view: "sign-in.html", title: "Sign in", data: data}, nil
}

func (p *Pages) now(*http.Request) (room, error) {
	return room{view: "now.html", title: "Now", name: "now"}, nil
}

// wiring is the room of calibrations.
func (p *Pages) wiring(r *http.Request) (room, error) {
	inputs, err := p.o.Inputs(r.Context())
	if err != nil {
		return room{}, err
	}
	return room{view: "wiring.html", title: "Wiring", name: "wiring", data: inputs}, nil
}

// finding is what the levels that wait tell of an input.
func (p *Pages) finding(r *http.Request) (room, error) {
	in, err := p.input(r)
	return room{view: "finding.html", title: "Measured levels", name: "wiring", bare: r.Header.Get("X-Fragment") != "", data: in}, err
}

func (p *Pages) input(r *http.Request) (Input, error) {
	inputs, err := p.o.Inputs(r.Context())
	if err != nil {
		return Input{}, err
	}
	name := r.URL.Query().Get("input")
	for _, in := range inputs {
		if in.Name == name {
			return in, nil
		}
	}
	return Input{}, fmt.Errorf("there is no wideband input %q: %w", name, fs.ErrNotExist)
}

// check is what the last drives show of an input.
func (p *Pages) check(r *http.Request) (room, error) {
	in, err := p.input(r)
	if err != nil {
		return room{}, err
	}
	c, err := p.o.Check(r.Context(), in.Name)
	return room{view: "check.html", title: "What the last drives show", name: "wiring", bare: r.Header.Get("X-Fragment") != "", data: c}, err
}

// Ready tells whether the levels that wait can be applied.
func (i Input) Ready() bool { return len(i.Finding.Levels) > 0 && i.Finding.NotToApply() == "" }

// Waiting are the levels that wait, in words.
func (i Input) Waiting() []string {
	var all []string
	for _, l := range i.Finding.Levels {
		all = append(all, calibration.LevelText(l))
	}
	return all
}

// Advice is what to do next.
func (i Input) Advice() string { return i.Finding.Advice() }

// Against is why the levels cannot be applied yet.
func (i Input) Against() string { return i.Finding.NotToApply() }
