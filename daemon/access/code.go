package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/base64"
	"strings"
)

// alphabet is Douglas Crockford's base 32 (crockford.com/base32.html): no I, L, O and U, which are read as others or make words.
const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

var crockford = base32.NewEncoding(alphabet).WithPadding(base32.NoPadding)

const codeBits = 80

// random is n bytes of the system's randomness. Where that fails the program ends, see crypto/rand.
func random(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails
	return b
}

// newCode is an access code in groups of four.
func newCode() string {
	text := crockford.EncodeToString(random(codeBits / 8))
	groups := make([]string, 0, len(text)/4)
	for ; text != ""; text = text[4:] {
		groups = append(groups, text[:4])
	}
	return strings.Join(groups, "-")
}

// newID names a pass: 40 bits, in the letters of codes but small.
func newID() string { return strings.ToLower(crockford.EncodeToString(random(5))) }

// newCredential is a cookie or a token: 256 bits, in characters that both may have.
func newCredential() string { return base64.RawURLEncoding.EncodeToString(random(32)) }

// plainCode is a code as it is compared: without groups, in capitals, with the letters that Crockford's alphabet reads as digits.
func plainCode(code string) string {
	return strings.Map(func(c rune) rune {
		switch c {
		case '-', ' ', '\t', '\r', '\n':
			return -1
		case 'o', 'O':
			return '0'
		case 'i', 'I', 'l', 'L':
			return '1'
		}
		if c >= 'a' && c <= 'z' {
			return c - 'a' + 'A'
		}
		return c
	}, code)
}

// validCode tells whether a file's code is one, so that nobody comes in by an empty or short one.
func validCode(code string) bool {
	code = plainCode(code)
	_, err := crockford.DecodeString(code)
	return err == nil && len(code) == codeBits/5
}

// sameCode compares in a time that tells nothing of how much of the code is right.
func sameCode(given, code string) bool {
	if len(given) > maxCredential {
		return false
	}
	a, b := sha256.Sum256([]byte(plainCode(given))), sha256.Sum256([]byte(plainCode(code)))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1
}
