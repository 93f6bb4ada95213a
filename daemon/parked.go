package daemon

import "time"

// Parking says when a car counts as parked and how it is watched then. The zero value has the defaults.
type Parking struct {
	Stand      time.Duration // the engine stands for so long although the car answers; default: what ends a drive, and 5 s
	Look       time.Duration // how often the adapter's voltage is read; default 1 s
	SleepAfter time.Duration // parked for so long, the adapter is put to low power; default as configured, negative: never
	WakeEvery  time.Duration // how often a sleeping adapter is woken for its voltage; default 20 s. So late a start may be seen
}

func (o Parking) withDefaults(stopAfter time.Duration) Parking {
	set := func(d *time.Duration, to time.Duration) {
		if *d == 0 {
			*d = to
		}
	}
	set(&o.Stand, stopAfter+5*time.Second)
	set(&o.Look, time.Second)
	set(&o.WakeEvery, 20*time.Second)
	return o
}

// Voltages at the socket of a 12 V car, at the adapter's pin. Twice that is taken for a lorry's 24 V. Common practice,
// no source: a resting battery has 12.0 to 12.8 V, an alternator charges with 13.2 to 14.8 V, a starter pulls it below
// 11 V. An adapter's reading is off by some 2 %.
const (
	chargingVolts  = 13.0 // from here on something charges the battery
	riseVolts      = 0.5  // so much above its resting level something charges a weak one
	leastRise      = 0.3  // what counts as a rise at all, when the resting level is near chargingVolts already
	dipVolts       = 1.5  // so much below its resting level is a starter's work, no lamp's
	settledVolts   = 0.2  // back within this of the resting level, a rise is over
	leastVolts     = 6.0  // a lower reading is an adapter without a divider, or without a car
	mostVolts      = 18.0 // a higher one is a 24 V system
	restSettles    = 10 * time.Minute
	runningSettles = 20 * time.Second // an alternator charges that long after the start at the latest
)

// How long a car may be silent or stand before it counts as parked. Own choices. Alarm systems and sleeping computers
// are disturbed by questions later than some 10 s after the ignition went off (field reports).
const (
	graceSilent   = 4 * time.Second  // silent, battery not charged: the ignition is off
	graceCharging = 10 * time.Minute // silent or standing while something charges the battery
	graceUnknown  = time.Minute      // silent, no usable voltage
	standUnknown  = 5 * time.Minute  // standing, no usable voltage
)

// trigger is a reason to look whether a parked car is in use again.
type trigger uint8

const (
	byStart trigger = iota // the daemon started, or the adapter came back
	byRise                 // the voltage rose
	byDip                  // it fell as it does when the starter turns
	byHint                 // another source came to life
	byTime                 // nothing tells, so the clock must
	triggers
)

func (t trigger) String() string {
	return [...]string{"the daemon starts", "the voltage rose", "the voltage fell as under a starter", "another source came to life",
		"it was not looked at for a while"}[t]
}

// After a look in vain the same reason counts again only after a pause, which doubles with every further one: a car
// that charges its own battery at night, or that our question wakes, would otherwise be asked every few minutes until
// the battery is flat (field reports: every 3 minutes, with a threshold alone).
var pauses = [triggers]struct{ first, most time.Duration }{
	byStart: {time.Second, time.Second},
	byRise:  {30 * time.Second, time.Hour},
	byDip:   {10 * time.Second, 10 * time.Minute},
	byHint:  {10 * time.Second, 10 * time.Minute},
	byTime:  {time.Minute, 30 * time.Minute},
}

// park decides whether the car may be asked anything. It is pure: instants come from its caller, on one clock.
//
//	        silent, standing or not understood for the grace that the voltage allows
//	awake ───────────────────────────────────────────────────────────▶ parked
//	  ▲                                                                  │
//	  └── voltage rises or dips, another source wakes, or, where no ─────┘
//	      voltage tells, some time passes; rarer each time in vain
type park struct {
	o      Parking
	parked bool
	since  time.Duration // when it woke or was parked
	cause  trigger       // of being awake
	moved  time.Duration // when the engine or the wheels last turned
	drove  bool          // they did since it woke
	silent bool          // the car gave no answer when it was asked last
	heard  bool          // the car answered since the link was last set up after an outage
	blind  time.Duration // how long the link was down since the later of since and moved

	volts    float64
	read     time.Duration // when volts was
	known    bool          // volts is usable
	rest     float64       // the battery's level while parked
	armed    bool          // the voltage has been near rest since the last rise
	low      time.Duration // when nothing charged the battery last
	most     float64       // the highest voltage seen well after the engine started; 0 = none seen
	started  time.Duration
	hinted   bool
	vain     [triggers]int
	notUntil [triggers]time.Duration
}

func newPark(now time.Duration, o Parking) *park {
	return &park{o: o, since: now, moved: now, cause: byStart}
}

