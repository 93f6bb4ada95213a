package obdtest

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestWords(t *testing.T) {
	bench(t, Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}}, "E0 TP6", func(t *testing.T, h host, a *Adapter) {
		a.Words("FB ERROR")
		heard, _ := h.ask("010C")
		assert.Equal(t, "FB ERROR\r\r>", heard)
		heard, _ = h.ask("ATI")
		assert.Equal(t, "ELM327 v2.1\r\r>", heard, "commands are answered as ever")
		a.Words("")
		heard, _ = h.ask("010C1")
		assert.Equal(t, "41 0C 17 B8 \r\r>", heard)
	})
}

func TestPowerCut(t *testing.T) {
	bench(t, Options{}, "E0 H1", func(t *testing.T, h host, a *Adapter) {
		cut := make(chan struct{})
		go func() {
			a.PowerCut() // waits for the stream's end
			close(cut)
		}()
		heard, _ := h.ask("ATI")
		assert.NotContains(t, heard, "ATI", "the settings still are as they were")
		h.stream.(interface{ Close() error }).Close()
		<-cut
		again := a.Dial()
		defer again.Close()
		heard, _ = host{t, again}.ask("ATI")
		assert.Contains(t, heard, "ATI\r", "it echoes again")
	})
}
