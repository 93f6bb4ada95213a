package daemon

import (
	"encoding/json"
	"os"
	"path/filepath"
)

// MemoryFile is the name, in the store's directory, of what is remembered of the adapter and the car from one start of
// the daemon to the next. It only saves time: without it the protocol is searched for.
const MemoryFile = "adapter.json"

// memory is what MemoryFile holds.
type memory struct {
	Address  string `json:"address"`            // of the adapter
	Baud     int    `json:"baud,omitempty"`     // at which it answered
	Protocol string `json:"protocol,omitempty"` // the adapter's number of the car's protocol, "1" to "9"
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

// remember keeps what the link is like now, if that is news: the file is on a card that wears.
func (k *keeper) remember(protocol string) {
	m := memory{Address: k.d.cfg.Adapter.Address, Baud: k.rates[0], Protocol: protocol}
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
