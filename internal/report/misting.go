package report

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/cohort"
	"dewline/internal/core/humidity"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/misting"
	"dewline/internal/core/quantity"
	"dewline/internal/format/drying"
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

	Fit          drying.Fit           `json:"fit"`
	Events       []drying.Event       `json:"events"`
	Disturbances []drying.Disturbance `json:"disturbances"`
	Nights       drying.Nights        `json:"nights"`
	Schedules    []drying.Schedule    `json:"schedules"`
	Suggestion   *drying.Suggestion   `json:"suggestion"`
	Notices      []string             `json:"notices"`
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
	readings, err := replay.FromHistory(ctx, h, wanted, r.From, r.To)
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
		From: r.From, To: r.To, Made: cmp.Or(r.Made, instant.None),
		Events: []drying.Event{}, Disturbances: []drying.Disturbance{}, Notices: []string{},
	}
	out.Fit = drying.FitOf(&a.Fit)
	for i := range a.Events {
		out.Events = append(out.Events, drying.EventOf(&a.Events[i]))
	}
	for _, d := range a.Disturbances {
		out.Disturbances = append(out.Disturbances, drying.Disturbance(d))
	}
	out.Nights = drying.Nights{Measured: a.Nights, Condensation: a.CondensationNights, Surface: "measured"}
	switch {
	case a.SurfaceGuessed:
		out.Nights.Surface = "guessed"
	case len(recording.Surface) == 0:
		out.Nights.Surface = "unknown"
	}
	out.Schedules = drying.SchedulesOf(a, r.Proposed)
	out.Notices = out.notices(WordsOf(r.Site), recording)
	out.Suggestion = drying.SuggestionOf(a)
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

var errNoClimate = errors.New("no readings of air temperature and relative humidity")

// mistingRecording brings readings, journal and bands together.
func mistingRecording(r MistingRequest, place config.Place, file *recorded.File, entries []*journal.Entry) (*misting.Recording, error) {
	site := assemble.Site(r.Site)
	rec := &misting.Recording{From: r.From, To: r.To, Location: site.Location, Schedule: place.Mistings, StuckAfter: place.StuckMisterAfter}
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
	rec.Mistings = humidity.Recorded(entries, place.ID, r.From, r.To)
	if !site.Light.AlwaysDay {
		rec.Day = func(at instant.Instant) bool { return site.Light.IsDay(at.Time()) }
	}
	rec.Limits = humidity.Bands(replay.WithJournal(site, entries), place.ID, r.From, r.To).Limits()
	return rec, nil
}
