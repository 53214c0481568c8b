package watch

import (
	"bytes"
	"cmp"
	"encoding/gob"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/misting"
	"dewline/internal/core/psychro"
	"dewline/internal/core/quantity"
)

// stageSet is a stage change made by command, as states of versions before [cohort.Record] have it.
type stageSet struct {
	Cohort string
	Stage  care.Stage
	At     instant.Instant
}

// snapshot is the whole state of a core apart from its configuration. It is written with encoding/gob, which keeps
// nanoseconds and every bit of a float, and which skips fields that a later version adds or drops.
type snapshot struct {
	Version      int
	Part         bool // it holds what has changed since an earlier one, and belongs on top of that
	Site         string
	Run          string
	Seq          uint64
	Now          instant.Instant
	Late         uint64
	Cuts         []instant.Instant
	Stages       []stageSet // of older versions
	Record       []cohort.Entry
	Cohorts      []Cohort // of the configuration then
	Calibrations []calibration.Entry
	Parts        []savedPart // of the configuration then
	Points       []savedPoint
	Pairings     []savedPairing
	Alarms       []savedAlarm
	Sensors      []savedSensor
	Misters      []savedMister
	Doubt        *UnconfirmedClock // absent while the clock is confirmed
}

type savedPoint struct {
	Point    string
	Memory   pointMemory
	Boundary instant.Instant
	BandAt   instant.Instant
}

type savedPairing struct {
	Inputs [2]string
	State  pairingState
}

type savedAlarm struct {
	Name      string
	Lifecycle savedLifecycle
	Memory    alarmMemory
}

// savedSensor is the memory of a fault. Its ID is that of the sensor, or of a channel: "loft-air/humidity". States of before channels
// had faults of their own have sensors only.
type savedSensor struct {
	ID     string
	Memory faultMemory
}

// savedMister is the memory of a mister, by its enclosure.
type savedMister struct {
	Place  string
	Memory misting.Tracker
}

const snapshotVersion = 2

// Snapshot returns the state of the core as bytes for [Core.Restore].
func (c *Core) Snapshot() ([]byte, error) {
	s := c.head()
	c.addAll(&s)
	var buffer bytes.Buffer
	if err := gob.NewEncoder(&buffer).Encode(&s); err != nil {
		return nil, fmt.Errorf("writing the state of the core: %w", err)
	}
	return buffer.Bytes(), nil
}

// head returns the state without what a part of it may leave out.
func (c *Core) head() snapshot {
	s := snapshot{Version: snapshotVersion, Site: c.site.ID, Run: c.run, Seq: c.seq, Now: c.now, Late: c.late, Cuts: c.cuts}
	if c.doubt.Any() {
		s.Doubt = &c.doubt
	}
	return s
}

// addAll adds to a state what a part of it may leave out.
func (c *Core) addAll(s *snapshot) {
	s.Record, s.Cohorts, s.Calibrations, s.Parts = c.record.Entries, c.record.Seeds, c.sensors.Entries, c.parts()
	s.Points, s.Pairings = make([]savedPoint, 0, len(c.points)), make([]savedPairing, 0, len(c.pairings))
	s.Sensors = make([]savedSensor, 0, len(c.faults))
	for i := range c.points {
		s.Points = append(s.Points, c.points[i].saved())
	}
	for i := range c.pairings {
		s.Pairings = append(s.Pairings, c.savedPairing(int32(i)))
	}
	for i := range c.alarms {
		if a := &c.alarms[i]; !a.untouched() {
			s.Alarms = append(s.Alarms, a.saved())
		}
	}
	for i := range c.faults {
		s.Sensors = append(s.Sensors, savedSensor{c.faults[i].id, c.faults[i].faultMemory})
	}
	for _, m := range c.misters {
		s.Misters = append(s.Misters, savedMister{m.place.ID, m.Tracker})
	}
}

func (p *point) saved() savedPoint {
	return savedPoint{Point: p.name.String(), Memory: p.pointMemory, Boundary: p.boundary, BandAt: p.bandAt}
}

func (c *Core) savedPairing(i int32) savedPairing {
	inputs := c.pairings[i].inputs
	return savedPairing{[2]string{c.points[inputs[0]].name.String(), c.points[inputs[1]].name.String()}, c.pairState[i]}
}

func (a *alarm) saved() savedAlarm { return savedAlarm{a.name, a.lifecycle.saved(), a.alarmMemory} }

