package watch

import (
	"math"
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
)

const defaultGap = 60 * time.Second

// Core is the state of the fold. Use [New]. A Core is used by one goroutine at a time.
type Core struct {
	site       Site
	placeOrder []string            // ids, rooms first
	room       map[string]string   // place → the room it is in
	inside     map[string][]string // room → its enclosures
	places     map[string]*Place

	points    []point
	index     map[quantity.Point]int32
	pairings  []pairing
	pairState []pairingState
	alarms    []alarm // alarmsPerPoint of each point, then one per fault, then two per mister
	misters   []*mister
	byName    map[string]int
	faults    []fault
	faultOf   []int32       // index in faults of each sensor itself; its channels follow
	ownFaults int32         // index in faults of the first component; the others follow
	record    cohort.Record // of the animals

	sensors             calibration.Record // of the sensors
	calibrations        []calibration.State
	calibrationsChanged int
	partsBefore         []savedPart // under the configuration of the restored state
	before              []Cohort    // of the configuration before this one; nil where there was none

	run           string
	reportDerived bool
	seq           uint64
	now           instant.Instant
	cuts          []instant.Instant
	activeCount   int
	late          uint64
	deadline      instant.Instant // no tick before this time can change anything; None = not known
	doubt         UnconfirmedClock
	unsaved       unsaved

	// The offset of the local time, in nanoseconds, and from when until when it holds; None = not looked up.
	zoneOffset          int64
	zoneFrom, zoneUntil instant.Instant
}

// point is the state of one point: first what the configuration says, then what was seen.
type point struct {
	name        quantity.Point
	ownAccuracy float64
	staleAfter  time.Duration
	gap         time.Duration
	feeds       []inputOf // pairings it is an input of
	inputs      []int32   // points it is derived from
	pairing     int32     // that derives it
	feeders     []feeder  // sensors that feed it
	mister      *mister   // of its enclosure, where it follows this point; nil otherwise

	// In force since the last boundary.
	band        care.Band
	limits      limits
	rules       [care.LimitCount]limitRule
	owners      [care.LimitCount]string // whose the limits are
	day         bool
	residents   []Resident
	bandAt      instant.Instant // the time for which the band was looked up
	boundary    instant.Instant // when the band or the ledger changes next; None = never
	changes     instant.Instant // when the limits change next, where the point looks ahead; None = never
	after       limits          // from then on
	course      course          // the usual day, made of Usual, once courseKnown
	courseKnown bool
	lowest      float64 // of the usual day
	highest     float64
	anyDay      bool  // anything is known of it
	lead        int32 // the air of the room that its temperature follows; -1 for none
	leads       bool  // enclosures follow it
	// kinetic has the e^(−ΔH/RT) of values that came last: neighbours at the 1/16 °C of a DS18B20 do not share a slot.
	kinetic [4]struct{ celsius, rate float64 }

	total     [ZoneCount]time.Duration // closed ledgers since this core was made
	totalBase [ZoneCount]time.Duration // what the open ledger held when it was taken over

	departures         [3]uint64  // excursions that began since this core was made, by Side
	degree, degreeBase [3]float64 // like total and totalBase, by Side

	pointMemory
}

// pointMemory is the part of a point that survives a restart.
type pointMemory struct {
	Known     bool            `json:"known"`      // there was a usable reading
	Joined    bool            `json:"joined"`     // the next reading may be joined to the last one
	Last      instant.Instant `json:"last"`       // time of the last usable reading
	Value     float64         `json:"value"`      // its value
	Flag      quantity.Flag   `json:"flag"`       // its flag
	Accounted instant.Instant `json:"accounted"`  // the ledgers are complete up to here
	Waiting   instant.Instant `json:"waiting"`    // readings have been expected since then
	Zone      Zone            `json:"zone"`       // of the last reading
	ZoneSince instant.Instant `json:"zone_since"` // without a change
	Quiet     bool            `json:"quiet"`      // no condition is active or running

	Side      Side      `json:"side"`
	Excursion Excursion `json:"excursion"`
	Ledger    Ledger    `json:"ledger"`
	Day       Ledger    `json:"day"` // closed ledgers of the local day so far, added up

	Conditions [care.LimitCount]condition `json:"conditions"`
	// When the limits became tighter last, by the light or by a stage; None if never.
	Tightened [care.LimitCount]instant.Instant                 `json:"tightened"`
	Outlook   outlook                                          `json:"outlook"`
	Ahead     [2]foresight                                     `json:"ahead"`      // rising, falling
	Said      [care.LimitCount]instant.Instant                 `json:"said"`       // when each limit was foreseen last; None if never
	SaidOften [care.LimitCount][oftenAhead - 1]instant.Instant `json:"said_often"` // the times before that, the oldest first
	Looked    instant.Instant                                  `json:"looked"`     // when the outlook was looked at last; None if never
	Usual     usual                                            `json:"usual"`
	Slopes    slopes                                           `json:"slopes"`
	Turning   turning                                          `json:"turning"`
	Rate      rate                                             `json:"rate"`
	Leads     [2]lead                                          `json:"leads"` // the last two looks at a room, the latest first
	Timing    timing                                           `json:"timing"`
	Good      int                                              `json:"good"` // usable readings in a row since it was stale

	Saturated      bool            `json:"saturated,omitempty"` // a humidity sensor is at the end of its range
	SaturatedSince instant.Instant `json:"saturated_since"`     // without a break; meaningless unless Saturated
}

