package obdtest

import (
	"context"
	"strings"
	"time"
)

// command is one AT command: its name, the arguments it takes and what it does. An empty reply is OK.
type command struct {
	name      string
	takes     func(arg string) bool
	takesTime time.Duration
	run       func(d *dialogue, arg string) (reply string)
}

// Durations from the data sheet, firmware 2.1: reset p. 7, measuring the supply, writing the protocol.
const (
	resetTime   = 800 * time.Millisecond
	warmTime    = 2 * time.Millisecond
	measureTime = 9 * time.Millisecond
	storeTime   = 30 * time.Millisecond
)

func none(arg string) bool { return arg == "" }

func oneOf(choices ...string) func(string) bool {
	return func(arg string) bool {
		for _, c := range choices {
			if arg == c {
				return true
			}
		}
		return false
	}
}

func hexDigits(lengths ...int) func(string) bool {
	return func(arg string) bool {
		for _, n := range lengths {
			if len(arg) == n && isHex(arg) {
				return true
			}
		}
		return false
	}
}

// switching is a command that switches one setting.
func switching(name string, field func(*settings) *bool) command {
	return command{name, oneOf("0", "1"), 0, func(d *dialogue, arg string) string {
		*field(&d.set) = arg == "1"
		return ""
	}}
}

// ignored is a command that is understood and changes nothing here.
func ignored(name string, takes func(string) bool) command {
	return command{name, takes, 0, func(*dialogue, string) string { return "" }}
}

func banner(d *dialogue) string { return "\r\r" + d.o.Version }

var commands = []command{
	{"Z", none, resetTime, func(d *dialogue, _ string) string { d.restart(); return banner(d) }},
	{"WS", none, warmTime, func(d *dialogue, _ string) string { d.reload(); return banner(d) }},
	{"D", none, 0, func(d *dialogue, _ string) string { d.reload(); return "" }},
	{"I", none, 0, func(d *dialogue, _ string) string { return d.o.Version }},
	{"@1", none, 0, func(*dialogue, string) string { return "OBDII to RS232 Interpreter" }},
	switching("E", func(s *settings) *bool { return &s.echo }),
	switching("L", func(s *settings) *bool { return &s.linefeed }),
	switching("S", func(s *settings) *bool { return &s.spaces }),
	switching("H", func(s *settings) *bool { return &s.headers }),
	switching("D", func(s *settings) *bool { return &s.dlc }),
	switching("CAF", func(s *settings) *bool { return &s.format }),
	ignored("M", oneOf("0", "1")),
	ignored("CFC", oneOf("0", "1")),
	ignored("FCSH", hexDigits(3, 6, 8)),
	ignored("FCSD", hexDigits(2, 4, 6, 8, 10)),
	ignored("FCSM", oneOf("0", "1", "2")),
	ignored("KW", oneOf("0", "1")),
	ignored("FE", none),
	{"AL", none, 0, func(d *dialogue, _ string) string { d.set.long = true; return "" }},
	{"NL", none, 0, func(d *dialogue, _ string) string { d.set.long = false; return "" }},
	{"AT", oneOf("0", "1", "2"), 0, func(d *dialogue, arg string) string {
		d.set.adaptive, d.slowest = int(arg[0]-'0'), 0
		return ""
	}},
	{"ST", hexDigits(2), 0, func(d *dialogue, arg string) string {
		if d.set.st = int(hexNumber(arg)); d.set.st == 0 {
			d.set.st = 0x32
		}
		return ""
	}},
	{"CTM", oneOf("1", "5"), 0, func(d *dialogue, arg string) string { d.set.factor = int(arg[0] - '0'); return "" }},
	{"SP", protocolArg, storeTime, func(d *dialogue, arg string) string { d.set.choose(arg); d.late = nil; return "" }},
	{"TP", protocolArg, 0, func(d *dialogue, arg string) string { d.set.choose(arg); d.late = nil; return "" }},
	{"DP", none, 0, func(d *dialogue, _ string) string { return d.set.describe() }},
	{"DPN", none, 0, func(d *dialogue, _ string) string { return d.set.number() }},
	{"RV", none, measureTime, func(d *dialogue, _ string) string { return volts(d.o.Volts(time.Now())) }},
	{"IGN", none, 0, func(*dialogue, string) string { return "ON" }},
	{"CS", none, 0, func(*dialogue, string) string { return "T:00 R:00" }},
	{"PC", none, 0, func(d *dialogue, _ string) string { d.set.open, d.late = false, nil; return "" }},
	{"CP", hexDigits(2), 0, func(d *dialogue, arg string) string { d.set.priority = hexNumber(arg); return "" }},
	{"SH", hexDigits(3, 6, 8), 0, func(d *dialogue, arg string) string {
		d.set.header = hexNumber(arg)
		if len(arg) == 6 && (d.set.wide() || d.set.protocol == '0') {
			d.set.header |= d.set.priority << 24
		}
		return ""
	}},
	{"CRA", none, 0, func(d *dialogue, _ string) string { d.set.filter = ""; return "" }},
	{"CRA", pattern, 0, func(d *dialogue, arg string) string { d.set.filter = arg; return "" }},
	{"AR", none, 0, func(d *dialogue, _ string) string { d.set.filter = ""; return "" }},
	{"BRT", hexDigits(2), 0, func(d *dialogue, arg string) string {
		if d.set.offer = time.Duration(hexNumber(arg)) * 5 * time.Millisecond; d.set.offer == 0 {
			d.set.offer = 1280 * time.Millisecond
		}
		return ""
	}},
}

