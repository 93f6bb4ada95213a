package config

import "strings"

// nearest is the known key that a mistyped one most likely means: within two keystrokes, and less than half of the word; empty
// if there is none.
func nearest(key string, known []string) string {
	best, least := "", 3
	for _, k := range known {
		d := distance(strings.ToLower(key), k)
		if d < least && 2*d < len(k)+1 {
			best, least = k, d
		}
	}
	return best
}

// distance is the Levenshtein distance with neighbours swapped counted as one step (optimal string alignment).
func distance(a, b string) int {
	// Only near words matter, and a file may hold a key of any length.
	if len(a) > len(b)+2 || len(b) > len(a)+2 {
		return 3
	}
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			rows[i][j] = min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(a)][len(b)]
}
