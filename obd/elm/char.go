package elm

// Classes of characters; everything above classNoise is the character itself, letters as capitals.
const (
	classDrop   byte = iota // NUL, spaces, characters that no adapter sends
	classEnd                // CR, LF
	classPrompt             // >
	classNoise              // other control characters
)

// class sorts characters. NULs come from an erratum of the adapter's controller, characters from 80 up from noise
// and from clones' banners; spaces say nothing.
var class = func() (t [256]byte) {
	for c := range 256 {
		switch {
		case c == 0 || c == ' ' || c >= 0x7F:
			t[c] = classDrop
		case c == '\r' || c == '\n':
			t[c] = classEnd
		case c == '>':
			t[c] = classPrompt
		case c < ' ':
			t[c] = classNoise
		case c >= 'a' && c <= 'z':
			t[c] = byte(c) - 'a' + 'A'
		default:
			t[c] = byte(c)
		}
	}
	return t
}()

// damagedPrompt is what a prompt looks like apart from its two highest bits, which noise may have changed. Linux's own
// driver for such adapters (can327) takes it for a prompt too; here only at the beginning of a line, where a prompt is.
const damagedPrompt = '>' & 0x3F

const notHex = 0xFF

// hexDigit is each digit's value, notHex for other characters.
var hexDigit = func() (t [256]byte) {
	for i := range t {
		t[i] = notHex
	}
	for i, c := range []byte("0123456789ABCDEF") {
		t[c] = byte(i)
	}
	return t
}()

func nibble(c byte) (byte, bool) {
	v := hexDigit[c]
	return v, v != notHex
}

func isHex(s string) bool {
	for i := range len(s) {
		if _, ok := nibble(s[i]); !ok {
			return false
		}
	}
	return s != ""
}
