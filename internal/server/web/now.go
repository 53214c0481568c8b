package web

import (
	"cmp"
	"context"
	"encoding/json"
	"math"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver/text"
	"dewline/internal/format/exposure"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

// Now is the site at this moment, as GET /api/now and the stream give it.
type Now struct {
	Site        string          `json:"site"`
	Run         string          `json:"run"`
	At          instant.Instant `json:"at"`      // of the picture, by the site's clock
	Started     instant.Instant `json:"started"` // of the run
	AgeS        number          `json:"age_s"`   // since the daemon last gave a sign of life, in real seconds
	Timezone    string          `json:"timezone"`
	Temperature string          `json:"temperature"` // the keeper's unit: Cel or degF
	Confirmed   bool            `json:"clock_confirmed"`
	Commands    bool            `json:"commands"` // the pages may acknowledge, shelve and note
	History     bool            `json:"history"`
	Late        uint64          `json:"late_readings"`
	ReloadOK    bool            `json:"configuration_ok"`
	Places      []PlaceNow      `json:"places"`
	Panels      []status.Panel  `json:"panels,omitempty"` // what the page of trends draws, by title
	Flood       instant.Instant `json:"flood_since"`      // of alarms (EEMUA 191); null while there is none
	Alarms      []AlarmNow      `json:"alarms"`           // those that are not in the state normal
	Sensors     []SensorNow     `json:"sensors"`
	Outlets     []NotifierNow   `json:"outlets"`
}

// PlaceNow is a place with its points.
type PlaceNow struct {
	ID      string      `json:"id"`
	Title   string      `json:"title,omitempty"`
	Room    bool        `json:"room"`
	In      string      `json:"in,omitempty"`
	Cohorts []CohortNow `json:"cohorts"`
	Points  []PointNow  `json:"points"`
}

// CohortNow is a cohort that lives at a place.
type CohortNow struct {
	ID      string          `json:"id"`
	Stage   string          `json:"stage"`
	Since   instant.Instant `json:"since"`
	Profile string          `json:"profile"`
	Gosner  string          `json:"gosner,omitempty"`
	Count   *int            `json:"count,omitempty"` // absent where no count is on record
	Here    instant.Instant `json:"here_since"`      // in this place
}

// PointNow is the current value of a point, its band and its zone.
type PointNow struct {
	Point       quantity.Point    `json:"point"`
	Quantity    string            `json:"quantity"`
	Unit        string            `json:"unit"`  // canonical, by its SenML symbol
	Value       *number           `json:"value"` // null while it is not known
	Zone        string            `json:"zone"`
	Since       instant.Instant   `json:"since"`
	Certainty   string            `json:"certainty"`
	Accuracy    number            `json:"accuracy"` // expanded uncertainty (k = 2); 0 = not known
	Flag        uint8             `json:"flag"`     // IOOS QARTOD
	LastReading instant.Instant   `json:"last_reading"`
	Band        *exposure.Limits  `json:"band"`                // null where there is no limit
	Owners      map[string]string `json:"limits_of,omitempty"` // whose each limit is, where they are not all the same one's
	Day         bool              `json:"day"`
	Fed         bool              `json:"fed"`
	Derived     bool              `json:"derived"`
	Today       exposure.Exposure `json:"today"`
}

// AlarmNow is an alarm with what a person must know to act on it.
type AlarmNow struct {
	control.Alarm
	Place       string           `json:"place"`
	Quantity    string           `json:"quantity"`          // the sensor for faults
	Channel     string           `json:"channel,omitempty"` // of the sensor, for the fault of one channel
	Limit       string           `json:"limit"`
	Consequence string           `json:"consequence"`
	Action      string           `json:"action"`
	LongestS    exposure.Seconds `json:"longest_shelf_s"`
}

// SensorNow is the health of a sensor.
type SensorNow struct {
	ID          string            `json:"id"`
	Driver      string            `json:"driver"`
	Where       string            `json:"where"`
	Part        string            `json:"part"`
	LastSuccess instant.Instant   `json:"last_success"`
	LastError   string            `json:"last_error"`
	LastKind    string            `json:"last_kind"`
	Failures    int               `json:"failures_in_a_row"`
	Reads       map[string]uint64 `json:"reads"`
	Feeds       []quantity.Point  `json:"feeds"`
}

// NotifierNow is the state of a notifier.
type NotifierNow struct {
	Name      string          `json:"name"`
	Connected bool            `json:"connected"`
	LastError string          `json:"last_error"`
	Pending   int             `json:"pending"`
	Oldest    instant.Instant `json:"oldest"`
	Sent      uint64          `json:"sent"`
	Dropped   uint64          `json:"dropped"`
	// FailingSince is when it began to fail, null while it delivers, and Failure why.
	FailingSince instant.Instant `json:"failing_since"`
	Failure      string          `json:"failure"`
}

// freshness knows since when the picture has not changed. It goes by the process's own clock: the site's may be stepped, and
// in the demo it runs fast.
type freshness struct {
	mu   sync.Mutex
	last *status.Snapshot
	seen time.Time
}

const lookEvery = 250 * time.Millisecond

// watch looks at the picture until ctx ends.
func (f *freshness) watch(ctx context.Context, current *status.Current) {
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	for {
		f.look(current.Get())
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

func (f *freshness) look(p *status.Snapshot) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if p != f.last || f.seen.IsZero() {
		f.last, f.seen = p, time.Now()
	}
}

// age returns how long ago the picture was swapped in, and true if p is that picture.
func (f *freshness) age() time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.seen.IsZero() {
		return 0
	}
	return time.Since(f.seen)
}

// nowCache keeps the encoded picture, so that many lookers cost one encoding.
type nowCache struct {
	mu      sync.Mutex
	picture *status.Snapshot
	encoded [2][]byte // for those who may look, and for those who may act
}

func (s *site) serveNow(w http.ResponseWriter, r *http.Request) {
	now := s.nowOf(s.Current.Get(), visitorOf(r).mayAct())
	now.AgeS = number(s.fresh.age().Seconds())
	answer(w, r, http.StatusOK, now)
}

// encodedNow returns the snapshot as JSON with an age of 0. The stream sends the age in its beats.
func (s *site) encodedNow(p *status.Snapshot, mayAct bool) []byte {
	s.now.mu.Lock()
	defer s.now.mu.Unlock()
	if s.now.picture != p {
		s.now.picture, s.now.encoded = p, [2][]byte{}
	}
	which := 0
	if mayAct {
		which = 1
	}
	if s.now.encoded[which] == nil {
		data, err := json.Marshal(s.nowOf(p, mayAct))
		if err != nil { // only a number that JSON cannot carry gets here
			s.Log.Error("the picture as JSON", "err", err)
			return nil
		}
		s.now.encoded[which] = data
	}
	return s.now.encoded[which]
}

func (s *site) nowOf(p *status.Snapshot, mayAct bool) *Now {
	n := &Now{
		Site: p.Site, Run: p.Run, At: instant.OfKnown(p.At), Started: instant.OfKnown(p.Started), Timezone: p.Zone().String(),
		Temperature: quantity.Celsius.Symbol(), Confirmed: p.Confirmed, Commands: s.Command != nil && mayAct, History: s.History != nil,
		Panels: p.Panels, Late: p.Late, ReloadOK: p.ReloadOK, Flood: instant.OfKnown(p.FloodSince), Sensors: []SensorNow{}, Outlets: []NotifierNow{},
	}
	if p.Display == quantity.Fahrenheit {
		n.Temperature = quantity.Fahrenheit.Symbol()
	}
	configured := s.Site()
	n.Places = s.placesNow(p, configured)
	n.Alarms = alarmsNow(p, n.Places)
	for i := range p.Sensors {
		n.Sensors = append(n.Sensors, sensorNow(&p.Sensors[i], configured))
	}
	for _, o := range p.Notifiers {
		n.Outlets = append(n.Outlets, NotifierNow{o.Name, o.Connected, o.LastError, o.Pending, instant.OfKnown(o.Oldest), o.Sent, o.Dropped, instant.OfKnown(o.FailingSince), o.Failure})
	}
	return n
}

// placesNow lists the places as the configuration orders them, rooms first, and those that only the points know after them.
func (s *site) placesNow(p *status.Snapshot, configured *watch.Site) []PlaceNow {
	places, index := []PlaceNow{}, map[string]int{}
	add := func(place PlaceNow) {
		if _, ok := index[place.ID]; ok {
			return
		}
		place.Title = p.Titles[place.ID]
		place.Cohorts, place.Points = []CohortNow{}, []PointNow{}
		index[place.ID] = len(places)
		places = append(places, place)
	}
	for _, rooms := range [2]bool{true, false} {
		for i := range configured.Places {
			if c := &configured.Places[i]; c.Room == rooms {
				add(PlaceNow{ID: c.ID, Room: c.Room, In: c.In})
			}
		}
	}
	for i := range p.Points {
		state := &p.Points[i]
		add(PlaceNow{ID: state.Point.Place})
		at := &places[index[state.Point.Place]]
		at.Points = append(at.Points, pointNow(state))
	}
	for i := range places {
		for _, resident := range configured.ResidentsAt(places[i].ID, instant.Of(p.At)) {
			places[i].Cohorts = append(places[i].Cohorts, cohortNow(resident, configured))
		}
	}
	return places
}

func cohortNow(c *cohort.Interval, configured *watch.Site) CohortNow {
	now := CohortNow{ID: c.Cohort, Profile: c.Profile, Stage: c.Stage.String(), Since: c.StageBy.Since, Here: c.PlaceBy.Since}
	if c.Count != cohort.NotCounted {
		now.Count = new(c.Count)
	}
	if profile := configured.Profiles[c.Profile]; profile != nil {
		now.Gosner = profile.Care[c.Stage].Gosner
		now.Profile = cmp.Or(profile.Title, now.Profile)
	}
	if c.Gosner > 0 { // what was seen says more than what the stage spans
		now.Gosner = strconv.Itoa(c.Gosner)
	}
	return now
}

// ownersOf says whose the limits of a point are, where they are not all the same one's.
func ownersOf(s *watch.PointState) map[string]string {
	owners, several, first := map[string]string{}, false, ""
	for l, owner := range s.Owners {
		if owner == "" {
			continue
		}
		several = several || first != "" && owner != first
		first = owner
		owners[care.Limit(l).String()] = owner
	}
	if !several {
		return nil
	}
	return owners
}

func pointNow(s *watch.PointState) PointNow {
	q := s.Point.Quantity
	now := PointNow{
		Point: s.Point, Quantity: q.String(), Unit: q.Unit().Symbol(), Zone: s.Zone.String(), Since: cmp.Or(s.Since, instant.None), Certainty: string(s.Certainty),
		Accuracy: number(s.Accuracy), Flag: uint8(s.Flag), LastReading: cmp.Or(s.LastReading, instant.None), Band: limitsOf(&s.Band), Owners: ownersOf(s), Day: s.Day, Fed: s.Fed,
		Derived: q.Derived(), Today: exposure.Of(q, &s.Today),
	}
	if !status.Stale(s) {
		now.Value = known(s.Value)
	}
	return now
}

func limitsOf(b *care.Band) *exposure.Limits {
	if b.Empty() {
		return nil
	}
	return new(exposure.LimitsOf(b))
}

// stagesIn are the stages of the animals in a place.
func stagesIn(places []PlaceNow, id string) (stages []care.Stage) {
	for i := range places {
		for k := range places[i].Cohorts {
			if stage, err := care.Parse(places[i].Cohorts[k].Stage); err == nil && places[i].ID == id {
				stages = append(stages, stage)
			}
		}
	}
	return stages
}

func alarmsNow(p *status.Snapshot, places []PlaceNow) []AlarmNow {
	list := []AlarmNow{}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if a.Letter == isa.Normal || a.Letter == isa.SuppressedByDesign && !a.Active && isLimit(a.Limit) && math.IsNaN(a.Setpoint) {
			continue // normal, or covered although the band in force has no such limit
		}
		now := AlarmNow{Alarm: control.AlarmOf(a), Place: a.Place, Quantity: a.Quantity, Channel: a.Channel, Limit: a.Limit, LongestS: exposure.Seconds(watch.MaxShelf)}
		if a.Limit == care.CriticalHigh.String() || a.Limit == care.CriticalLow.String() {
			now.LongestS = exposure.Seconds(watch.MaxCriticalShelf)
		}
		advice := text.AdviceOn(a.Quantity, a.Limit, stagesIn(places, a.Place)...)
		now.Consequence, now.Action = advice.Consequence, strings.Join(advice.Actions, " ")
		list = append(list, now)
	}
	return list
}

func isLimit(name string) bool {
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if l.String() == name {
			return true
		}
	}
	return false
}

func sensorNow(h *status.SensorHealth, configured *watch.Site) SensorNow {
	now := SensorNow{
		ID: h.ID, Driver: h.Driver, Where: h.Where, Part: h.Part, LastSuccess: instant.OfKnown(h.LastSuccess), LastError: h.LastError,
		LastKind: h.LastKind, Failures: h.Failures, Reads: h.Reads, Feeds: []quantity.Point{},
	}
	if now.Reads == nil {
		now.Reads = map[string]uint64{}
	}
	for i := range configured.Sensors {
		if configured.Sensors[i].ID == h.ID {
			for _, channel := range configured.Sensors[i].Channels {
				now.Feeds = append(now.Feeds, channel.Feeds)
			}
		}
	}
	return now
}

func stateOf(p *status.Snapshot, point quantity.Point) *watch.PointState {
	for i := range p.Points {
		if p.Points[i].Point == point {
			return &p.Points[i]
		}
	}
	return nil
}