// untouched reports whether an alarm has never been raised or commanded, as nearly all alarms of a thousand points. A new core has
// it in the same state, so it is left out of the snapshot.
func (a *alarm) untouched() bool {
	return a.Occurrence == "" && a.Letter == isa.Normal && !a.Active && a.ShelfUntil.IsNone() && a.DesignBy == "" && !a.Service
}

// Restore loads the state of an earlier core, which may have had another configuration: points, alarms and sensors are
// found by name, and those that no longer exist are dropped. parts are those that [Core.Save] has returned since, the oldest first. The
// core must be new. On error it is unchanged.
func (c *Core) Restore(whole []byte, parts ...[]byte) error {
	reader := gob.NewDecoder(bytes.NewReader(bytes.Join(append([][]byte{whole}, parts...), nil)))
	states := make([]snapshot, 1+len(parts))
	for i := range states {
		s := &states[i]
		if err := reader.Decode(s); err != nil {
			return fmt.Errorf("reading the state of the core: %w", err)
		}
		if s.Version == 1 {
			if err := s.upgradeV1(whole); err != nil {
				return err
			}
		}
		switch {
		case s.Version != snapshotVersion:
			return fmt.Errorf("the state of the core is of version %d, and this program reads version %d", s.Version, snapshotVersion)
		case s.Site != c.site.ID:
			return fmt.Errorf("the state of the core belongs to site %q, not %q", s.Site, c.site.ID)
		case s.Part != (i > 0):
			return errors.New("the state of the core has lost its beginning")
		}
		if err := s.validate(); err != nil {
			return err
		}
	}
	for i := range states {
		c.take(&states[i])
	}
	return nil
}

// take takes a state over.
func (c *Core) take(s *snapshot) {
	c.run, c.seq, c.now, c.late, c.deadline = s.Run, s.Seq, s.Now, s.Late, instant.None
	c.cuts = s.Cuts
	if s.Doubt != nil {
		c.doubt = *s.Doubt
	}
	if !s.Part {
		c.takeRecords(s)
	}
	c.restorePoints(s)
	c.restoreAlarms(s)
	for i := range s.Misters {
		for _, m := range c.misters {
			if m.place.ID == s.Misters[i].Place {
				m.Tracker = s.Misters[i].Memory
			}
		}
	}
}

// takeRecords takes over what was on record of animals and sensors.
func (c *Core) takeRecords(s *snapshot) {
	for i, set := range s.Stages {
		c.record.Entries = append(c.record.Entries, cohort.Entry{
			Seq: uint64(i) + 1, At: set.At, Since: set.At, Kind: journal.CohortStage, Cohort: set.Cohort, Stage: set.Stage, Count: cohort.NotCounted,
		})
	}
	c.record.Add(s.Record...)
	c.before = s.Cohorts
	c.sensors.Add(s.Calibrations...)
	c.partsBefore = s.Parts
	c.settleCalibrations()
	c.site.Intervals = c.record.Intervals()
}

// snapshotV1 holds the fields in which a state of version 1 differs: it had no zone "no-band".
type snapshotV1 struct {
	Points []struct {
		Memory struct {
			Zone        Zone
			Ledger, Day struct{ Zones [6]time.Duration }
		}
	}
}

// upgradeV1 turns a state of version 1 into the current version.
func (s *snapshot) upgradeV1(data []byte) error {
	var old snapshotV1
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&old); err != nil {
		return fmt.Errorf("reading the state of the core: %w", err)
	}
	for i := range old.Points {
		was, now := &old.Points[i].Memory, &s.Points[i].Memory
		for _, l := range [...]struct {
			zones  *[6]time.Duration
			inZone *[ZoneCount]time.Duration
		}{{&was.Ledger.Zones, &now.Ledger.InZone}, {&was.Day.Zones, &now.Day.InZone}} {
			copy(l.inZone[:NoBand], l.zones[:NoBand])
			l.inZone[UnknownZone] = l.zones[5]
		}
		if now.Zone == NoBand { // the number that unknown had
			now.Zone = UnknownZone
		}
	}
	s.Version = snapshotVersion
	return nil
}

