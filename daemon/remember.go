package daemon

import (
	"cmp"
	"encoding/json"
	"os"
	"path/filepath"
	"time"

	"underdash/obd"
	"underdash/obd/poll"
)

// MemoryFile is the name, in the store's directory, of what is remembered of the adapter and the car from one start of
// the daemon to the next. It only saves time: without it the protocol is searched for, and longer who the engine's
// computer is.
const MemoryFile = "adapter.json"

// memory is what MemoryFile holds.
type memory struct {
	Address  string `json:"address"`            // of the adapter
	Baud     int    `json:"baud,omitempty"`     // at which it answered
	Protocol string `json:"protocol,omitempty"` // the adapter's number of the car's protocol, "1" to "9"

	Engine obd.Address `json:"engine,omitempty"` // from where the engine's computer answered, 0 if that is not certain
	Car    string      `json:"car,omitempty"`    // its identification number, as far as a car told one
}

// engine is where the engine's computer of the car with that identification number answers, as far as is remembered; 0
// if not. A car that tells no number may be the one before.
func (m memory) engine(vin string) obd.Address {
	if m.Car != "" && vin != "" && m.Car != vin {
		return 0
	}
	return m.Engine
}

// recall reads what is remembered of the last time; nothing if the file is missing or makes no sense.
func recall(dir string) memory {
	text, err := os.ReadFile(filepath.Join(dir, MemoryFile))
	if err != nil {
		return memory{}
	}
	var m memory
	if json.Unmarshal(text, &m) != nil || m.Baud < 0 || len(m.Protocol) > 1 || m.Protocol != "" && (m.Protocol < "1" || m.Protocol > "9") {
		return memory{}
	}
	return m
}

// provenAfter is how long an engine must turn, by the words of a computer at an unusual address, for that to be taken as
// the engine's: the real one does not keep silent for so long while its engine turns.
const provenAfter = time.Minute

// proof watches whether the polled computer is the engine's where its address does not tell.
type proof struct {
	wanted bool
	turned time.Time // since when the engine turns; zero = it does not
}

// took takes in a reading and reports, once, that the proof is there.
func (p *proof) took(r poll.Reading) bool {
	if !p.wanted {
		return false
	}
	switch v, ok := single(r, engineSpeed); {
	case !ok:
		return false
	case v == 0:
		p.turned = time.Time{}
		return false
	case p.turned.IsZero():
		p.turned = r.At
	}
	p.wanted = r.At.Sub(p.turned) < provenAfter
	return !p.wanted
}

// remember keeps what the link and the car are like now, if that is news: the file is on a card that wears. engine is 0
// while it is not certain who the engine's computer is; an empty vin tells nothing.
func (k *keeper) remember(protocol string, engine obd.Address, vin string) {
	m := memory{Address: k.d.cfg.Adapter.Address, Baud: k.rates[0], Protocol: protocol, Engine: engine, Car: cmp.Or(vin, k.memory.Car)}
	if m == k.memory {
		return
	}
	k.memory = m
	path := filepath.Join(k.d.cfg.Store.Path, MemoryFile)
	text, err := json.Marshal(m)
	if err == nil {
		err = os.WriteFile(path+".new", append(text, '\n'), 0o644)
	}
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		k.d.o.Log.Warn("could not remember the car's protocol", "err", err)
	}
}
