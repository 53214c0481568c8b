package report

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
	"dewline/internal/store"
)

// Request asks for a report.
type Request struct {
	Site     *config.Site
	From, To instant.Instant
	Place    string          // only this place; "" = all
	Cohort   string          // only the place where this cohort lives, and the time it has lived there; "" = all
	Made     instant.Instant // printed on the report; 0 = not printed
	Progress func(done, total int64)
}

// Exposure is the exposure report of a range. Its JSON form is described in the package comment.
type Exposure struct {
	Report   string          `json:"report"`
	Version  int             `json:"version"`
	Site     string          `json:"site"`
	Timezone string          `json:"timezone"`
	From     instant.Instant `json:"from"`
	To       instant.Instant `json:"to"`
	Made     instant.Instant `json:"made"`
	Place    string          `json:"place,omitempty"`
	Cohort   string          `json:"cohort,omitempty"`
	Lives    []Life          `json:"lives"`
	Points   []Point         `json:"points"`
	Alarms   []Alarm         `json:"alarms"`
	Worst    []Worst         `json:"worst"`
	Sensors  []Channel       `json:"sensors"`
	Replaced []Replacement   `json:"replaced"`
	Counts   []Count         `json:"counts"`
	Care     []Care          `json:"care"`
	Undone   []Undone        `json:"care_missing"`
	Journal  []Note          `json:"journal"`
	Advice   []Advice        `json:"advice"`
	HeatLoad string          `json:"heat_load"`
	Cautions []string        `json:"cautions"`

	begin    instant.Instant   // of the first row of any point
	titles   map[string]string // of places, by id
	profiles map[string]string // titles of the profiles of cohorts, by the id of the cohort
}

// Point is the exposure of one point.
type Point struct {
	Point      quantity.Point           `json:"point"`
	Unit       string                   `json:"unit"`
	Bands      []Band                   `json:"bands"`
	InForce    []InForce                `json:"in_force"`
	Median     *exposure.Number         `json:"median"` // of the whole
	Whole      Row                      `json:"whole"`
	Weeks      []Week                   `json:"weeks"`
	Days       []Day                    `json:"days"`
	Stages     []Stage                  `json:"stages"`
	Excursions []replay.ExcursionReport `json:"excursions"`

	held []held
	late bool // it begins with the first reading that there ever was, after the begin of the range
}

// Band is what the values of a point were judged by.
type Band struct {
	Cohort string `json:"cohort,omitempty"`
	Stage  string `json:"stage,omitempty"`
	When   string `json:"when"`
	exposure.Limits
}

// Row sums up some time of a point.
type Row struct {
	exposure.Exposure
	Shares   Shares           `json:"shares"`
	OutsideS exposure.Seconds `json:"outside_s"`
}

// Day is a local day, or as much of it as lies in the range.
type Day struct {
	Day   string  `json:"day"`
	Hours float64 `json:"hours"` // of the whole local day
	Row
}

// Stage is the time that a cohort spent at a stage.
type Stage struct {
	Cohort string `json:"cohort"`
	Stage  string `json:"stage"`
	Row
}

// HeatLoad explains a mean kinetic temperature. It is printed wherever one is shown.
const HeatLoad = "Mean kinetic temperature (MKT, USP <1160>, ΔH = 83.144 kJ/mol) holds for the window it stands with and for no other. " +
	"It is a model of ageing chemistry; for animals it is a heat-load index, nothing more."

// Caution is printed on every report.
const Caution = "The bands are a starting point. Species, population, local code, permit office and your veterinarian decide. " +
	"No figure here says that an animal is safe."

// AsRaised is printed where something about the animals was written down later than it was true.
const AsRaised = "Something about the animals was written down later than it was true, or corrected. The times and stays here are as it is " +
	"known now; the alarms are as they were raised, by the limits that held as it was known then."

// Life is a stretch in which nothing on record changed for a cohort.
type Life struct {
	Cohort string          `json:"cohort"`
	Place  string          `json:"place"`
	Stage  string          `json:"stage"`
	Gosner int             `json:"gosner,omitempty"`
	Count  *int            `json:"count"` // null where no count is on record
	From   instant.Instant `json:"from"`
	To     instant.Instant `json:"to"`
}