func (c *Core) restorePoints(s *snapshot) {
	for i := range s.Points {
		saved := &s.Points[i]
		name, err := quantity.ParsePoint(saved.Point)
		if err != nil {
			continue
		}
		index, ok := c.index[name]
		if !ok {
			continue
		}
		p := &c.points[index]
		p.pointMemory = saved.Memory
		p.totalBase = p.Ledger.InZone
		p.degreeBase[BelowBand], p.degreeBase[AboveBand] = p.Ledger.DegreeBelow, p.Ledger.DegreeAbove
		if p.Accounted.IsNone() {
			continue
		}
		c.enterBand(p, saved.BandAt)
		// Keep a boundary that a command or a clock step has set earlier than the calendar does.
		if !saved.Boundary.IsNone() && saved.Boundary < p.boundary {
			p.boundary = saved.Boundary
		}
		p.settleQuiet()
	}
	for i := range s.Pairings {
		for k := range c.pairings {
			inputs := c.pairings[k].inputs
			if c.points[inputs[0]].name.String() == s.Pairings[i].Inputs[0] &&
				c.points[inputs[1]].name.String() == s.Pairings[i].Inputs[1] {
				waiting := append(c.pairState[k].Waiting[:0], s.Pairings[i].State.Waiting...)
				c.pairState[k] = s.Pairings[i].State
				c.pairState[k].Waiting = waiting
			}
		}
	}
}

func (c *Core) restoreAlarms(s *snapshot) {
	for i := range s.Alarms {
		index, ok := c.byName[s.Alarms[i].Name]
		if !ok {
			continue
		}
		a := &c.alarms[index]
		latching, notice, was := a.latching, a.notice, a.Active
		a.alarmMemory = s.Alarms[i].Memory
		from := &s.Alarms[i].Lifecycle
		a.lifecycle = lifecycle{from.state(), from.Active, from.ShelfUntil, from.DesignBy, from.Service, latching, notice}
		switch {
		case a.Active && !was:
			c.activeCount++
		case was && !a.Active:
			c.activeCount--
		}
	}
	for i := range s.Sensors {
		for k := range c.faults {
			if c.faults[k].id == s.Sensors[i].ID {
				c.faults[k].faultMemory = s.Sensors[i].Memory
			}
		}
	}
}

// totalSeconds returns the time per zone since the core was made.
func (p *point) totalSeconds() (seconds [ZoneCount]float64) {
	for z := range seconds {
		seconds[z] = (p.total[z] + p.Ledger.InZone[z] - p.totalBase[z]).Seconds()
	}
	return seconds
}

// totalDegree returns how far the point was beyond its band, times time, since the core was made.
func (p *point) totalDegree() (sum [3]float64) {
	sum[BelowBand] = p.degree[BelowBand] + p.Ledger.DegreeBelow - p.degreeBase[BelowBand]
	sum[AboveBand] = p.degree[AboveBand] + p.Ledger.DegreeAbove - p.degreeBase[AboveBand]
	return sum
}

// State returns the current state of a point, with the uncertainty of its value.
func (c *Core) State(index int32) PointState {
	p := &c.points[index]
	s := PointState{
		Point: p.name, Value: p.Value, Flag: p.Flag, LastReading: p.Last,
		Zone: p.Zone, Since: p.ZoneSince, Band: p.band, Owners: p.owners, Day: p.day, Residents: p.residents,
		Total: p.totalSeconds(), Departures: p.departures, Degree: p.totalDegree(), Fed: len(p.feeders) > 0 || len(p.inputs) > 0,
	}
	if !p.Known {
		s.Zone, s.LastReading = UnknownZone, instant.None
	}
	first := firstOf(p.residents)
	s.Cohort, s.Stage = first.Cohort, first.Stage
	s.Today = p.Day
	current := p.Ledger
	current.To = max(p.Accounted, current.From)
	if p.Side != Inside {
		current.stay(&p.Excursion, max(p.Last, current.From))
	}
	s.Today.Add(&current)
	s.Accuracy = c.accuracy(p)
	s.Certainty = p.certainty(s.Accuracy, s.Zone)
	return s
}

// certainty compares the distance to the nearest edge of the band with the uncertainty of the value.
func (p *point) certainty(accuracy float64, zone Zone) Certainty {
	if zone == UnknownZone || !p.limits.anything {
		return NoCertainty
	}
	distance := math.Inf(1)
	for _, edge := range [2]float64{p.limits.low, p.limits.high} {
		distance = min(distance, math.Abs(p.Value-edge))
	}
	switch {
	case accuracy > 0 && distance < accuracy:
		return TooClose
	case p.limits.side(p.Value) == Inside:
		return CertainlyInside
	}
	return CertainlyOutside
}

