package report

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/misting"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// MistingRequest asks how an enclosure dries, and what other schedules would bring.
type MistingRequest struct {
	Site     *config.Site
	Place    string
	From, To instant.Instant
	Proposed misting.Schedule // nil means none
	Made     instant.Instant
}

// Misting is the document of dewline misting. Its JSON form is stable: members may be added, none changes its meaning while Version
// stays the same.
type Misting struct {
	Report   string          `json:"report"`
	Version  int             `json:"version"`
	Site     string          `json:"site"`
	Place    string          `json:"place"`
	Title    string          `json:"title"`
	Timezone string          `json:"timezone"`
	From     instant.Instant `json:"from"`
	To       instant.Instant `json:"to"`
	Made     instant.Instant `json:"made"`

	Fit          MistingFit           `json:"fit"`
	Events       []MistingEvent       `json:"events"`
	Disturbances []MistingDisturbance `json:"disturbances"`
	Nights       MistingNights        `json:"nights"`
	Schedules    []MistingSchedule    `json:"schedules"`
	Suggestion   *MistingSuggestion   `json:"suggestion"`
	Notices      []string             `json:"notices"`
}

// Range is an interval that holds the value in four of five cases, around its middle.
type Range struct {
	Low  exposure.Number `json:"low"`
	Mid  exposure.Number `json:"mid"`
	High exposure.Number `json:"high"`
}

// MistingFit is how the enclosure dries.
type MistingFit struct {
	TauS       *exposure.Number `json:"tau_s"`
	FloorPctRH *exposure.Number `json:"floor_pct_rh"`
	NPerH      *exposure.Number `json:"n_per_h"`
	KappaPerH  *exposure.Number `json:"kappa_per_h"`
	TauRange   *Range           `json:"tau_interval_s"`
	FloorRange *Range           `json:"floor_interval_pct_rh"`
	NRange     *Range           `json:"n_interval_per_h"`
	KappaRange *Range           `json:"kappa_interval_per_h"`
	Days       exposure.Number  `json:"days"`
	Doors      int              `json:"doors"`
	ScatterPct *exposure.Number `json:"scatter_pct_rh"`
	Refused    string           `json:"refused,omitempty"`
}

// MistingEvent is a misting, or one that was due and did not come.
type MistingEvent struct {
	At         instant.Instant   `json:"at"`
	Recorded   bool              `json:"recorded"`
	Scheduled  bool              `json:"scheduled"`
	Missed     bool              `json:"missed"`
	Hidden     bool              `json:"hidden"`
	PeakPctRH  *exposure.Number  `json:"peak_pct_rh"`
	PeakHidden bool              `json:"peak_hidden"`
	SaturatedS exposure.Seconds  `json:"saturated_s"`
	Stuck      bool              `json:"stuck"`
	TauS       *exposure.Seconds `json:"tau_s"`
	FloorPctRH *exposure.Number  `json:"floor_pct_rh"`
	To80S      *exposure.Seconds `json:"to_80_s"`
	BelowS     exposure.Seconds  `json:"below_band_s"`
	AboveS     exposure.Seconds  `json:"above_band_s"`
}

// MistingDisturbance is what moved the humidity and was no misting.
type MistingDisturbance struct {
	Kind string          `json:"kind"`
	From instant.Instant `json:"from"`
	To   instant.Instant `json:"to"`
}

// MistingNights is how often the surface was wet by night.
type MistingNights struct {
	Measured     int    `json:"measured"`
	Condensation int    `json:"condensation"`
	Surface      string `json:"surface"` // measured, guessed or unknown
}

// MistingSchedule is what a schedule brings, or has brought. Hours are a day, nights a week.
type MistingSchedule struct {
	Times         string           `json:"times"`
	Now           bool             `json:"now"` // the present one: as measured
	Days          exposure.Number  `json:"days"`
	Below         *Range           `json:"hours_below_band_per_day"`
	Above         *Range           `json:"hours_above_band_per_day"`
	Saturated     *Range           `json:"hours_saturated_per_day"`
	DryEnough     *Range           `json:"hours_dry_enough_per_day"`
	LongestDry    *Range           `json:"longest_dry_spell_h"`
	WetNights     *Range           `json:"condensation_nights"`
	RelativeWater *exposure.Number `json:"relative_water"`
	Refused       string           `json:"refused,omitempty"`
}