// lives lists who lived in the places of the report, and where its cohort lived.
func (s *subject) lives() []Life {
	lives := []Life{}
	for i := range s.watched.Intervals {
		n := &s.watched.Intervals[i]
		if n.From >= s.To || n.To <= s.From || !s.shows(n.Place) || s.Cohort != "" && n.Cohort != s.Cohort {
			continue
		}
		life := Life{Cohort: n.Cohort, Place: n.Place, Stage: n.Stage.String(), Gosner: n.Gosner, From: max(n.From, s.From), To: min(n.To, s.To)}
		if n.Count != cohort.NotCounted {
			life.Count = new(n.Count)
		}
		lives = append(lives, life)
	}
	return lives
}

// warmUp is how long before the range readings are taken up, so that a stay that began before it is known as one.
const warmUp = 24 * time.Hour

// Expose makes an exposure report.
func Expose(ctx context.Context, h History, r Request) (*Exposure, error) {
	s := subject{Request: r, first: map[quantity.Point]instant.Instant{}}
	if err := s.settle(ctx, h); err != nil {
		return nil, err
	}
	out := &Exposure{
		Report: "exposure", Version: 1, Site: r.Site.ID, Timezone: s.location.String(), From: s.From, To: s.To, Made: cmp.Or(r.Made, instant.None),
		Place: r.Place, Cohort: r.Cohort, Points: []Point{}, HeatLoad: HeatLoad,
	}
	file, err := replay.FromHistory(ctx, noting{h, &s}, s.wants, s.From.Add(-warmUp), s.To.Add(replay.Reach(s.watched)))
	if err != nil {
		return nil, err
	}
	if file.Count == 0 {
		return nil, fmt.Errorf("%w", s.nothing())
	}
	result, err := replay.Run(s.watched, file, replay.Options{From: s.From, To: s.To, Parts: true, Progress: r.Progress})
	if err != nil {
		return nil, err
	}
	for i := range result.Points {
		p := &result.Points[i]
		if !s.shows(p.Point.Place) || !s.follow(p) {
			continue
		}
		point, err := s.complete(ctx, h, p)
		if err != nil {
			return nil, err
		}
		out.Points = append(out.Points, point)
	}
	entries, err := s.entries(ctx, h)
	if err != nil {
		return nil, err
	}
	out.Sensors = s.sensors(out.Points, entries)
	out.Replaced = s.replacements(entries, out.Sensors)
	out.Alarms = s.alarms(entries)
	if err := s.completeExtremes(ctx, h, out.Alarms); err != nil {
		return nil, err
	}
	out.Journal = s.notes(entries)
	out.Worst = out.worst(&s)
	out.Counts = s.counts(entries)
	out.Care, out.Undone = s.care(entries)
	out.Advice, out.Cautions = s.advice(), s.cautions()
	if slices.ContainsFunc(out.Journal, func(n Note) bool { return n.Cohort != "" && n.dated() && n.Kind != journal.Note }) {
		out.Cautions = append(out.Cautions, AsRaised)
	}
	out.Lives = s.lives()
	s.name(out)
	return out, nil
}

// entries returns the journal up to the end of the range, and what was written of animals and sensors after it.
func (s *subject) entries(ctx context.Context, h History) ([]*journal.Entry, error) {
	entries, err := Entries(ctx, h, store.Filter{To: s.To.Add(1)})
	if err != nil {
		return nil, err
	}
	later, err := Entries(ctx, h, store.Filter{From: s.To.Add(1), Kinds: append(cohort.Kinds(), journal.SensorCalibrated, journal.SensorReplaced)})
	return append(entries, later...), err
}

// subject is what a report is about.
type subject struct {
	Request
	watched  watch.Site
	location *time.Location
	place    string                             // the only one that is shown; "" = all
	stays    []cohort.Interval                  // of the only cohort that is shown, within the range; nil = all
	first    map[quantity.Point]instant.Instant // the first readings from shortly before the range on
}