// New makes a core for a site. Points derived from those of the site are added to it.
func New(site Site, run string) *Core {
	c := &Core{
		site: site, run: run, now: instant.None, deadline: instant.None, doubt: noDoubt(), zoneUntil: instant.None, unsaved: unsaved{all: true},
		room: map[string]string{}, inside: map[string][]string{}, places: map[string]*Place{},
		index: map[quantity.Point]int32{}, byName: map[string]int{},
	}
	if c.site.Location == nil {
		c.site.Location = time.UTC
	}
	c.record.Seeds = site.Cohorts
	if c.site.Intervals == nil {
		c.site.Intervals = c.record.Intervals()
	}
	c.arrangePlaces()
	for _, p := range site.Points {
		c.addPoint(p, nil)
	}
	c.addDerived()
	c.addLeads()
	c.addAlarms()
	c.addFaults()
	c.addMisters()
	c.sensors.Seeds = site.Calibrations
	c.settleCalibrations()
	return c
}

// arrangePlaces orders the places, rooms first, and indexes rooms and their enclosures.
func (c *Core) arrangePlaces() {
	for _, rooms := range [2]bool{true, false} {
		for i := range c.site.Places {
			place := &c.site.Places[i]
			if place.Room != rooms {
				continue
			}
			c.placeOrder = append(c.placeOrder, place.ID)
			c.places[place.ID] = place
			if place.In != "" {
				c.room[place.ID] = place.In
				c.inside[place.In] = append(c.inside[place.In], place.ID)
			}
		}
	}
	for _, p := range c.site.Points { // places that only the readings know
		if _, ok := c.places[p.Point.Place]; !ok {
			c.places[p.Point.Place] = &Place{ID: p.Point.Place}
			c.placeOrder = append(c.placeOrder, p.Point.Place)
		}
	}
}

func (c *Core) roomOf(place string) string { return c.room[place] }

// addPoint appends a point and returns its index.
func (c *Core) addPoint(p Point, inputs []int32) int32 {
	i := int32(len(c.points))
	gap := p.Gap
	if gap <= 0 {
		gap = defaultGap
	}
	c.points = append(c.points, point{name: p.Point, ownAccuracy: p.Accuracy, staleAfter: p.StaleAfter, gap: gap, inputs: inputs, lead: -1, pointMemory: newPointMemory()})
	c.index[p.Point] = i
	return i
}

func newPointMemory() pointMemory {
	m := pointMemory{
		Last: instant.None, Accounted: instant.None, Waiting: instant.None,
		Zone: UnknownZone, ZoneSince: instant.None, Quiet: true, Looked: instant.None,
	}
	for i := range m.Conditions {
		m.Conditions[i].interrupt()
		m.Tightened[i], m.Said[i] = instant.None, instant.None
		for k := range m.SaidOften[i] {
			m.SaidOften[i][k] = instant.None
		}
	}
	for i := range m.Ahead {
		m.Ahead[i] = foresight{Out: instant.None, Back: instant.None}
	}
	for i := range m.Leads {
		m.Leads[i].At = instant.None
	}
	return m
}