// turning takes in that the engine or the wheels turn: the car is in use.
func (p *park) turning(now time.Duration) {
	if now-p.moved > p.o.Stand || !p.drove {
		p.started = now
	}
	p.moved, p.drove, p.silent, p.heard, p.blind = now, true, false, true, 0
	p.vain, p.notUntil = [triggers]int{}, [triggers]time.Duration{}
}

// standing takes in that the car answers and nothing turns.
func (p *park) standing() { p.silent, p.heard = false, true }

// back takes in that the link, which was down for so long, is set up again. What the car did meanwhile nobody saw, so it
// is given the whole grace anew. Only once, though, until it answers: a link that fails again and again before it does
// would keep the car's computers awake for ever. From the second time on, the time without a link just does not count.
func (p *park) back(now, down time.Duration) {
	switch {
	case p.parked:
	case p.heard:
		p.since, p.blind, p.heard, p.silent = now, 0, false, false
	default:
		p.blind += down
	}
}

// quiet takes in that the car gave no answer.
func (p *park) quiet() { p.silent = true }

// muddled takes in that something came and was of no use: whether the car is silent is not known.
func (p *park) muddled() { p.silent = false }

// hint takes in that another source came to life.
func (p *park) hint() { p.hinted = true }

// measure takes in the adapter's voltage. ok is false if it gave none.
func (p *park) measure(now time.Duration, volts float64, ok bool) {
	if volts > mostVolts {
		volts /= 2
	}
	if p.known = ok && volts >= leastVolts && volts <= mostVolts; !p.known {
		return
	}
	switch {
	case !p.parked || p.rest == 0:
		p.rest = volts
	case volts > p.rest-dipVolts: // a dip is not the level
		p.rest += (volts - p.rest) * min(1, float64(now-p.read)/float64(restSettles))
	}
	if volts < chargingVolts {
		p.low = now
	}
	if volts <= p.rest+settledVolts {
		p.armed = true
	}
	p.volts, p.read = volts, now
	if p.drove && now-p.moved < time.Second && now-p.started > runningSettles {
		p.most = max(p.most, volts)
	}
}

// wantsVolts tells, while the car is awake, whether a reading of the voltage would decide anything now: when nothing
// turns, and once a minute in a drive until the alternator was seen to charge.
func (p *park) wantsVolts(now time.Duration) bool {
	return now-p.moved > graceSilent || p.drove && p.most < chargingVolts && now-p.started > runningSettles && now-p.read > time.Minute
}

// tells reports whether the voltage says anything about the engine: an alternator that is not seen to charge while the
// engine runs, or an adapter whose pin is not wired to the battery, does not.
func (p *park) tells() bool { return p.known && (p.most == 0 || p.most >= chargingVolts) }

// decide moves between awake and parked, and reports whether it did.
func (p *park) decide(now time.Duration) (changed bool) {
	if !p.parked {
		if now-max(p.moved, p.since)-p.blind < p.grace() {
			return false
		}
		p.enter(now)
		return true
	}
	for _, t := range []trigger{byDip, byHint, byRise, byTime} {
		if p.pulled(t, now) && now >= p.notUntil[t] {
			p.parked, p.since, p.cause, p.drove = false, now, t, false
			p.armed, p.hinted, p.silent, p.heard, p.blind = false, false, false, false, 0
			return true
		}
	}
	p.hinted = false
	return false
}

// grace is how long an awake car may do nothing.
func (p *park) grace() time.Duration {
	switch {
	case !p.tells() && p.silent:
		return graceUnknown
	case !p.tells():
		return max(standUnknown, p.o.Stand)
	case p.volts >= chargingVolts:
		return max(graceCharging, p.o.Stand)
	case p.silent:
		return graceSilent
	}
	return p.o.Stand
}

// enter parks the car. If nothing turned since it woke, the look was in vain.
func (p *park) enter(now time.Duration) {
	if !p.drove {
		p.vain[p.cause]++
	}
	for t := range triggers {
		if t == p.cause && !p.drove || t == byTime {
			p.notUntil[t] = now + min(pauses[t].first<<min(max(0, p.vain[t]-1), 16), pauses[t].most)
		}
	}
	p.parked, p.since, p.rest, p.armed, p.hinted = true, now, p.volts, false, false
}

// pulled reports whether something speaks for a look.
func (p *park) pulled(t trigger, now time.Duration) bool {
	switch t {
	case byDip:
		return p.known && p.volts <= p.rest-dipVolts
	case byHint:
		return p.hinted
	case byRise:
		return p.tells() && p.armed && (p.volts >= max(chargingVolts, p.rest+leastRise) || p.volts >= p.rest+riseVolts)
	case byTime:
		return !p.tells() || p.volts >= chargingVolts && now-p.low >= graceCharging
	}
	return false
}
