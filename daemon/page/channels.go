package page

import (
	"slices"
	"strings"
)

// group is a heading of the list from which channels are chosen.
type group struct {
	Name     string
	Channels []choice
}

type choice struct {
	Channel
	On bool
}

// families order the channels for people who look for one: by what they are about.
var families = []struct {
	name string
	has  func(c Channel) bool
}{
	{"Mixture", func(c Channel) bool {
		return mixture(c) || strings.HasSuffix(c.Name, " AFR") || strings.HasPrefix(c.Name, "FUELSYS") || strings.Contains(c.Name, "FT1") || strings.Contains(c.Name, "FT2")
	}},
	{"Engine", func(c Channel) bool {
		return prefixed(c, "RPM", "MAP", "MAF", "LOAD", "SPARKADV", "BARO", "IAT", "ECT", "EGR", "EVAP", "FRP", "FP")
	}},
	{"Driver and car", func(c Channel) bool { return prefixed(c, "VSS", "TP", "APP", "TAC", "VPWR", "AAT", "FLI") }},
	{"Everything else", func(Channel) bool { return true }},
}

func prefixed(c Channel, names ...string) bool {
	return slices.ContainsFunc(names, func(n string) bool { return strings.HasPrefix(c.Name, n) })
}

// mixture tells whether a channel is a λ.
func mixture(c Channel) bool {
	name, _, _ := strings.Cut(c.Name, "@")
	return c.Unit == "1" && (strings.HasPrefix(name, "LAMBDA") || strings.HasPrefix(name, "EQ_RAT") ||
		strings.HasSuffix(name, " lambda") || strings.HasSuffix(name, " lambda aligned"))
}

func grouped(channels []Channel, on []string) []group {
	var all []group
	taken := make([]bool, len(channels))
	for _, f := range families {
		g := group{Name: f.name}
		for i, c := range channels {
			if !taken[i] && f.has(c) {
				taken[i] = true
				g.Channels = append(g.Channels, choice{c, slices.Contains(on, c.Name)})
			}
		}
		// λ as measured stands before what engine computers tell, here and in the plots.
		slices.SortStableFunc(g.Channels, func(a, b choice) int { return measured(b) - measured(a) })
		if len(g.Channels) > 0 {
			all = append(all, g)
		}
	}
	return all
}

// measured is 2 for a wideband's λ, 1 for what else is made of it, 0 for anything else.
func measured(c choice) int {
	switch {
	case strings.HasSuffix(c.Name, " lambda"):
		return 2
	case strings.HasSuffix(c.Name, " lambda aligned"), strings.HasSuffix(c.Name, " AFR"):
		return 1
	}
	return 0
}

// favourites are what a drive shows at first: the mixture, and what makes it.
func favourites(channels []Channel) []string {
	var all []string
	add := func(has func(Channel) bool) {
		for _, c := range channels {
			if has(c) && len(all) < 6 && !slices.Contains(all, c.Name) {
				all = append(all, c.Name)
				return
			}
		}
	}
	add(func(c Channel) bool { return strings.HasSuffix(c.Name, " lambda") })
	for _, name := range []string{"LAMBDA", "RPM", "MAP", "TP", "VSS"} {
		add(func(c Channel) bool { return c.Name == name })
	}
	for _, c := range channels {
		if len(all) >= min(3, len(channels)) {
			break
		}
		add(func(have Channel) bool { return have.Name == c.Name })
	}
	return all
}

// described is what the plot's script knows of a channel: which ones share a strip, too.
func described(channels []Channel) []map[string]string {
	all := make([]map[string]string, 0, len(channels))
	for _, c := range channels {
		d := map[string]string{"name": c.Name, "description": c.Description, "unit": c.Unit, "source": c.Source}
		switch {
		case mixture(c):
			d["strip"] = "λ"
		case strings.Contains(c.Name, "RTFT") || strings.Contains(c.Name, "NGFT"):
			d["strip"] = "Fuel trims"
		}
		all = append(all, d)
	}
	return all
}
