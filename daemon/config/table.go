package config

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// table reads one table's keys. What is asked for is known; finish reports what was never asked for. An absent table reads as one
// with nothing in it.
type table struct {
	r       *reader
	path    string
	values  map[string]any
	present bool
	known   []string
	refused []string // keys whose value has its fault already
}

func (t *table) get(key string) (any, bool) {
	if !slices.Contains(t.known, key) {
		t.known = append(t.known, key)
	}
	v, ok := t.values[key]
	return v, ok
}

// has tells whether a key is in the file, rightly or not.
func (t *table) has(key string) bool { _, ok := t.values[key]; return ok }

// ok tells whether a key is in the file and its value was not refused.
func (t *table) ok(key string) bool { return t.has(key) && !slices.Contains(t.refused, key) }

// fault notes what is wrong with a key's value; with the table itself if the key is empty.
func (t *table) fault(key, format string, args ...any) {
	t.refused = append(t.refused, key)
	path := join(t.path, key)
	if key == "" {
		path = t.path
	}
	where, ok := t.r.places[path]
	if !ok {
		where = t.r.places[t.path]
	}
	t.r.add(where.value, path, fmt.Sprintf(format, args...))
}

// hint adds advice to the last fault noted for a key.
func (t *table) hint(key, text string) {
	if n := len(t.r.faults); n > 0 && t.r.faults[n-1].Key == plain(join(t.path, key)) {
		t.r.faults[n-1].Text += "; " + text
	}
}

// require notes a fault if the key is missing.
func (t *table) require(key, example string) {
	if _, ok := t.get(key); !ok {
		t.fault(key, "this is missing: give it like %s = %s", key, example)
	}
}

func (t *table) text(key, fallback string) string {
	v, ok := t.get(key)
	if !ok {
		return fallback
	}
	s, ok := v.(string)
	if !ok {
		t.fault(key, "a text in quotes is wanted, not %s", describe(v))
		return fallback
	}
	if strings.TrimSpace(s) == "" {
		t.fault(key, "this is empty: fill it in or leave the line out")
		return fallback
	}
	return s
}

func (t *table) choice(key, fallback string, options ...string) string {
	s := t.text(key, fallback)
	if t.ok(key) && !slices.Contains(options, s) {
		quoted := make([]string, len(options))
		for i, o := range options {
			quoted[i] = strconv.Quote(o)
		}
		t.fault(key, "%q is none of the choices: give %s", s, strings.Join(quoted, " or "))
		return fallback
	}
	return s
}

// raw gives a key's number unchecked.
func (t *table) raw(key string) (float64, bool) {
	switch v := t.values[key].(type) {
	case int64:
		return float64(v), true
	case float64:
		return v, true
	}
	return 0, false
}

func (t *table) number(key string, lo, hi, fallback float64) float64 {
	v, ok := t.get(key)
	if !ok {
		return fallback
	}
	n, ok := t.raw(key)
	switch {
	case !ok:
		t.fault(key, "a number without quotes is wanted, not %s", describe(v))
	case !(n >= lo && n <= hi): // NaN too
		t.fault(key, "%v is out of range: give %v to %v", n, lo, hi)
	default:
		return n
	}
	return fallback
}

func (t *table) whole(key string, lo, hi, fallback int) int {
	n := t.number(key, float64(lo), float64(hi), float64(fallback))
	if n != math.Trunc(n) {
		t.fault(key, "%v is no whole number: give %d to %d", n, lo, hi)
		return fallback
	}
	return int(n)
}

func (t *table) boolean(key string, fallback bool) bool {
	v, ok := t.get(key)
	if !ok {
		return fallback
	}
	b, ok := v.(bool)
	if !ok {
		t.fault(key, "true or false is wanted, without quotes, not %s", describe(v))
		return fallback
	}
	return b
}

