//go:build race

package daemon

// raceEnabled shortens simulated drives: the race detector makes them several times slower.
const raceEnabled = true