// complete sums up one point in every form that the report has.
func (s *subject) complete(ctx context.Context, h History, p *replay.PointReport) (made Point, err error) {
	late, err := s.beginWithReadings(ctx, h, p)
	if err != nil {
		return made, err
	}
	made = s.point(p)
	made.late = late
	made.held, made.InForce = s.limitsOf(p)
	made.Weeks, made.Median, err = s.weeks(ctx, h, p)
	return made, err
}

// name notes what the places and the profiles of the cohorts are called, and when the first row begins.
func (s *subject) name(e *Exposure) {
	e.titles, e.profiles, e.begin = map[string]string{}, map[string]string{}, s.To
	for i := range s.Site.Places {
		e.titles[s.Site.Places[i].ID] = s.Site.Places[i].Title
	}
	for i := range s.watched.Intervals {
		if profile := s.watched.Profiles[s.watched.Intervals[i].Profile]; profile != nil {
			e.profiles[s.watched.Intervals[i].Cohort] = profile.Title
		}
	}
	for i := range e.Points {
		e.begin = min(e.begin, e.Points[i].Whole.From)
	}
}

// settle finds out what is asked for.
func (s *subject) settle(ctx context.Context, h History) error {
	s.watched = assemble.Site(s.Site)
	s.location = s.watched.Location
	s.watched.Sensors = nil // the alarms of the report are those of the journal
	for i := range s.watched.Points {
		s.watched.Points[i].StaleAfter = 0
	}
	animals, err := Entries(ctx, h, store.Filter{Kinds: cohort.Kinds()}) // also what was written after the range, for a time in it
	if err != nil {
		return err
	}
	s.watched = replay.WithJournal(s.watched, animals)
	switch {
	case s.Place != "" && s.Cohort != "":
		return fmt.Errorf("ask for a place or for a cohort, not for both")
	case s.Place != "":
		if !slices.ContainsFunc(s.Site.Places, func(p config.Place) bool { return p.ID == s.Place }) {
			return fmt.Errorf("the configuration has no place %q: it has %s", s.Place, names(s.Site.Places, func(p config.Place) string { return p.ID }))
		}
		s.place = s.Place
	case s.Cohort != "":
		if err := s.settleCohort(); err != nil {
			return err
		}
	}
	if s.To <= s.From {
		return fmt.Errorf("the range ends (%s) before it begins (%s)", s.date(s.To), s.date(s.From))
	}
	s.watched.Points = slices.DeleteFunc(s.watched.Points, func(p watch.Point) bool { return !s.wants(p.Point) })
	return nil
}

// settleCohort narrows the report to where a cohort has lived, and when. It speaks for itself there, also where it shared a place
// with others.
func (s *subject) settleCohort() error {
	life := cohort.Life(s.watched.Intervals, s.Cohort)
	if len(life) == 0 {
		return fmt.Errorf("no cohort %q is on record: there is %s", s.Cohort, s.known())
	}
	from, to := life[0].From, life[len(life)-1].To
	s.From, s.To = max(s.From, from), min(s.To, to)
	if s.To <= s.From {
		return fmt.Errorf("cohort %s lived from %s on%s: the range does not touch that", s.Cohort, s.date(from), s.until(to))
	}
	for _, n := range life {
		if n.Place != "" && n.From < s.To && n.To > s.From {
			s.stays = append(s.stays, n)
		}
	}
	if s.stays == nil {
		return fmt.Errorf("cohort %s lived in no place of the site from %s to %s", s.Cohort, s.date(s.From), s.date(s.To))
	}
	slices.SortStableFunc(s.watched.Intervals, func(a, b cohort.Interval) int { // the first resident of a place gives its name to what is added up
		return cmp.Compare(first(a.Cohort == s.Cohort), first(b.Cohort == s.Cohort))
	})
	return nil
}

func (s *subject) until(to instant.Instant) string {
	if to == cohort.Open {
		return ""
	}
	return " until " + s.date(to)
}

// date writes a time at the site.
func (s *subject) date(t instant.Instant) string { return Words{Location: s.location}.at(t) }