func (t *table) duration(key string, lo, hi, fallback time.Duration) time.Duration {
	v, ok := t.get(key)
	if !ok {
		return fallback
	}
	s, isText := v.(string)
	if !isText {
		t.fault(key, `a time with its unit in quotes is wanted, like "%v", not %s`, short(fallback), describe(v))
		return fallback
	}
	d, err := time.ParseDuration(s)
	switch {
	case err != nil:
		t.fault(key, `%q is no time: write a number and its unit, ms, s, m or h, like "%v"`, s, short(fallback))
	case d < lo || d > hi:
		t.fault(key, "%v is out of range: give %v to %v", short(d), short(lo), short(hi))
	default:
		return d
	}
	return fallback
}

// bytes reads an amount of memory: a number and its unit in quotes.
func (t *table) bytes(key string, lo, hi, fallback int64) int64 {
	v, ok := t.get(key)
	if !ok {
		return fallback
	}
	s, isText := v.(string)
	if !isText {
		t.fault(key, `a size with its unit in quotes is wanted, like "%s", not %s`, size(fallback), describe(v))
		return fallback
	}
	n, ok := parseSize(s)
	switch {
	case !ok:
		t.fault(key, `%q is no size: write a number and its unit, kB, MB, GB or TB, or KiB, MiB, GiB or TiB, like "%s"`, s, size(fallback))
	case n < lo || n > hi:
		t.fault(key, "%q is out of range: give %s to %s", s, size(lo), size(hi))
	default:
		return n
	}
	return fallback
}

// short is a duration without the zeroes that String puts behind minutes and hours.
func short(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// table gives a table within this one, one with nothing in it if it is absent or no table.
func (t *table) table(key string) *table {
	sub := &table{r: t.r, path: join(t.path, key)}
	v, ok := t.get(key)
	if !ok {
		return sub
	}
	values, ok := v.(map[string]any)
	if !ok {
		t.fault(key, "a table is wanted, not %s: write %s", describe(v), t.tableExample(key))
		return sub
	}
	sub.values, sub.present = values, true
	return sub
}

func (t *table) tableExample(key string) string {
	if t.path == "" {
		return "[" + key + "] on a line of its own, and its keys below"
	}
	switch key {
	case "warmup", "fault", "top":
		return key + " = { volts = 5.0 }"
	case "composition":
		return "composition = { c = 8, h = 18, o = 0 }"
	case "ohms":
		return "ohms = { output = 100, divider = 30000, converter = 6000000 }"
	}
	return key + " = { ... }"
}

// tables gives the elements of an array of tables.
func (t *table) tables(key string) (all []*table) {
	v, ok := t.get(key)
	if !ok {
		return nil
	}
	elements, ok := v.([]any)
	if !ok || len(elements) == 0 {
		t.fault(key, "a list of tables is wanted, not %s: write [[%s]], with two brackets, above each one's keys", describe(v), key)
		return nil
	}
	for i, e := range elements {
		path := fmt.Sprintf("%s[%d]", join(t.path, key), i)
		values, ok := e.(map[string]any)
		if !ok {
			t.r.add(t.r.places[path].value, path, fmt.Sprintf("a table is wanted, not %s: write [[%s]] above its keys", describe(e), key))
			continue
		}
		all = append(all, &table{r: t.r, path: path, values: values, present: true})
	}
	return all
}

// finish notes every key that nothing asked for.
func (t *table) finish() {
	for key := range t.values {
		if slices.Contains(t.known, key) {
			continue
		}
		path := join(t.path, key)
		text := "there is no such key"
		if near := nearest(key, t.known); near != "" {
			text += fmt.Sprintf(": did you mean %s?", near)
		} else {
			text += ": known here are " + strings.Join(t.known, ", ")
		}
		t.r.add(t.r.places[path].key, path, text)
	}
}

func describe(v any) string {
	switch v := v.(type) {
	case string:
		return fmt.Sprintf("the text %q", v)
	case int64, float64:
		return fmt.Sprintf("the number %v", v)
	case bool:
		return fmt.Sprintf("%v", v)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "a date or a time of day"
}