// addAlarms makes the alarms of all points.
func (c *Core) addAlarms() {
	for i := range c.points {
		p := &c.points[i]
		for kind := range alarmsPerPoint {
			a := alarm{
				name: p.name.String() + "/" + kind.String(), kind: kind, place: p.name.Place,
				quantity: p.name.Quantity.String(), point: int32(i), fault: -1, alarmMemory: newAlarmMemory(),
			}
			a.latching = c.places[a.place].Latch && kind.limit()
			a.notice = kind == onRising || kind == onFalling
			c.byName[a.name] = len(c.alarms)
			c.alarms = append(c.alarms, a)
		}
	}
}

// Index returns the index of a point for events.
func (c *Core) Index(p quantity.Point) (int32, bool) {
	i, ok := c.index[p]
	return i, ok
}

// Points returns all points, measured and derived, in the order of their indices.
func (c *Core) Points() []quantity.Point {
	points := make([]quantity.Point, len(c.points))
	for i := range c.points {
		points[i] = c.points[i].name
	}
	return points
}

// Step folds one event into the state and appends to out what the caller must do, in order. Effects hold no reference
// to the core. A reading allocates only if it has effects.
//
// Events come in the order of their times. Readings of one point must; one that is older than its predecessor is counted
// and otherwise ignored. Readings of different points may be interleaved freely between two other events: what
// becomes of a point does not depend on it, but for the outlook of an enclosure, which looks at its room as it was a minute before.
func (c *Core) Step(ev Event, out []Effect) []Effect {
	if ev.Kind == ReadingEvent {
		return c.Read(ev.Point, ev.At, ev.Value, ev.Flag, out)
	}
	c.now = max(c.now, ev.At)
	c.unsaved.all = c.unsaved.all || !ev.partly()
	switch ev.Kind {
	case TickEvent:
		return c.tick(ev.At, out)
	case StartEvent:
		return c.start(ev, out)
	case ComponentEvent:
		return c.failure(c.ownFaults+ev.Component, ev, out)
	case SensorEvent:
		return c.failure(c.faultOf[ev.Sensor]+ev.Channel, ev, out)
	case CommandEvent:
		return c.command(ev.At, ev.Command, out)
	case ClockStepEvent:
		return c.clockStep(ev, out)
	case CutEvent:
		c.cut(ev.At)
	}
	return out
}

// Read folds in a reading, as Step does a [ReadingEvent]: a year of them has no use for what else an event holds.
func (c *Core) Read(point int32, at instant.Instant, value float64, flag quantity.Flag, out []Effect) []Effect {
	if !flag.Usable() || math.IsNaN(value) || math.IsInf(value, 0) {
		return out
	}
	c.now = max(c.now, at)
	return c.reading(point, at, value, flag, out)
}

// start begins a run: earlier readings are not joined to later ones, and points without a reading from now on become stale.
func (c *Core) start(ev Event, out []Effect) []Effect {
	if ev.Run != "" {
		c.run = ev.Run
	}
	for i := range c.points {
		p := &c.points[i]
		p.Joined = false
		p.Waiting = ev.At
		p.Good = 0
		if p.Accounted.IsNone() {
			c.begin(p, ev.At)
		}
	}
	c.ForgetFailures()
	c.doubtRun(ev)
	return append(out, Effect{Kind: Record, Point: -1, Entry: c.newEntry(journal.RunStarted, ev.At)})
}

// ForgetFailures forgets the failures of sensors that have not become a fault: whether they went on is not known after the end of a run.
// It goes before the readings of that run that are newer than the restored state, whose times may be long after the sensor's recovery.
func (c *Core) ForgetFailures() {
	for i := range c.faults {
		if f := &c.faults[i]; !c.alarms[f.alarm].Active {
			f.Failing = instant.None
		}
	}
	c.deadline = instant.None
}

// begin opens the first ledger of a point.
func (c *Core) begin(p *point, at instant.Instant) {
	p.Accounted, p.ZoneSince = at, at
	c.enterBand(p, at)
	p.Ledger = c.newLedger(p, at)
	p.Day = Ledger{From: at, To: at}
}