// known lists the cohorts on record.
func (s *subject) known() string {
	var ids []string
	for i := range s.watched.Intervals {
		if id := s.watched.Intervals[i].Cohort; !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	return names(ids, func(id string) string { return id })
}

func first(yes bool) int {
	if yes {
		return 0
	}
	return 1
}

// shows reports whether the report is about a place.
func (s *subject) shows(place string) bool {
	switch {
	case s.Cohort != "":
		return s.livedIn(place, instant.None, cohort.Open)
	case s.place != "":
		return place == s.place
	}
	return true
}

// livedIn reports whether the cohort of the report lived in a place at some time from one moment to another.
func (s *subject) livedIn(place string, from, to instant.Instant) bool {
	return slices.ContainsFunc(s.stays, func(n cohort.Interval) bool { return n.Place == place && n.From <= to && n.To > from })
}

// follow leaves of a point what the cohort of the report has lived through there, and reports whether there is anything. Excursions end
// where others come to live in a place, so that each is one of the same animals.
func (s *subject) follow(p *replay.PointReport) bool {
	if s.Cohort == "" {
		return true
	}
	p.Parts = slices.DeleteFunc(p.Parts, func(l watch.Ledger) bool { return l.Cohort != s.Cohort })
	p.Excursions = slices.DeleteFunc(p.Excursions, func(e replay.ExcursionReport) bool {
		return !slices.ContainsFunc(p.Parts, func(l watch.Ledger) bool {
			return e.From >= l.From && (e.From < l.To || e.From == l.To && l.To == s.To)
		})
	})
	return len(p.Parts) > 0
}

func names[T any](all []T, id func(T) string) string {
	var ids []string
	for _, v := range all {
		ids = append(ids, id(v))
	}
	return cmp.Or(strings.Join(ids, ", "), "none")
}

// wants reports whether a point takes part: one of the place, or the pressure of its room, from which oxygen is derived.
func (s *subject) wants(p quantity.Point) bool {
	if s.shows(p.Place) {
		return true
	}
	return p.Quantity == quantity.Pressure && slices.ContainsFunc(s.Site.Places, func(place config.Place) bool {
		return s.shows(place.ID) && place.In == p.Place
	})
}

func (s *subject) nothing() error {
	where := ""
	switch {
	case s.Cohort != "":
		where = " of where " + s.Cohort + " lived"
	case s.place != "":
		where = " of " + s.place
	}
	return fmt.Errorf("the history holds no readings%s from %s to %s: look at what it holds with dewline export", where, s.date(s.From), s.date(s.To))
}

// noting notes from when on each point has readings.
type noting struct {
	History
	subject *subject
}

// ReadingsBetween implements [replay.History].
func (n noting) ReadingsBetween(
	ctx context.Context, from, to instant.Instant, wanted func(quantity.Point) bool,
) iter.Seq2[store.PointSample, error] {
	return func(yield func(store.PointSample, error) bool) {
		for sample, err := range n.History.ReadingsBetween(ctx, from, to, wanted) {
			if err == nil {
				n.subject.note(sample.Point, sample.At)
			}
			if !yield(sample, err) {
				return
			}
		}
	}
}

// span is a stretch of time.
type span struct{ from, to instant.Instant }

// sum gathers ledgers of a point.
type sum struct {
	watch.Ledger
	seconds exposure.ZoneSeconds // each ledger rounded by itself, so that all sums of them agree
	spans   []span
}

func (s *sum) add(l *watch.Ledger) {
	if len(s.spans) == 0 {
		s.Ledger.From = l.From
	}
	s.Ledger.Add(l)
	for z, ms := range exposure.ZoneSecondsOf(l) {
		s.seconds[z] += ms
	}
	if n := len(s.spans); n > 0 && s.spans[n-1].to == l.From {
		s.spans[n-1].to = l.To
	} else {
		s.spans = append(s.spans, span{l.From, l.To})
	}
}

// row makes a row of a sum.
func (s *sum) row(q quantity.Quantity, excursions []replay.ExcursionReport, end instant.Instant) Row {
	r := Row{Exposure: exposure.Exposure{From: s.Ledger.From, To: s.Ledger.To, Figures: exposure.FiguresOf(&s.Ledger)}}
	r.Seconds, r.LongestExcursionS = s.seconds, 0
	r.Settle(q, &s.Ledger)
	elapsed := float64(time.Duration(r.ElapsedS).Milliseconds())
	for z, ms := range s.seconds {
		if watch.Zone(z).Outside() {
			r.OutsideS += exposure.Milliseconds(ms)
		}
		if elapsed > 0 {
			r.Shares[z] = float64(ms) / elapsed
		}
	}
	for _, e := range excursions {
		for _, part := range s.spans {
			if e.From >= part.from && (e.From < part.to || e.From == end && part.to == end) {
				r.Excursions++
			}
			inside := min(e.To, part.to).Sub(max(e.From, part.from))
			r.LongestExcursionS = max(r.LongestExcursionS, exposure.Seconds(inside))
		}
	}
	return r
}

// point sums up one point: as a whole, by local day, and by stage.
func (s *subject) point(p *replay.PointReport) Point {
	out := Point{
		Point: p.Point, Unit: p.Unit, Excursions: p.Excursions, Bands: []Band{}, Days: []Day{}, Stages: []Stage{},
	}
	type life struct{ cohort, stage string }
	var whole sum
	var days []*sum
	var order []life
	stages := map[life]*sum{}
	dayEnd := instant.None
	for i := range p.Parts {
		l := &p.Parts[i]
		whole.add(l)
		if l.From >= dayEnd {
			dayEnd = instant.Of(care.NextMidnight(l.From.Time(), s.location))
			days = append(days, &sum{})
		}
		days[len(days)-1].add(l)
		key := life{l.Cohort, l.Stage}
		if stages[key] == nil {
			stages[key] = &sum{}
			order = append(order, key)
		}
		stages[key].add(l)
	}
	q := p.Point.Quantity
	out.Whole = whole.row(q, p.Excursions, s.To)
	for _, day := range days {
		begin, end := s.dayAround(day.From)
		out.Days = append(out.Days, Day{
			Day: day.From.Time().In(s.location).Format(time.DateOnly), Hours: end.Sub(begin).Hours(), Row: day.row(q, p.Excursions, s.To),
		})
	}
	for _, key := range order {
		if key.cohort != "" || len(order) > 1 {
			out.Stages = append(out.Stages, Stage{key.cohort, key.stage, stages[key].row(q, p.Excursions, s.To)})
		}
		out.Bands = append(out.Bands, s.bands(p.Point, key.cohort, key.stage)...)
	}
	if len(order) > 1 { // a place's own band is the same for all its cohorts
		out.Bands = distinct(out.Bands)
	}
	return out
}

// dayAround returns the first instant of the local day that t lies in, and of the next one.
func (s *subject) dayAround(t instant.Instant) (begin, end instant.Instant) {
	end = instant.Of(care.NextMidnight(t.Time().Add(-50*time.Hour), s.location))
	for end <= t {
		begin, end = end, instant.Of(care.NextMidnight(end.Time(), s.location))
	}
	return begin, end
}

// bands returns the bands that judge a point while the cohort lives at its place in the stage.
func (s *subject) bands(p quantity.Point, of, at string) []Band {
	var bands care.DayNight
	var made Band
	if own, ok := s.ownBand(p); ok {
		bands = own
	} else {
		i := slices.IndexFunc(s.watched.Intervals, func(n cohort.Interval) bool { return n.Cohort == of })
		if i < 0 {
			return nil
		}
		profile := s.watched.Profiles[s.watched.Intervals[i].Profile]
		st, err := care.Parse(at)
		if profile == nil || err != nil {
			return nil
		}
		if bands, ok = profile.Care[st].Bands[p.Quantity]; !ok {
			return nil
		}
		made.Cohort, made.Stage = of, at
	}
	day, night := made, made
	day.When, day.Limits = "day", exposure.LimitsOf(&bands.Day)
	night.When, night.Limits = "night", exposure.LimitsOf(&bands.Night)
	if s.watched.Light.AlwaysDay || bands.Day.SameLimits(&bands.Night) {
		day.When = "always"
		return []Band{day}
	}
	return []Band{day, night}
}

func (s *subject) ownBand(p quantity.Point) (care.DayNight, bool) {
	for i := range s.watched.Places {
		if place := &s.watched.Places[i]; place.ID == p.Place {
			own, ok := place.Bands[p.Quantity]
			return own, ok
		}
	}
	return care.DayNight{}, false
}

// distinct leaves out bands of a place's own that were named before.
func distinct(bands []Band) []Band {
	var kept []Band
	for _, b := range bands {
		if b.Cohort != "" || !slices.ContainsFunc(kept, func(k Band) bool { return k.Cohort == "" && k.When == b.When }) {
			kept = append(kept, b)
		}
	}
	return kept
}

// Note is a stage change, a misting or a note of the journal.
type Note struct {
	At     instant.Instant  `json:"at"`
	Kind   journal.Kind     `json:"kind"`
	Place  string           `json:"place,omitempty"`
	Cohort string           `json:"cohort,omitempty"`
	Stage  string           `json:"stage,omitempty"`
	Since  *instant.Instant `json:"since,omitempty"`
	Until  *instant.Instant `json:"until,omitempty"`
	By     string           `json:"by,omitempty"`
	Reason string           `json:"reason,omitempty"`
	Text   string           `json:"text,omitempty"`
	Count  *int             `json:"count,omitempty"`
	Why    string           `json:"why,omitempty"`
	Task   string           `json:"task,omitempty"`
	// Corrected says that another entry has taken the place of this one, or withdrawn it: it does not count any more.
	Corrected bool `json:"corrected,omitempty"`
}

// notes picks what a person would want to read beside the figures.
func (s *subject) notes(entries []*journal.Entry) []Note {
	notes := []Note{}
	record := cohort.Read(entries)
	corrected := map[string]bool{}
	for i := range record {
		corrected[record[i].ID] = true
	}
	for _, e := range cohort.InForce(record) {
		delete(corrected, e.ID)
	}
	for _, e := range entries {
		switch e.Kind {
		case journal.StageSet, journal.CohortBegan, journal.CohortStage, journal.CohortMoved, journal.CohortCounted, journal.CareDone, journal.Misting, journal.Note:
		default:
			continue
		}
		since := e.At
		if e.Dated() {
			since = *e.Since
		}
		inRange := e.At >= s.From && e.At <= s.To || since >= s.From && since <= s.To
		if !inRange || !s.tells(e, since) {
			continue
		}
		notes = append(notes, Note{
			e.At, e.Kind, e.Place, e.Cohort, e.Stage, e.Since, e.Until, e.By, e.Reason, e.Text, e.Count, e.Why, e.Task,
			corrected[e.ID()],
		})
	}
	slices.SortStableFunc(notes, func(a, b Note) int { return compare(a.At, b.At) })
	return notes
}

// tells reports whether an entry says something about the place or the cohort of the report.
func (s *subject) tells(e *journal.Entry, since instant.Instant) bool {
	switch {
	case s.Cohort != "" && e.Cohort != "":
		return e.Cohort == s.Cohort
	case s.Cohort != "":
		return e.Place == "" || s.livedIn(e.Place, since, since)
	case s.place == "" || e.Place == "" || e.Place == s.place:
		return true
	}
	return e.Cohort != "" && s.livesHere(e.Cohort, since) // it has moved away
}

// cautions are those that the pages must show, and those of the profiles that were in force.
func (s *subject) cautions() []string {
	all := []string{Caution}
	used := map[string]bool{}
	for i := range s.watched.Intervals {
		n := &s.watched.Intervals[i]
		if n.From < s.To && n.To > s.From && s.shows(n.Place) && (s.Cohort == "" || n.Cohort == s.Cohort) {
			used[n.Profile] = true
		}
	}
	for _, id := range slices.Sorted(maps.Keys(used)) {
		if profile := s.watched.Profiles[id]; profile != nil && profile.Caution != "" {
			all = append(all, id+": "+profile.Caution)
		}
	}
	return all
}