// MistingSuggestion is the least water that does, or why no schedule does.
type MistingSuggestion struct {
	Schedule *MistingSchedule `json:"schedule"`
	Reason   string           `json:"reason"`
}

// The quantities of an enclosure and of its room from which misting is read.
var mistingQuantities = []quantity.Quantity{quantity.AirTemperature, quantity.RelativeHumidity, quantity.SurfaceTemperature}

// mistingPlace finds the place and refuses what is no enclosure.
func mistingPlace(site *config.Site, id string) (config.Place, error) {
	i := slices.IndexFunc(site.Places, func(p config.Place) bool { return p.ID == id })
	if i < 0 {
		return config.Place{}, fmt.Errorf("the configuration has no place %q: it has %s", id, names(site.Places, func(p config.Place) string { return p.ID }))
	}
	if place := site.Places[i]; !place.Room {
		return place, nil
	}
	return config.Place{}, fmt.Errorf("%s is a room: ask for an enclosure", id)
}

// MistFromHistory makes the document from a history.
func MistFromHistory(ctx context.Context, h History, r MistingRequest) (*Misting, error) {
	place, err := mistingPlace(r.Site, r.Place)
	if err != nil {
		return nil, err
	}
	wanted := func(p quantity.Point) bool {
		return slices.Contains(mistingQuantities, p.Quantity) && (p.Place == place.ID || p.Place == place.In)
	}
	readings, err := replay.FromHistory(ctx, onlyPoints{h, wanted}, r.From, r.To)
	if err != nil {
		return nil, err
	}
	file, err := readings.Collect()
	if err != nil {
		return nil, err
	}
	entries, err := Entries(ctx, h, store.Filter{Kinds: append(cohort.Kinds(), journal.Misting), To: r.To.Add(1)})
	if err != nil {
		return nil, err
	}
	return mist(r, place, file, entries)
}

// MistFromFile makes the document from a readings file, in which no misting is on record.
func MistFromFile(file *recorded.File, r MistingRequest) (*Misting, error) {
	place, err := mistingPlace(r.Site, r.Place)
	if err != nil {
		return nil, err
	}
	return mist(r, place, file, nil)
}

func mist(r MistingRequest, place config.Place, file *recorded.File, entries []*journal.Entry) (*Misting, error) {
	r.From, r.To = within(file, place.ID, r.From, r.To)
	recording, err := mistingRecording(r, place, file, entries)
	if err != nil {
		return nil, err
	}
	a := misting.Analyse(recording)
	out := &Misting{
		Report: "misting", Version: 1, Site: r.Site.ID, Place: place.ID, Title: place.Title, Timezone: recording.Location.String(),
		From: r.From, To: r.To, Made: orNone(r.Made),
		Events: []MistingEvent{}, Disturbances: []MistingDisturbance{}, Notices: []string{},
	}
	out.Fit = fitOf(&a.Fit)
	for i := range a.Events {
		out.Events = append(out.Events, mistingEventOf(&a.Events[i]))
	}
	for _, d := range a.Disturbances {
		out.Disturbances = append(out.Disturbances, MistingDisturbance(d))
	}
	out.Nights = MistingNights{Measured: a.Nights, Condensation: a.CondensationNights, Surface: "measured"}
	switch {
	case a.SurfaceGuessed:
		out.Nights.Surface = "guessed"
	case len(recording.Surface) == 0:
		out.Nights.Surface = "unknown"
	}
	present := a.PresentOutlook()
	now := scheduleOf(&present)
	now.Now = true
	out.Schedules = append(out.Schedules, now)
	if r.Proposed != nil {
		proposed, err := a.WhatIf(r.Proposed)
		row := MistingSchedule{Times: r.Proposed.String(), Refused: out.Fit.Refused}
		if err == nil {
			row = scheduleOf(&proposed)
		}
		out.Schedules = append(out.Schedules, row)
	}
	out.Notices = out.notices(WordsOf(r.Site), recording)
	switch s, err := a.Suggest(); {
	case err == nil && s.Found:
		row := scheduleOf(&s.Outlook)
		out.Suggestion = &MistingSuggestion{&row, s.Reason}
	case err == nil:
		out.Suggestion = &MistingSuggestion{Reason: s.Reason}
	}
	return out, nil
}

