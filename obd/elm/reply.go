package elm

import (
	"bytes"
	"strconv"
	"strings"
)

// reply is what the adapter said to a command, printable characters and line ends only.
type reply []byte

// take adds what came, up to the prompt, and returns what followed that.
func (r *reply) take(b []byte) (rest []byte, prompt bool) {
	for i, x := range b {
		ended := len(*r) > 0 && (*r)[len(*r)-1] == '\r'
		switch kind := class[x]; {
		case kind == classPrompt, ended && x != 0 && x&0x3F == damagedPrompt:
			return b[i+1:], true
		case len(*r) == maxLine: // no reply is that long
		case kind == classEnd:
			*r = append(*r, '\r')
		case kind > classNoise, x == ' ':
			*r = append(*r, x)
		}
	}
	return nil, false
}

// without drops the echo, which is the first line of an adapter that has not been told to leave it.
func (r reply) without(sent string) reply {
	first, rest, ok := bytes.Cut(bytes.TrimLeft(r, "\r"), []byte("\r"))
	if ok && strings.TrimSpace(string(first)) == strings.TrimSpace(sent) {
		return rest
	}
	return r
}

func (r reply) lines() []string {
	var lines []string
	for line := range strings.SplitSeq(string(r), "\r") {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

func (r reply) ok() bool {
	for _, line := range r.lines() {
		if strings.HasSuffix(line, "OK") {
			return true
		}
	}
	return false
}

func (r reply) rejected() bool {
	for _, line := range r.lines() {
		if line[0] == '?' {
			return true
		}
	}
	return false
}

// restarted reports whether the adapter has restarted instead of doing what it was told.
func (r reply) restarted(k command) bool {
	switch k {
	case identify, identifySlowly, warmStart, reset:
		return false
	}
	bare := bytes.ToUpper(bytes.ReplaceAll(r, []byte(" "), nil))
	return bytes.Contains(bare, []byte("LVRESET")) || bytes.Contains(bare, banner)
}

// informs reports whether the reply is what a command that asks for something is answered with.
func (r reply) informs(k command) bool {
	switch k {
	case volts:
		_, ok := r.volts()
		return ok
	case protocolNumber:
		for _, line := range r.lines() {
			if len(line) <= 2 && isHex(line) {
				return true
			}
		}
	}
	return false
}

// volts reads "12.6V".
func (r reply) volts() (float64, bool) {
	for _, line := range r.lines() {
		s, ok := strings.CutSuffix(strings.ToUpper(line), "V")
		if !ok {
			continue
		}
		if v, err := strconv.ParseFloat(strings.TrimSpace(s), 64); err == nil && v >= 0 && v < 100 {
			return v, true
		}
	}
	return 0, false
}
