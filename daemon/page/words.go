package page

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"

	"underdash/store/summary"
)

// words are the templates' functions.
var words = template.FuncMap{
	"length": length,
	"bytes":  summary.SizeText,
	"clock":  clock,
	"iso":    func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
	"short":  short,
	"signed": func(x float64) string { return strings.ReplaceAll(fmt.Sprintf("%+.3f", x), "-", "−") },
	"fixed":  func(n int, x float64) string { return strconv.FormatFloat(x, 'f', n, 64) },
	"twice":  func(x float64) float64 { return 2 * x },
	"milli":  func(x float64) float64 { return 1000 * x },
	"join":   func(words []string) string { return strings.Join(words, ", ") },
	"told":   func(codes []string) bool { return codes != nil }, // an empty list was told, none was not
	"upper":  strings.ToUpper,
	// What the plots' script is made of, so that a browser need not find out one after the other.
	"modules": func() []string {
		return []string{"api.js", "strips.js", "gestures.js", "draw.js", "series.js", "scale.js"}
	},
}

// length is a span for people: "47 s", "12 min 5 s", "1 h 2 min".
func length(seconds float64) string {
	s := int64(math.Round(seconds))
	switch {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600:
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	}
	return fmt.Sprintf("%d h %d min", s/3600, s%3600/60)
}

// clock is an instant of a drive: "3:07.5", "1:02:03.5".
func clock(seconds float64) string {
	tenths := int64(math.Round(max(0, seconds) * 10))
	s := tenths / 10
	if s < 3600 {
		return fmt.Sprintf("%d:%02d.%d", s/60, s%60, tenths%10)
	}
	return fmt.Sprintf("%d:%02d:%02d.%d", s/3600, s%3600/60, s%60, tenths%10)
}

// short is a number for a table: four digits that count, or a dash for none.
func short(x *float64) string {
	if x == nil {
		return "–"
	}
	if *x == 0 {
		return "0"
	}
	digits := max(0, min(4, 3-int(math.Floor(math.Log10(math.Abs(*x))))))
	text := strconv.FormatFloat(*x, 'f', digits, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return strings.ReplaceAll(text, "-", "−")
}
