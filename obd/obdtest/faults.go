package obdtest

// PowerCut takes the adapter's supply away and gives it back while nobody listens, as when it is pulled out of the
// diagnostic socket and plugged in again: all settings are those of a power-up and nothing is said about it. If a
// stream is served PowerCut waits for its end; BrownOut is the same in the middle of a dialogue.
func (a *Adapter) PowerCut() {
	a.turn <- struct{}{}
	defer func() { <-a.turn }()
	a.set, a.slowest, a.last = defaults(a.o.Baud), 0, ""
}

// Words makes the adapter answer every request with these words instead of asking the car: "FB ERROR", "LP ALERT",
// a line of somebody else's data. A carriage return separates lines. An empty text ends that.
func (a *Adapter) Words(text string) { a.note(func() { a.words = text }) }

func (a *Adapter) wordsNow() (text string) {
	a.note(func() { text = a.words })
	return text
}
