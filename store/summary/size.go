package summary

import "fmt"

// SizeText is a number of bytes for people, in powers of ten and rounded to the nearest: "840 kB", "1.4 MB".
func SizeText(n int64) string {
	switch {
	case n < 1000:
		return fmt.Sprintf("%d B", n)
	case n < 999_500:
		return fmt.Sprintf("%d kB", (n+500)/1000)
	case n < 999_950_000:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%.1f GB", float64(n)/1e9)
}
