package config

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// reader holds a parsed file and gathers what is wrong with it.
type reader struct {
	name   string
	places map[string]place // by path, as "analog[0].low.volts"
	faults []Fault
}

// place is where a key and its value stand in the file.
type place struct{ key, value position }

type position struct{ line, column int }

// newReader parses a file's text. The table is nil, and a fault noted, if it is no TOML.
func newReader(name string, text []byte) (*reader, *table) {
	r := &reader{name: name, places: map[string]place{}}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")) // some editors begin a file with a byte order mark
	values := map[string]any{}
	if err := toml.Unmarshal(text, &values); err != nil {
		fault := Fault{File: name, Line: 1, Column: 1}
		if at, ok := errors.AsType[*toml.DecodeError](err); ok {
			fault.Line, fault.Column = at.Position()
		}
		fault.Text = "this is no TOML: " + strings.TrimPrefix(err.Error(), "toml: ")
		r.faults = append(r.faults, fault)
		return r, nil
	}
	r.locate(text)
	return r, &table{r: r, values: values, present: true}
}

func (r *reader) err() error {
	slices.SortStableFunc(r.faults, func(a, b Fault) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return &Error{r.faults}
}

// locate notes where every key of the file stands. The decoder itself tells positions only of what it cannot decode, and that
// one at a time.
func (r *reader) locate(text []byte) {
	var p unstable.Parser
	p.Reset(text)
	elements := map[string]int{} // how many elements each array of tables has so far
	prefix := ""
	for p.NextExpression() {
		switch e := p.Expression(); e.Kind {
		case unstable.Table, unstable.ArrayTable:
			prefix = ""
			keys := e.Key()
			for keys.Next() {
				key := keys.Node()
				prefix = join(prefix, string(key.Data))
				last := keys.IsLast()
				if last && e.Kind == unstable.ArrayTable {
					elements[prefix]++
				}
				r.note(prefix, at(&p, key), at(&p, key))
				if n := elements[prefix]; n > 0 {
					prefix = fmt.Sprintf("%s[%d]", prefix, n-1)
					r.note(prefix, at(&p, key), at(&p, key))
				}
			}
		case unstable.KeyValue:
			r.locateValue(&p, prefix, e)
		}
	}
}

// locateValue notes a key, which may be dotted, and what its value contains.
func (r *reader) locateValue(p *unstable.Parser, prefix string, pair *unstable.Node) {
	path := prefix
	var key position
	keys := pair.Key()
	for keys.Next() {
		path = join(path, string(keys.Node().Data))
		key = at(p, keys.Node())
		r.note(path, key, key)
	}
	r.locateInside(p, path, key, pair.Value())
}

func (r *reader) locateInside(p *unstable.Parser, path string, key position, value *unstable.Node) {
	where := key
	if value.Raw.Length > 0 {
		where = at(p, value)
	}
	r.places[path] = place{key, where}
	children := value.Children()
	switch value.Kind {
	case unstable.InlineTable:
		for children.Next() {
			if n := children.Node(); n.Kind == unstable.KeyValue {
				r.locateValue(p, path, n)
			}
		}
	case unstable.Array:
		for i := 0; children.Next(); {
			if n := children.Node(); n.Kind != unstable.Comment {
				r.locateInside(p, fmt.Sprintf("%s[%d]", path, i), where, n)
				i++
			}
		}
	}
}

// note keeps the first place of a path: a table may be named by several headers.
func (r *reader) note(path string, key, value position) {
	if _, ok := r.places[path]; !ok {
		r.places[path] = place{key, value}
	}
}

func at(p *unstable.Parser, n *unstable.Node) position {
	start := p.Shape(n.Raw).Start
	return position{start.Line, start.Column}
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func (r *reader) add(where position, path, text string) {
	r.faults = append(r.faults, Fault{r.name, max(where.line, 1), max(where.column, 1), plain(path), text})
}

// plain is a path as a person would write it: the line tells which element of an array is meant.
func plain(path string) string {
	var b strings.Builder
	depth := 0
	for _, c := range path {
		switch {
		case c == '[':
			depth++
		case c == ']' && depth > 0:
			depth--
		case depth == 0:
			b.WriteRune(c)
		}
	}
	return b.String()
}