// reading folds one usable reading into its point.
func (c *Core) reading(i int32, at instant.Instant, v float64, flag quantity.Flag, out []Effect) []Effect {
	p := &c.points[i]
	if p.Accounted.IsNone() {
		c.begin(p, at)
	}
	if at < p.Accounted && at >= p.Ledger.From && (!p.Known || at > p.Last) {
		// A tick has counted the time up to now as unknown while this reading was on its way: take that back.
		p.Ledger.InZone[UnknownZone] -= time.Duration(p.Accounted - at)
		p.Accounted = at
	}
	if p.Known && at < p.Last || at < p.Accounted {
		c.late++
		return out
	}
	fromTime, fromValue := p.Accounted, p.Value
	joined := p.Joined && p.Accounted == p.Last && at.Sub(p.Last) <= p.gap
	whole := segment{fromTime, at, fromValue, v}
	for !p.boundary.IsNone() && at >= p.boundary {
		edge := max(p.boundary, fromTime)
		value := v
		if joined {
			value = whole.valueAt(edge)
			out = c.observe(i, p, segment{fromTime, edge, fromValue, value}, out)
		} else {
			p.Ledger.InZone[UnknownZone] += time.Duration(edge - fromTime)
		}
		if edge == at { // a reading at the very end of a ledger belongs to it as well
			p.Ledger.note(v)
		}
		out = c.pass(i, p, edge, value, joined, out)
		fromTime, fromValue = edge, value
	}
	if joined {
		out = c.observe(i, p, segment{fromTime, at, fromValue, v}, out)
	} else {
		out = c.resume(i, p, fromTime, at, v, out)
	}
	p.Ledger.note(v)
	dt := time.Duration(0)
	if joined {
		dt = at.Sub(p.Last)
	}
	p.Known, p.Joined, p.Last, p.Value, p.Flag, p.Accounted, p.Waiting = true, true, at, v, flag, at, at
	if zone := p.limits.zone(v); zone != p.Zone {
		p.Zone, p.ZoneSince = zone, at
	}
	p.followSaturation(at, v, flag, joined)
	if !p.Quiet || p.Zone.Outside() {
		out = c.judgeLimits(i, p, at, v, out)
	}
	if p.band.Foresee > 0 {
		out = c.lookAhead(i, p, dt, joined, at, v, out)
	}
	if p.staleAfter > 0 && p.Good < 2 {
		out = c.notStale(i, p, at, v, out)
	}
	if p.mister != nil {
		out = c.followMister(p.mister, i, at, v, out)
	}
	for _, input := range p.feeds {
		out = c.feed(input.pairing, input.port, at, v, flag, out)
	}
	return out
}

// note updates min, max and the number of readings.
func (l *Ledger) note(v float64) {
	if l.Readings == 0 {
		l.Min, l.Max = v, v
	} else if v < l.Min {
		l.Min = v
	} else if v > l.Max {
		l.Max = v
	}
	l.Readings++
}

// observe accounts for a stretch on which the value is known.
func (c *Core) observe(i int32, p *point, n segment, out []Effect) []Effect {
	p.limits.split(&n, &p.Ledger.InZone)
	seconds := float64(n.t1-n.t0) / 1e9
	p.Ledger.Integral += (n.v0 + n.v1) / 2 * seconds
	if p.name.Quantity.IsTemperature() {
		p.Ledger.Kinetic += p.kineticArea(&n, seconds)
	}
	if p.limits.anything {
		p.Ledger.DegreeAbove += excess(n.v0-p.limits.high, n.v1-p.limits.high, seconds)
		p.Ledger.DegreeBelow += excess(p.limits.low-n.v0, p.limits.low-n.v1, seconds)
		if side := p.limits.side(n.v1); side != Inside || p.Side != Inside {
			out = c.excursion(i, p, &n, side, out)
		}
		if !p.Quiet || p.limits.zone(n.v1).Outside() {
			for limit := range p.Conditions {
				p.Conditions[limit].follow(&p.rules[limit], &n)
			}
			p.settleQuiet()
		}
	}
	return out
}

// settleQuiet updates whether any condition is active or running.
func (p *point) settleQuiet() {
	p.Quiet = true
	for limit := range p.Conditions {
		if k := &p.Conditions[limit]; k.Active || !k.Out.IsNone() {
			p.Quiet = false
		}
	}
}

// kineticArea returns ∫ exp(−ΔH/RT) dt along a segment. Neighbouring readings mostly differ by so little that the mean of
// the ends is exact enough (within 1e-4 of the area for half a kelvin), and each end is computed once.
func (p *point) kineticArea(n *segment, seconds float64) float64 {
	if math.Abs(n.v1-n.v0) > 0.5 {
		return psychro.KineticIntegral(n.v0, n.v1, seconds)
	}
	return (p.kineticOf(n.v0) + p.kineticOf(n.v1)) / 2 * seconds
}

