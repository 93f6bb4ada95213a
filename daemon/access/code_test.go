package access

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The alphabet and what it takes for what are published at crockford.com/base32.html: "excludes the letters I, L, O, U"; when
// decoding i and l are 1 and o is 0, in either case, and hyphens are ignored.
func TestCodes(t *testing.T) {
	form := regexp.MustCompile(`^([0-9A-HJKMNP-TV-Z]{4}-){3}[0-9A-HJKMNP-TV-Z]{4}$`)
	seen := map[string]bool{}
	for range 1000 {
		code := newCode()
		require.Regexp(t, form, code)
		require.True(t, validCode(code))
		require.False(t, seen[code])
		seen[code] = true
	}
	const code = "K701-2M91-T4HP-8WZD"
	for name, given := range map[string]string{
		"as it is": code, "small": strings.ToLower(code), "no hyphens": strings.ReplaceAll(code, "-", ""), "blanks": " K701 2M91 T4HP 8WZD\n",
		"letters for digits": "k7Oi-2m9L-t4hp-8wzd",
	} {
		assert.True(t, sameCode(given, code), name)
	}
	for name, given := range map[string]string{
		"nothing": "", "short": code[:len(code)-1], "long": code + "0", "one letter off": "K701-2M91-T4HP-8WZC", "order": "2M91-K701-T4HP-8WZD",
		"right, buried": code + strings.Repeat("-", 1<<16),
	} {
		assert.False(t, sameCode(given, code), name)
	}
	for _, given := range []string{"", "K701", "U701-2M91-T4HP-8WZD", code + "0", code + "00000000"} {
		assert.False(t, validCode(given), given)
	}
	assert.Equal(t, codeBits, 5*len(plainCode(code)), "80 bits")
}

// The comparisons that an attacker could time are those of crypto/subtle: none is made with == or bytes.Equal on what is secret.
// How long one takes is nothing that a test on a shared machine could tell.
func TestComparisonsTakeConstantTime(t *testing.T) {
	for _, row := range []struct{ file, function, compares string }{
		{"code.go", "func sameCode", "subtle.ConstantTimeCompare(a[:], b[:])"},
		{"check.go", "func (k *Keeper) Check", "subtle.ConstantTimeCompare(sum[:], s.Passes[i].SHA256[:])"},
	} {
		text, err := os.ReadFile(row.file)
		require.NoError(t, err)
		_, body, ok := strings.Cut(string(text), row.function)
		require.True(t, ok)
		body, _, _ = strings.Cut(body, "\n}\n")
		assert.Contains(t, body, row.compares)
		assert.NotContains(t, body, "break", "all are compared, whichever is right")
	}
}
