package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// units are those of IEC 80000-13: steps of 1000, and of 1024 with an i.
var units = []struct {
	name string
	is   float64
}{{"TB", 1e12}, {"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}, {"TiB", 1 << 40}, {"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10}, {"B", 1}}

func parseSize(s string) (n int64, ok bool) {
	for _, u := range units {
		number, found := cutSuffixFold(strings.TrimSpace(s), u.name)
		if !found {
			continue
		}
		f, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if f *= u.is; err != nil || !(f >= 0 && f < 1<<62) {
			return 0, false
		}
		return int64(math.Round(f)), true
	}
	return 0, false
}

// cutSuffixFold is strings.CutSuffix without regard to capitals.
func cutSuffixFold(s, suffix string) (string, bool) {
	at := len(s) - len(suffix)
	if at < 0 || !strings.EqualFold(s[at:], suffix) {
		return s, false
	}
	return s[:at], true
}

// size is a number of bytes in the greatest unit of which it is a whole number.
func size(n int64) string {
	for _, u := range units {
		if m := n / int64(u.is); m > 0 && m*int64(u.is) == n {
			return fmt.Sprintf("%d%s", m, u.name)
		}
	}
	return "0B"
}
