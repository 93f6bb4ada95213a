package poll

import (
	"slices"
	"time"

	"underdash/obd"
	"underdash/obd/pid"
)

// wish is a quantity that a mixture log wants, with the parameters that hold it, best first.
type wish struct {
	class Class
	every time.Duration // 0 = the class's
	pids  []obd.PID
}

// The default set of a mixture log. Its grouping and rates are common practice, no source: the axes of a fuel table
// and the factory's own mixture signals as fast as the link allows, since they must belong to the same instants as the
// wideband's; commands and the state of the loop twice a second; what is learned or warms up once a second; supply
// voltage, purge, exhaust gas recirculation, secondary air and rail pressure more slowly; fuel and ambient last.
var wishes = []wish{
	{Fast, 0, []obd.PID{0x0C}},             // engine speed
	{Fast, 0, []obd.PID{0x0B, 0x87}},       // manifold pressure
	{Fast, 0, []obd.PID{0x10, 0x66}},       // air flow
	{Fast, 0, []obd.PID{0x11, 0x47, 0x45}}, // throttle
	{Fast, 0, nil},                         // bank 1 sensor 1, see sensors
	{Fast, 0, nil},                         // bank 2 sensor 1, see sensors
	{Fast, 0, []obd.PID{0x06}},             // short-term trims
	{Fast, 0, []obd.PID{0x08}},

	{Normal, 0, []obd.PID{0x44}},       // commanded λ
	{Normal, 0, []obd.PID{0x03}},       // open or closed loop
	{Normal, 0, []obd.PID{0x0E}},       // timing
	{Normal, 0, []obd.PID{0x43, 0x04}}, // load
	{Normal, 0, []obd.PID{0x0D}},       // road speed
	{Normal, time.Second, []obd.PID{0x07}},
	{Normal, time.Second, []obd.PID{0x09}},
	{Normal, time.Second, []obd.PID{0x05, 0x67}},
	{Normal, time.Second, []obd.PID{0x0F, 0x68}},

	{Slow, 0, []obd.PID{0x42}},
	{Slow, 0, []obd.PID{0x2E}},
	{Slow, 0, []obd.PID{0x2C}},
	{Slow, time.Second, []obd.PID{0x12}},
	{Slow, 0, []obd.PID{0x33}},
	{Slow, 0, []obd.PID{0x23, 0x59}},
	{Slow, 0, []obd.PID{0x5E, 0x9D}},
	{Slow, 5 * time.Second, []obd.PID{0x52}},
	{Slow, 5 * time.Second, []obd.PID{0x46}},
	{Slow, 5 * time.Second, []obd.PID{0x5C}},
	{Slow, 5 * time.Second, []obd.PID{0x2F}},
	{Slow, 5 * time.Second, []obd.PID{0x1F}},
	{Slow, 5 * time.Second, []obd.PID{0x01}},
}

// sensors returns the parameters that hold sensor 1 of banks 1 and 2: wide-range by voltage, by current, the later
// form that holds both banks, narrow-band. Which parameter is bank 2's depends on whether the car counts four banks.
func sensors(fourBanks bool) (bank1, bank2 []obd.PID) {
	bank1 = []obd.PID{0x24, 0x34, 0x8C, 0x14}
	if fourBanks {
		return bank1, []obd.PID{0x26, 0x36, 0x8C, 0x16}
	}
	return bank1, []obd.PID{0x28, 0x38, 0x8C, 0x18}
}

// standIns hold the same quantity as another parameter, on cars that do not support that one.
var standIns = map[obd.PID]obd.PID{0x10: 0x66, 0x05: 0x67, 0x0F: 0x68, 0x0B: 0x87}

// Named returns the channels that standard acronyms stand for (RPM, MAP, LAMBDA11), in each class in the order given. An
// acronym that several parameters use stands for the first of them that the engine computer supports, and where it
// supports none of them a parameter that holds the same quantity stands in: 66 for 10, 67 for 05, 68 for 0F, 87 for 0B.
// Oxygen sensors are numbered as the car numbers them. Unknown acronyms are left out; a parameter named twice counts
// where it is named first. Without any name the result is nil, which as Options.Channels is the default set.
func Named(f Found, fast, normal, slow []string) []Channel {
	var channels []Channel
	context := f.Context()
	for class, names := range [][]string{Fast: fast, Normal: normal, Slow: slow} {
		for _, name := range names {
			pids := holders(context, name)
			if len(pids) == 0 {
				continue
			}
			c := Channel{PID: pids[0], Class: Class(class), Or: pids[1:]}.supported(f)
			if !slices.ContainsFunc(channels, func(have Channel) bool { return have.PID == c.PID }) {
				channels = append(channels, c)
			}
		}
	}
	return channels
}

// holders are the parameters that hold the quantity with that acronym, those that stand in behind the others.
func holders(context pid.Context, name string) (pids []obd.PID) {
	for _, p := range pid.All() {
		for i := range p.Signals {
			if s, ok := context.Signal(p.PID, i); ok && s.Acronym == name && !slices.Contains(pids, p.PID) {
				pids = append(pids, p.PID)
			}
		}
	}
	for _, p := range pids {
		if s, ok := standIns[p]; ok {
			pids = append(pids, s)
		}
	}
	return pids
}

// DefaultChannels picks the channels of a mixture log out of what the engine computer supports. Where a parameter is
// missing another that holds the same quantity takes its place: 66 for 10, 67 for 05, 68 for 0F, 87 for 0B, 04 for 43.
func DefaultChannels(f Found) []Channel {
	has := make(map[obd.PID]bool)
	for _, p := range f.Supported[f.Engine] {
		has[p] = true
	}
	bank1, bank2 := sensors(f.Context().Banks4)
	var channels []Channel
	taken := make(map[obd.PID]bool)
	unnamed := [][]obd.PID{bank1, bank2}
	for _, w := range wishes {
		pids := w.pids
		if pids == nil {
			pids, unnamed = unnamed[0], unnamed[1:]
		}
		for _, p := range pids {
			if has[p] {
				if !taken[p] {
					channels = append(channels, Channel{PID: p, Class: w.class, Every: w.every})
					taken[p] = true
				}
				break
			}
		}
	}
	return channels
}