func (p *point) kineticOf(celsius float64) float64 {
	known := &p.kinetic[math.Float64bits(celsius)>>44&3]
	if known.celsius != celsius || known.rate == 0 {
		known.celsius, known.rate = celsius, psychro.KineticRate(celsius)
	}
	return known.rate
}

// excursion opens, extends or closes the excursion along a segment that ends on the given side.
func (c *Core) excursion(i int32, p *point, n *segment, side Side, out []Effect) []Effect {
	if side == p.Side {
		p.push(n.v1)
		return out
	}
	if p.Side != Inside {
		out = c.leave(i, p, n.crossing(p.edge(p.Side)), out)
	}
	if side != Inside {
		p.depart(n.crossing(p.edge(side)), side, n.v1)
	}
	return out
}

// edge returns the limit of the band on a side.
func (p *point) edge(side Side) float64 {
	if side == AboveBand {
		return p.limits.high
	}
	return p.limits.low
}

// push updates the extreme of the excursion.
func (p *point) push(v float64) {
	if p.Side == AboveBand && v > p.Excursion.Extreme || p.Side == BelowBand && v < p.Excursion.Extreme {
		p.Excursion.Extreme = v
	}
}

// depart opens an excursion.
func (p *point) depart(at instant.Instant, side Side, v float64) {
	p.Side = side
	p.Excursion = Excursion{From: at, Side: side, Extreme: v}
	for _, r := range p.residents {
		p.Excursion.Cohorts = append(p.Excursion.Cohorts, r.Cohort)
	}
	p.Ledger.Excursions++
	p.departures[side]++
}

// leave closes the excursion.
func (c *Core) leave(i int32, p *point, at instant.Instant, out []Effect) []Effect {
	done := p.Excursion
	done.To = at
	p.Ledger.stay(&done, at)
	p.Side = Inside
	return append(out, Effect{Kind: ExcursionEnded, Point: i, Excursion: &done})
}

// stay updates the longest excursion of the ledger with the part of e that lies in it.
func (l *Ledger) stay(e *Excursion, until instant.Instant) {
	l.Longest = max(l.Longest, until.Sub(max(e.From, l.From)))
}

// resume accounts for a stretch that was not observed, and restarts with the reading that ends it.
func (c *Core) resume(i int32, p *point, from, at instant.Instant, v float64, out []Effect) []Effect {
	p.Ledger.InZone[UnknownZone] += time.Duration(at - from)
	side := p.limits.side(v)
	switch {
	case !p.Known || p.Side == Inside && side == Inside:
	case p.Side == side:
		p.Excursion.Unknown += at.Sub(p.Last)
		p.push(v)
	case p.Side != Inside:
		out = c.leave(i, p, p.Last, out)
	}
	if side != p.Side {
		p.depart(at, side, v)
	}
	if !p.Quiet || p.limits.zone(v).Outside() {
		for limit := range p.Conditions {
			p.Conditions[limit].interrupt()
			p.Conditions[limit].enter(&p.rules[limit], at, v)
		}
		p.settleQuiet()
	}
	return out
}

// judgeLimits raises and clears limit alarms after a reading, the inner limits first.
func (c *Core) judgeLimits(i int32, p *point, at instant.Instant, v float64, out []Effect) []Effect {
	for _, limit := range [...]care.Limit{care.High, care.CriticalHigh, care.Low, care.CriticalLow} {
		k, rule := &p.Conditions[limit], &p.rules[limit]
		a := c.pointAlarm(i, alarmKind(limit))
		since := k.Out
		if !k.Active && p.doubtful(limit, at) {
			continue
		}
		switch k.judge(rule, c.onDelay(p, limit), at) {
		case becomesActive:
			out = c.raise(a, occurrence{
				since: since, at: at, value: v, setpoint: rule.level, extreme: k.Extreme, priority: p.band.RuleOf(limit, p.name.Quantity).Priority,
			}, out)
		case becomesNormal:
			if a.Extreme != nil { // nil where the restored state did not have the alarm as raised
				*a.Extreme = k.Extreme
			}
			out = c.clear(a, at, v, out)
		}
		if k.Active && a.Extreme != nil {
			*a.Extreme = k.Extreme
		}
		if a.DesignBy != "" { // its suppression may have ended while the value was returning
			out = c.cover(a, at, out)
		}
	}
	p.settleQuiet()
	return out
}
