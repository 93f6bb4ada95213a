package config

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"underdash/obd"
	"underdash/obd/pid"
)

// engineSpeed is the acronym of the quantity that tells a drive's begin and end.
const engineSpeed = "RPM"

// quantities are what may be polled, by acronym, with the parameters that hold each one: all that can be decoded but the
// bitmaps of what is supported, and the oxygen sensors of cars with two banks as well as with four.
var quantities = sync.OnceValue(func() map[string][]obd.PID {
	all := map[string][]obd.PID{}
	for _, p := range pid.All() {
		if p.PID&0x1F == 0 {
			continue
		}
		for _, c := range []pid.Context{{}, {Banks4: true}} {
			for i := range p.Signals {
				if s, ok := c.Signal(p.PID, i); ok && !slices.Contains(all[s.Acronym], p.PID) {
					all[s.Acronym] = append(all[s.Acronym], p.PID)
				}
			}
		}
	}
	return all
})

func readOBD(t *table) OBD {
	var o OBD
	named := map[string]mention{}
	for _, class := range []struct {
		key  string
		list *[]string
	}{{"fast", &o.Fast}, {"normal", &o.Normal}, {"slow", &o.Slow}} {
		*class.list = t.acronyms(class.key, named)
	}
	t.finish()
	if all := slices.Concat(o.Fast, o.Normal, o.Slow); len(all) > 0 && !slices.Contains(all, engineSpeed) {
		o.Normal = append(o.Normal, engineSpeed)
	}
	return o
}

// mention is where an acronym stands in the file.
type mention struct{ class, acronym string }

// acronyms reads one class's list. It notes faults for what is none and for what was named before, by the same acronym or,
// in another class, by another one of a parameter that holds both.
func (t *table) acronyms(class string, named map[string]mention) (list []string) {
	v, ok := t.get(class)
	if !ok {
		return nil
	}
	elements, ok := v.([]any)
	if !ok {
		t.fault(class, `a list of acronyms is wanted, not %s: write %s = ["RPM", "MAP"]`, describe(v), class)
		return nil
	}
	for i, e := range elements {
		key := fmt.Sprintf("%s[%d]", class, i)
		name, ok := e.(string)
		holders := quantities()[name]
		if !ok || len(holders) == 0 {
			if ok {
				t.fault(key, "%q is no acronym of the standard%s", name, suggestion(name))
			} else {
				t.fault(key, `an acronym in quotes is wanted, not %s: write it like "RPM"`, describe(e))
			}
			continue
		}
		held := fmt.Sprint(holders)
		before, twice := named[held]
		switch {
		case twice && (before.acronym == name || slices.Contains(list, name)):
			t.fault(key, "%s is in %s already: name it once", name, before.class)
		case twice && before.class != class:
			t.fault(key, "%s comes in one answer with %s, which is in %s: name it there too or nowhere", name, before.acronym, before.class)
		default:
			if !twice {
				named[held] = mention{class, name}
			}
			list = append(list, name)
		}
	}
	return list
}

// suggestion is what an unknown acronym may have meant.
func suggestion(name string) string {
	lower := make(map[string]string, len(quantities()))
	known := make([]string, 0, len(quantities()))
	for a := range quantities() {
		lower[strings.ToLower(a)] = a
		known = append(known, strings.ToLower(a))
	}
	slices.Sort(known)
	if near := nearest(name, known); near != "" {
		return fmt.Sprintf(": did you mean %s?", lower[near])
	}
	return ", like RPM, MAP, MAF, TP, ECT, IAT, LAMBDA11, SHRTFT1 or VPWR"
}
