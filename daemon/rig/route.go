package rig

import (
	"math"
	"time"
)

// Phase is a stretch of the drive.
type Phase struct {
	Name     string // "key on", "crank", "warm-up", "idle", "accelerate", "cruise", "pull", "fuel cut", "coast", "stop", "off"
	From, To time.Duration
	// Steady marks the part of idle, cruise and pull in which the mixture at the sensor has settled.
	Steady bool
}

// mode is what driver and engine computer do in a phase. Pairs are the values at its beginning and its end.
type mode struct {
	name    string
	rpm     [2]float64
	kPa     [2]float64 // manifold pressure aimed at; 0 is the throttle wide open
	speed   [2]float64 // km/h
	pedal   float64    // percent
	spark   float64    // degrees before top dead centre
	lambda  [2]float64 // aimed at, before the closed loop's oscillation
	closed  bool       // closed loop
	cut     bool       // no fuel
	load    bool       // open loop because of load or fuel cut
	settles float64    // seconds until steady; 0: never steady
}

var (
	keyOn   = mode{name: "key on", kPa: [2]float64{ambient, ambient}, lambda: [2]float64{1, 1}}
	crank   = mode{name: "crank", rpm: [2]float64{210, 230}, kPa: [2]float64{90, 75}, spark: 5, lambda: [2]float64{0.85, 0.85}}
	warmUp  = mode{name: "warm-up", rpm: [2]float64{1300, 900}, kPa: [2]float64{40, 31}, spark: 3, lambda: [2]float64{0.88, 0.97}}
	idle    = mode{name: "idle", rpm: [2]float64{820, 820}, kPa: [2]float64{30, 30}, spark: 10, lambda: [2]float64{1, 1}, closed: true, settles: 2}
	speedUp = mode{name: "accelerate", rpm: [2]float64{1200, 2500}, kPa: [2]float64{68, 62}, speed: [2]float64{0, 54}, pedal: 28, spark: 24, lambda: [2]float64{1, 1}, closed: true}
	cruise  = mode{name: "cruise", rpm: [2]float64{2500, 2500}, kPa: [2]float64{45, 45}, speed: [2]float64{54, 54}, pedal: 14, spark: 31, lambda: [2]float64{1, 1}, closed: true, settles: 1.5}
	pull    = mode{name: "pull", rpm: [2]float64{2500, 6000}, speed: [2]float64{54, 130}, pedal: 100, spark: 20, lambda: [2]float64{0.86, 0.86}, load: true, settles: 1.2}
	cut     = mode{name: "fuel cut", rpm: [2]float64{6000, 1400}, kPa: [2]float64{21, 24}, speed: [2]float64{130, 30}, spark: 14, lambda: [2]float64{1, 1}, cut: true, load: true}
	coast   = mode{name: "coast", rpm: [2]float64{1400, 850}, kPa: [2]float64{28, 30}, speed: [2]float64{30, 0}, spark: 12, lambda: [2]float64{0.95, 1}, closed: true}
	stop    = mode{name: "stop", kPa: [2]float64{ambient, ambient}, lambda: [2]float64{1, 1}}
	off     = mode{name: "off", kPa: [2]float64{ambient, ambient}, lambda: [2]float64{1, 1}}
)

// leg is a mode and its length in seconds.
type leg struct {
	mode
	length float64
}

// route lays the drive out. A minute has one round of the cycle; a shorter drive is squeezed as a whole; in a longer
// one warm-up, idle and cruise grow somewhat and the cycle repeats.
func route(length time.Duration) []leg {
	const (
		key, starter, firstIdle, stopping, keyOff = 2.0, 0.8, 9.0, 4.0, 2.0

		moving, flexible = 17.5, 16.5 // of a round: acceleration, pull, cut and coasting; cruise and idle
	)
	total := length.Seconds()
	long := max(total, 60)
	warming := 8.2 * min(5, 1+(long-60)/240)
	rest := long - key - starter - warming - firstIdle - stopping - keyOff
	rounds := max(1, math.Floor(rest/(moving+flexible*min(6, max(1, long/120)))))
	stretch := (rest/rounds - moving) / flexible

	legs := []leg{{keyOn, key}, {crank, starter}, {warmUp, warming}, {idle, firstIdle}}
	for range int(rounds) {
		legs = append(legs, leg{speedUp, 4}, leg{cruise, 10 * stretch}, leg{pull, 7}, leg{cut, 5}, leg{coast, 1.5}, leg{idle, 6.5 * stretch})
	}
	legs = append(legs, leg{stop, stopping}, leg{off, keyOff})
	for i := range legs {
		legs[i].length *= total / long
	}
	return legs
}

// phases turns legs into the list a reader of the truth gets, steady parts apart.
func phases(legs []leg) []Phase {
	var list []Phase
	at := 0.0
	for _, l := range legs {
		from, to := seconds(at), seconds(at+l.length)
		at += l.length
		if l.settles == 0 {
			list = append(list, Phase{Name: l.name, From: from, To: to})
			continue
		}
		settled := from + seconds(min(l.settles, 0.5*l.length))
		list = append(list, Phase{Name: l.name, From: from, To: settled}, Phase{Name: l.name, From: settled, To: to, Steady: true})
	}
	return list
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