// within returns the part of a range in which the enclosure has readings: before and after it nothing can be said of mistings.
func within(file *recorded.File, place string, from, to instant.Instant) (first, last instant.Instant) {
	first, last = to, from
	for _, row := range file.Rows {
		if file.Points[row.Point].Place == place && row.At >= from && row.At < to {
			first, last = min(first, row.At), max(last, row.At.Add(time.Minute))
		}
	}
	if first >= last {
		return from, to
	}
	return first, min(last, to)
}

// onlyPoints leaves out the readings of other points.
type onlyPoints struct {
	History
	wanted func(quantity.Point) bool
}

func (o onlyPoints) ReadingsBetween(ctx context.Context, from, to instant.Instant) iter.Seq2[store.PointSample, error] {
	return func(yield func(store.PointSample, error) bool) {
		for sample, err := range o.History.ReadingsBetween(ctx, from, to) {
			if (err != nil || o.wanted(sample.Point)) && !yield(sample, err) {
				return
			}
		}
	}
}

var errNoClimate = errors.New("no readings of air temperature and relative humidity")

// mistingRecording brings readings, journal and bands together.
func mistingRecording(r MistingRequest, place config.Place, file *recorded.File, entries []*journal.Entry) (*misting.Recording, error) {
	site := assemble.Site(r.Site)
	rec := &misting.Recording{From: r.From, To: r.To, Location: site.Location, Schedule: place.Mistings}
	into := map[quantity.Point]*[]misting.Sample{
		{Place: place.ID, Quantity: quantity.AirTemperature}:     &rec.Air,
		{Place: place.ID, Quantity: quantity.RelativeHumidity}:   &rec.Humidity,
		{Place: place.ID, Quantity: quantity.SurfaceTemperature}: &rec.Surface,
	}
	if place.In != "" {
		into[quantity.Point{Place: place.In, Quantity: quantity.AirTemperature}] = &rec.RoomAir
		into[quantity.Point{Place: place.In, Quantity: quantity.RelativeHumidity}] = &rec.RoomHumidity
	}
	for _, row := range file.Rows {
		if row.At < r.From || row.At >= r.To || !row.Flag.Usable() {
			continue
		}
		if samples := into[file.Points[row.Point]]; samples != nil {
			*samples = append(*samples, misting.Sample{At: row.At, Value: row.Value})
		}
	}
	if len(rec.Air) == 0 && len(rec.Humidity) == 0 {
		return nil, fmt.Errorf("%w of %s from %s to %s", errNoClimate, place.ID, r.From, r.To)
	}
	for _, e := range inForce(entries) {
		if e.Kind == journal.Misting && e.Place == place.ID && e.At >= r.From && e.At < r.To {
			rec.Mistings = append(rec.Mistings, misting.Misting{At: e.At, Dose: mistingSeconds(e)})
		}
	}
	unitDoses(rec.Mistings)
	if !site.Light.AlwaysDay {
		rec.Day = func(at instant.Instant) bool { return site.Light.IsDay(at.Time()) }
	}
	rec.Limits = humidityLimits(replay.WithJournal(site, entries), place.ID, r.From, r.To)
	return rec, nil
}

// inForce leaves out the entries that others have corrected.
func inForce(entries []*journal.Entry) []*journal.Entry {
	holds := map[string]bool{}
	for _, e := range cohort.InForce(cohort.Read(entries)) {
		holds[e.ID] = true
	}
	return slices.DeleteFunc(slices.Clone(entries), func(e *journal.Entry) bool { return !holds[e.ID()] })
}

// mistingSeconds returns the length of a misting on record; 0 where it has none.
func mistingSeconds(e *journal.Entry) float64 {
	if e.Until == nil || *e.Until <= e.At {
		return 0
	}
	return e.Until.Sub(e.At).Seconds()
}

// unitDoses turns lengths into units of the usual one, which is their median.
func unitDoses(mistings []misting.Misting) {
	slices.SortStableFunc(mistings, func(a, b misting.Misting) int { return int(min(max(a.At-b.At, -1), 1)) })
	var lengths []float64
	for _, m := range mistings {
		if m.Dose > 0 {
			lengths = append(lengths, m.Dose)
		}
	}
	if len(lengths) == 0 {
		return
	}
	slices.Sort(lengths)
	usual := lengths[len(lengths)/2]
	for i := range mistings {
		if mistings[i].Dose > 0 {
			mistings[i].Dose = min(max(mistings[i].Dose/usual, 0.05), 20)
		}
	}
}