func protocolArg(arg string) bool { return new(settings).choose(arg) }

// pattern accepts an identifier with X for digits that do not matter.
func pattern(arg string) bool {
	return (len(arg) == 3 || len(arg) == 8) && isHex(strings.ReplaceAll(arg, "X", "0"))
}

// command answers an AT command, given without AT.
func (d *dialogue) command(ctx context.Context, text string, at time.Time) error {
	ready := at.Add(parseTime)
	if rate, ok := strings.CutPrefix(text, "BRD"); ok && hexDigits(2)(rate) && !d.refuses("BRD", text) {
		return d.changeRate(ctx, hexNumber(rate), ready)
	}
	if text == "LP" && !d.refuses("LP", text) {
		return d.lowPower(ctx, ready)
	}
	for _, c := range commands {
		arg, ok := strings.CutPrefix(text, c.name)
		if !ok || !c.takes(arg) {
			continue
		}
		if d.refuses(c.name, text) {
			break
		}
		d.note(func() { d.heard.AT[c.name]++ })
		if err := sleep(ctx, ready.Add(c.takesTime)); err != nil {
			return err
		}
		reply := ""
		if !d.pretends(c.name, text) {
			reply = c.run(d, arg)
		}
		if reply == "" {
			reply = "OK"
		}
		return d.reply(ctx, ready.Add(c.takesTime), reply)
	}
	return d.unknown(ctx, ready)
}

func (d *dialogue) refuses(name, text string) (refuses bool) {
	d.note(func() { refuses = d.refused[name] || d.refused[text] || d.refused[text+"."] })
	return refuses
}

// bare is a command as the table and the lists have it, without AT in front; AT itself is adaptive timing.
func bare(c string) string {
	c = squeeze(c)
	if c == "AT" {
		return c
	}
	return strings.TrimPrefix(c, "AT")
}

func (d *dialogue) pretends(name, text string) bool {
	for _, c := range d.o.Pretended {
		if c = bare(c); c == name || c == text {
			return true
		}
	}
	return false
}

// changeRate is AT BRD: OK without a prompt, the name at the new rate, and the old rate again unless the host
// acknowledges with a carriage return in time. The divisor is of 4 Mbit/s.
func (d *dialogue) changeRate(ctx context.Context, divisor uint32, ready time.Time) error {
	if divisor < 8 {
		return d.unknown(ctx, ready)
	}
	d.note(func() { d.heard.AT["BRD"]++ })
	if err := d.line.send(ctx, ready, d.dress("OK\r")); err != nil {
		return err
	}
	old := d.line.baud
	change := d.line.txFree.Add(d.set.offer)
	d.line.baud = int(4_000_000 / divisor)
	if err := d.line.send(ctx, change, d.dress(d.o.Version+"\r")); err != nil {
		return err
	}
	c, ok, err := d.next(ctx, d.line.txFree.Add(d.set.offer))
	if err != nil {
		return err
	}
	if !ok || c.b != '\r' {
		d.line.baud = old
		return nil
	}
	d.set.baud = d.line.baud
	return d.reply(ctx, c.at.Add(parseTime), "OK")
}