// Alarms returns the alarms that exist under the bands in force, or that ever were raised, in a fixed order.
func (c *Core) Alarms() []AlarmState {
	count := 0
	for i := range c.alarms {
		if c.exists(&c.alarms[i]) {
			count++
		}
	}
	if count == 0 {
		return nil
	}
	states := make([]AlarmState, 0, count) // called every second: growing it step by step costs five times the memory
	for i := range c.alarms {
		if a := &c.alarms[i]; c.exists(a) {
			states = append(states, c.alarmState(a))
		}
	}
	return states
}

// Alarm returns one alarm by name.
func (c *Core) Alarm(name string) (AlarmState, bool) {
	i, ok := c.byName[name]
	if !ok {
		return AlarmState{}, false
	}
	return c.alarmState(&c.alarms[i]), true
}

func (c *Core) exists(a *alarm) bool {
	if a.Occurrence != "" || a.Letter != isa.Normal || a.kind == onFault {
		return true
	}
	p := &c.points[a.point]
	switch {
	case a.kind.limit():
		return p.band.Has(care.Limit(a.kind))
	case a.kind == onStale:
		return p.staleAfter > 0
	case a.kind == onMissedMisting || a.kind == onStuckMister:
		return p.mister.mists()
	}
	return p.band.Foresee > 0
}

func (c *Core) alarmState(a *alarm) AlarmState {
	s := AlarmState{
		Name: a.name, Place: a.place, Quantity: a.quantity, Channel: a.channel, Limit: a.kind.String(), Letter: a.Letter,
		Priority: a.Priority, Active: a.Active, Occurrence: a.Occurrence, Since: a.Since, Raised: a.Raised,
		Cleared: a.Cleared, Until: a.ShelfUntil, By: a.DesignBy, Setpoint: math.NaN(), Extreme: math.NaN(),
		Repeats: a.Repeats, Names: a.Names, Expected: a.Expected, Reason: cmp.Or(a.ShelfReason, a.Reason),
	}
	if a.kind == onFault && a.Active && !c.faults[a.fault].Silences {
		s.Reason += c.faults[a.fault].recovering()
	}
	s.Doubt = c.doubtOf(a)
	switch a.Letter {
	case isa.Shelved:
		s.By = "shelved"
	case isa.OutOfService:
		s.By = "service"
	}
	if a.Setpoint != nil {
		s.Setpoint = *a.Setpoint
	} else if a.kind.limit() {
		if p := &c.points[a.point]; p.band.Has(care.Limit(a.kind)) {
			s.Setpoint = p.band.Limits[a.kind]
		}
	}
	if s.Priority == care.Unset {
		s.Priority = a.kind.priority()
		if a.kind.limit() {
			p := &c.points[a.point]
			s.Priority = p.band.RuleOf(care.Limit(a.kind), p.name.Quantity).Priority
		}
	}
	if a.Extreme != nil {
		s.Extreme = *a.Extreme
	}
	return s
}

// Late returns how many readings came after a newer one of their point and were ignored.
func (c *Core) Late() uint64 { return c.late }

// Seen reports whether a stored reading is in the state already.
func (c *Core) Seen(reading *Event) bool {
	p := &c.points[reading.Point]
	return p.Known && reading.At <= p.Last
}

// Seq returns the number of the last journal entry.
func (c *Core) Seq() uint64 { return c.seq }

// MeanKineticCelsius returns the mean kinetic temperature of a ledger of a temperature; NaN where nothing was observed. It is a
// model of chemical decay (USP <1160>): for animals an index of heat load, nothing more.
func (l *Ledger) MeanKineticCelsius() float64 {
	return psychro.MeanKineticTemperature(l.Kinetic, l.Observed().Seconds())
}

// Elapsed returns the length of the ledger.
func (l *Ledger) Elapsed() time.Duration { return l.To.Sub(l.From) }

// Observed returns the time in which the value was known.
func (l *Ledger) Observed() time.Duration {
	var sum time.Duration
	for z, d := range l.InZone {
		if Zone(z) != UnknownZone {
			sum += d
		}
	}
	return sum
}

// Mean returns the time-weighted mean; NaN where nothing was observed.
func (l *Ledger) Mean() float64 {
	observed := l.Observed().Seconds()
	if observed <= 0 {
		return math.NaN()
	}
	return l.Integral / observed
}

// PlaceOrder returns the ids of all places, rooms before enclosures.
func (c *Core) PlaceOrder() []string { return append([]string(nil), c.placeOrder...) }

// PlaceRank returns the index of a place in [Core.PlaceOrder]; −1 for an unknown place.
func (c *Core) PlaceRank(place string) int { return slices.Index(c.placeOrder, place) }