// bandStep is how finely the band in force is looked up.
const bandStep = 5 * time.Minute

// humidityLimits returns the band of humidity as the core has it in force, from its own fold over the range; nil where there is none.
func humidityLimits(site watch.Site, place string, from, to instant.Instant) func(instant.Instant) (low, high float64) {
	point := quantity.Point{Place: place, Quantity: quantity.RelativeHumidity}
	site.Sensors, site.Points = nil, []watch.Point{{Point: point, Gap: 2 * bandStep}}
	core := watch.New(site, "")
	index, ok := core.Index(point)
	if !ok {
		return nil
	}
	type limits struct{ low, high float64 }
	var all []limits
	any := false
	var effects []watch.Effect
	for at := from; at < to; at = at.Add(bandStep) {
		effects = core.Step(watch.Event{Kind: watch.ReadingEvent, Point: index, At: at, Value: 50, Flag: quantity.Pass}, effects[:0])
		band := core.State(index).Band
		l := limits{band.Limits[care.Low], band.Limits[care.High]}
		if math.IsNaN(l.low) {
			l.low = band.Limits[care.CriticalLow]
		}
		if math.IsNaN(l.high) {
			l.high = band.Limits[care.CriticalHigh]
		}
		any = any || !math.IsNaN(l.low) || !math.IsNaN(l.high)
		all = append(all, l)
	}
	if !any {
		return nil
	}
	return func(at instant.Instant) (low, high float64) {
		l := all[min(max(int(at.Sub(from)/bandStep), 0), len(all)-1)]
		return l.low, l.high
	}
}

func fitOf(f *misting.Fit) MistingFit {
	out := MistingFit{Days: exposure.Number(f.Days), Doors: f.Doors, Refused: f.Refused, ScatterPct: exposure.NumberOf(f.ScatterPct)}
	if out.Refused == "" {
		out.Refused = f.RefusedParts
	}
	if f.Tau > 0 {
		out.TauS = exposure.NumberOf(f.Tau.Seconds())
		out.TauRange = rangeOf(misting.Interval{Low: f.TauLow.Seconds(), Mid: f.Tau.Seconds(), High: f.TauHigh.Seconds()})
	}
	out.FloorPctRH, out.FloorRange = exposure.NumberOf(f.FloorPct.Mid), rangeOf(f.FloorPct)
	out.NPerH, out.NRange = exposure.NumberOf(f.AirChanges.Mid), rangeOf(f.AirChanges)
	out.KappaPerH, out.KappaRange = exposure.NumberOf(f.Kappa.Mid), rangeOf(f.Kappa)
	return out
}

func rangeOf(i misting.Interval) *Range {
	if math.IsNaN(i.Mid) {
		return nil
	}
	return &Range{exposure.Number(i.Low), exposure.Number(i.Mid), exposure.Number(i.High)}
}

func mistingEventOf(e *misting.Event) MistingEvent {
	return MistingEvent{
		At: e.At, Recorded: e.Recorded, Scheduled: e.Scheduled, Missed: e.Missed, Hidden: e.Hidden, PeakPctRH: exposure.NumberOf(e.PeakPct), PeakHidden: e.PeakHidden,
		SaturatedS: exposure.Seconds(e.Saturated), Stuck: e.Stuck, TauS: lasting(e.Tau), FloorPctRH: exposure.NumberOf(e.FloorPct), To80S: lasting(e.To80),
		BelowS: exposure.Seconds(e.Below), AboveS: exposure.Seconds(e.Above),
	}
}

func lasting(d time.Duration) *exposure.Seconds {
	if d <= 0 {
		return nil
	}
	return new(exposure.Seconds(d))
}

func scheduleOf(o *misting.Outlook) MistingSchedule {
	return MistingSchedule{
		Times: o.Schedule.String(), Days: exposure.Number(o.Days), Below: rangeOf(o.Below), Above: rangeOf(o.Above), Saturated: rangeOf(o.Saturated),
		DryEnough: rangeOf(o.DryEnough), LongestDry: rangeOf(o.LongestDry), WetNights: rangeOf(o.WetNights), RelativeWater: exposure.NumberOf(o.RelativeWater),
	}
}
