package iio

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
)

// The scale of a delta-sigma converter of the mcp3422 driver, in volts a code: between 0.001 at 12 bits without gain and
// 0.000001953 at 18 bits with the highest. Were they millivolts, they would be between 1 and 0.001953; so a value below tells
// which is meant, also by a later driver that has put it right.
const voltScaleBelow = 0.0015

// inMillivolts puts right the scale of the one driver in Linux (drivers/iio/adc/mcp3422.c) that gives volts a code, where the
// kernel's interface wants millivolts.
func (a *Attributes) inMillivolts(scale float64) float64 {
	if !a.madeBy("mcp342") || scale > voltScaleBelow {
		return scale
	}
	a.notes = append(a.notes, fmt.Sprintf("the scale of %v was taken for volts a code, as this converter's driver gives it: %v mV", scale, inMillivolts(scale)))
	return inMillivolts(scale)
}

// madeBy tells whether the part's name or its driver's begins so. The mcp3422 driver gives the bus address for a name, so the
// I²C device above and its driver are asked too.
func (a *Attributes) madeBy(prefix string) bool {
	names := []string{a.name}
	if at, err := filepath.EvalSymlinks(a.device); err == nil {
		above := &Attributes{device: filepath.Dir(at)}
		names = append(names, above.text("name"))
		if driver, err := filepath.EvalSymlinks(above.path("driver")); err == nil {
			names = append(names, filepath.Base(driver))
		}
	}
	for _, name := range names {
		if strings.HasPrefix(name, prefix) {
			return true
		}
	}
	return false
}

// family is a group of parts whose driver does not tell how many bits a code has.
type family struct {
	prefix string
	bits   int
	signed bool
}

// Bits of the parts that drivers/iio/adc/mcp320x.c and ti-ads1100.c serve, by Microchip's and Texas Instruments' data sheets.
// Neither driver has a buffer, which would tell.
var families = []family{
	{"mcp300", 10, false},
	{"mcp320", 12, false},
	{"mcp3301", 13, true},
	{"ads1000", 12, true},
	{"ads1100", 16, true},
}

// readRange finds the lowest and the highest code: by the type that the buffer's side of the interface tells, else by the part.
func (a *Attributes) readRange() {
	if text := a.text("scan_elements/in_" + a.channel + "_type"); text != "" {
		if t, err := parseScanType(text); err == nil && t.fits() {
			a.setRange(t.bits, t.signed)
			return
		}
	}
	// All parts of the ads1015 driver have its name. Their scales have steps of their own: the 16-bit parts' coarsest is
	// 0.1875 mV a code, the 12-bit parts' 3 mV (data sheets SBAS444 and SBAS473, table of full-scale ranges).
	if a.madeBy("ads1015") || a.madeBy("ads1115") || a.madeBy("tla202") {
		switch coarsest := a.coarsestScale(); {
		case coarsest > 2.9 && coarsest < 3.1:
			a.setRange(12, true)
		case coarsest > 0.18 && coarsest < 0.19:
			a.setRange(16, true)
		}
		return
	}
	if a.madeBy("mcp342") {
		if bits := a.resolution(); bits > 0 {
			a.setRange(bits, true)
		}
		return
	}
	for _, f := range families {
		if strings.HasPrefix(a.name, f.prefix) {
			a.setRange(f.bits, f.signed)
			return
		}
	}
}

// resolutions are those of the mcp3422 driver's parts: bits, conversions a second as the driver tells them, and mV a code without
// gain, so that full scale is ±2.048 V (Microchip's data sheet DS22088 of the MCP3422 to MCP3424, from memory).
var resolutions = []struct {
	bits           int
	rate, coarsest float64
}{{12, 240, 1}, {14, 60, 0.25}, {16, 15, 0.0625}, {18, 3, 0.015625}}

// resolution is how many bits such a part is set to: by its rate, else by the scales that can be chosen, of which the coarsest has no
// gain, else by the scale in use where one resolution alone has it, with a gain of 1, 2, 4 or 8. 0 if nothing tells.
func (a *Attributes) resolution() (bits int) {
	rate, err := a.attribute("sampling_frequency")
	for _, r := range resolutions {
		if err == nil && math.Floor(rate) == r.rate { // 3.75 a second are told as 3
			return r.bits
		}
	}
	same := func(a, b float64) bool { return math.Abs(a-b) < 0.01*b }
	if coarsest := inMillivolts(a.coarsestAvailable()); coarsest > 0 {
		for _, r := range resolutions {
			if same(coarsest, r.coarsest) {
				return r.bits
			}
		}
	}
	scale, err := a.attribute("scale")
	if err != nil {
		return 0
	}
	for _, r := range resolutions {
		for gain := 1.0; gain <= 8; gain *= 2 {
			switch {
			case !same(inMillivolts(scale), r.coarsest/gain):
			case bits != 0:
				return 0
			default:
				bits = r.bits
			}
		}
	}
	return bits
}

// inMillivolts is a scale of such a part in mV a code, whichever of the two units it was told in.
func inMillivolts(scale float64) float64 {
	if scale > voltScaleBelow {
		return scale
	}
	return scale * 1000
}

func (a *Attributes) setRange(bits int, signed bool) {
	if signed {
		a.low, a.high = int32(int64(-1)<<(bits-1)), int32(int64(1)<<(bits-1)-1)
		return
	}
	a.high = int32(int64(1)<<bits - 1)
}

// coarsestScale is the largest of the scales that can be chosen, else the one in use; 0 if there is none.
func (a *Attributes) coarsestScale() float64 {
	if most := a.coarsestAvailable(); most > 0 {
		return most
	}
	return a.scale
}

// coarsestAvailable is the largest of the scales that can be chosen, as the driver tells them; 0 if it tells none.
func (a *Attributes) coarsestAvailable() (most float64) {
	for _, file := range []string{"in_" + a.channel + "_scale_available", "in_" + a.shared() + "_scale_available", "scale_available"} {
		for _, word := range strings.Fields(a.text(file)) {
			if scale, err := parseNumber(word); err == nil {
				most = max(most, scale)
			}
		}
		if most > 0 {
			return most
		}
	}
	return 0
}
