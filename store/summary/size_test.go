package summary

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestSizeText(t *testing.T) {
	for n, want := range map[int64]string{
		0: "0 B", 999: "999 B", 1000: "1 kB", 98_304: "98 kB", 98_500: "99 kB", 999_499: "999 kB", 999_500: "1.0 MB",
		12_345_678: "12.3 MB", 999_949_999: "999.9 MB", 999_950_000: "1.0 GB", 2_400_000_000: "2.4 GB",
	} {
		assert.Equal(t, want, SizeText(n), n)
	}
}
