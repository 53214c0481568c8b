package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"regexp"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/humidity"
	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/core/watch"
	"dewline/internal/format/drying"
)

// HumidityPage is how an enclosure has been between its mistings, and what another schedule would bring.
type HumidityPage struct {
	Place    string          `json:"place"`
	Title    string          `json:"title,omitempty"`
	Timezone string          `json:"timezone"`
	At       instant.Instant `json:"at"`

	Days    []HumidityDay    `json:"days"`    // the last seven local days, the newest first
	Changes []ScheduleChange `json:"changes"` // marks of the last eight weeks, the oldest first
	Cell    int              `json:"cell_min"`
	Night   [][2]int         `json:"night"` // in minutes of the clock: when the lights are off; empty where that never changes
	Limits  HumidityLimits   `json:"limits"`
	This    HumiditySpan     `json:"this"`    // the days that are looked at
	Against *HumiditySpan    `json:"against"` // those that they are compared with; null without readings there

	Mistings []drying.Event `json:"mistings"` // of the seven days, the newest first
	WhatIf   WhatIf         `json:"what_if"`
}

// HumidityLimits are those of the band on the newest day, by cell of the day, in %RH; null where there is none.
type HumidityLimits struct {
	Low  []number `json:"low"`
	High []number `json:"high"`
}

// HumidityDay is a local day.
type HumidityDay struct {
	Date     string    `json:"date"`
	Zones    string    `json:"zones"` // a letter a cell: L critical-low, l low, i in-band, h high, H critical-high, n no-band, u unknown
	Mistings []DayDrop `json:"mistings"`
	Below    number    `json:"below_h"`
	Above    number    `json:"above_h"`
	DriedOut bool      `json:"dried_out"`
	Low      *number   `json:"low"` // of its cells, %RH
	High     *number   `json:"high"`
}

// DayDrop is a misting in a day.
type DayDrop struct {
	Minute int    `json:"minute"` // of the clock
	State  string `json:"state"`  // recorded, seen, missed or stuck
}

// ScheduleChange is a mark that the schedule was changed.
type ScheduleChange struct {
	At   instant.Instant `json:"at"`
	Text string          `json:"text"`
}

// HumiditySpan sums up some days, and folds them into one.
type HumiditySpan struct {
	From   instant.Instant `json:"from"`
	To     instant.Instant `json:"to"`
	Days   int             `json:"days"`
	Median []number        `json:"median"` // %RH by cell of the day; null where no day has it
	Low    []number        `json:"low"`    // of four of five days
	High   []number        `json:"high"`

	Below       *number `json:"hours_below_band_per_day"`
	Above       *number `json:"hours_above_band_per_day"`
	DriedOut    int     `json:"days_dried_out"`
	Counted     int     `json:"days_counted"`
	CloseNights int     `json:"nights_close_to_condensation"` // a surface within 1 K of the dew point for ten minutes or more
	Nights      int     `json:"nights_measured"`
	Surface     string  `json:"surface"` // measured, guessed (half-way between the air and the room) or unknown
}

// WhatIf is what the fit of the last weeks says of schedules.
type WhatIf struct {
	From       instant.Instant    `json:"from"` // of the days that were fitted
	To         instant.Instant    `json:"to"`
	Fit        drying.Fit         `json:"fit"`
	Schedules  []drying.Schedule  `json:"schedules"` // the present one as measured, and the one that was asked for
	Suggestion *drying.Suggestion `json:"suggestion"`
	// Checked compares what was to be expected of the schedule after the last change with what came; null where that cannot be said.
	Checked *CheckedChange `json:"checked"`
}

// CheckedChange is a forecast beside what came.
type CheckedChange struct {
	At        instant.Instant `json:"at"`
	Schedule  string          `json:"schedule"`
	Predicted *drying.Range   `json:"predicted_hours_below_band_per_day"`
	Came      *number         `json:"hours_below_band_per_day"`
	Days      int             `json:"days"`
}

const (
	shownDays     = 7
	fittedDays    = 14
	minFitDays    = 5  // since a change, for a fit that begins at it
	maxSpanDays   = 31 // that are folded
	rememberDays  = 56 // in which a mark is looked for
	humidityFresh = time.Minute
	maxKept       = 4           // places whose fit is kept
	maxMinutes    = 7 * 24 * 60 // that the history is asked for at once
)

// humidityPath is the address of a page of an enclosure's humidity.
var humidityPath = regexp.MustCompile(`^/humidity/[a-z0-9-]+$`)

// zoneLetters are the letters of [HumidityDay].
var zoneLetters = [watch.ZoneCount]byte{'L', 'l', 'i', 'h', 'H', 'n', 'u'}

// humidityCache keeps the fits of a day, which take long, and the pages of a minute. Who holds a place in site.folds may use it.
type humidityCache struct {
	fits  map[string]*fitted
	pages map[string]*keptPage
}

type keptPage struct {
	at   time.Time
	page *HumidityPage
}

// fitted is the fit of a place on a day.
type fitted struct {
	key        string
	from, to   instant.Instant
	analysis   *misting.Analysis
	suggestion *drying.Suggestion
	checked    *CheckedChange
}

// humidityQuestion is what is asked of a place.
type humidityQuestion struct {
	place                  *watch.Place
	proposed               schedule.Schedule // nil for none
	from, to               instant.Instant   // None for the days since the last change, or the last seven
	againstFrom, againstTo instant.Instant   // None for as many days before
}

func (s *site) serveHumidity(w http.ResponseWriter, r *http.Request) {
	q := query{values: r.URL.Query()}
	ask, known := s.humidityPlace(q.values.Get("place"))
	if !known {
		q.refuse("place must be an enclosure of the site, such as place=vivarium-1")
	}
	if text, given := q.values["schedule"]; given {
		parsed, err := schedule.Parse(text[0])
		if err != nil {
			q.refuse("schedule: " + err.Error())
		}
		ask.proposed = parsed
	}
	ask.from, ask.to = q.optionalSpan("from", "to")
	ask.againstFrom, ask.againstTo = q.optionalSpan("against_from", "against_to")
	if q.problem != "" {
		fail(w, r, http.StatusBadRequest, badRequest, q.problem)
		return
	}
	page, err := s.humidityPage(r.Context(), r.URL.RawQuery, ask)
	if err != nil {
		s.answerHistoryError(w, r, err)
		return
	}
	answer(w, r, http.StatusOK, page)
}

// optionalSpan reads a range that need not be given, of [maxSpanDays] at most.
func (q *query) optionalSpan(fromName, toName string) (from, to instant.Instant) {
	from, to = q.time(fromName), q.time(toName)
	switch {
	case from.IsNone() && to.IsNone():
	case from.IsNone() || to.IsNone() || to <= from:
		q.refuse("give both " + fromName + " and " + toName + ", the earlier one first")
	case to.Sub(from) > (maxSpanDays+1)*24*time.Hour:
		q.refuse(fmt.Sprintf("%s and %s lie further apart than %d days", fromName, toName, maxSpanDays))
	}
	return from, to
}

// humidityPlace finds an enclosure.
func (s *site) humidityPlace(id string) (humidityQuestion, bool) {
	none := humidityQuestion{from: instant.None, to: instant.None, againstFrom: instant.None, againstTo: instant.None}
	places := s.Site().Places
	i := slices.IndexFunc(places, func(p watch.Place) bool { return p.ID == id && !p.Room })
	if i < 0 {
		return none, false
	}
	none.place = &places[i]
	return none, true
}

// humidityPage answers a question, from memory where it was asked within the last minute.
func (s *site) humidityPage(ctx context.Context, asked string, q humidityQuestion) (*HumidityPage, error) {
	select { // as for an exposure: the board has few cores, and alarming goes first
	case s.folds <- struct{}{}:
		defer func() { <-s.folds }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	key := q.place.ID + "?" + asked
	at := s.Current.Get().At
	kept := s.humid.pages[key]
	if kept != nil && at.Sub(kept.at) >= 0 && at.Sub(kept.at) < humidityFresh {
		return kept.page, nil
	}
	page, err := s.composeHumidity(ctx, q)
	if err != nil {
		return nil, err
	}
	if len(s.humid.pages) >= 4*maxKept || s.humid.pages == nil {
		s.humid.pages = map[string]*keptPage{}
	}
	s.humid.pages[key] = &keptPage{at, page}
	return page, nil
}

func (s *site) composeHumidity(ctx context.Context, q humidityQuestion) (*HumidityPage, error) {
	now := instant.Of(s.Current.Get().At)
	location := s.Current.Get().Zone()
	entries, err := s.humidityEntries(ctx, q.place.ID, now)
	if err != nil {
		return nil, err
	}
	page := &HumidityPage{
		Place: q.place.ID, Title: s.Current.Get().Titles[q.place.ID], Timezone: location.String(), At: now, Days: []HumidityDay{}, Changes: []ScheduleChange{}, Cell: 24 * 60 / humidity.Cells,
		Night: nightOf(&s.Site().Light, now, location), Mistings: []drying.Event{},
	}
	changes := humidity.Changes(entries, q.place.ID)
	for _, c := range changes {
		page.Changes = append(page.Changes, ScheduleChange(c))
	}
	midnight := func(days int) instant.Instant { return localMidnight(now, location, days) }
	week, err := s.stretch(ctx, q.place, entries, midnight(1-shownDays), now)
	if err != nil {
		return nil, err
	}
	page.days(week)
	limits := week.InForce.Limits()
	for i := range humidity.Cells {
		low, high := nan, nan
		if limits != nil {
			low, high = limits(midnight(0).Add(time.Duration(i*page.Cell) * time.Minute))
		}
		page.Limits.Low, page.Limits.High = append(page.Limits.Low, number(low)), append(page.Limits.High, number(high))
	}
	defaultSpans(&q, changes, midnight)
	for _, span := range []struct {
		from, to instant.Instant
		into     **HumiditySpan
	}{{q.from, q.to, nil}, {q.againstFrom, q.againstTo, &page.Against}} {
		one, err := s.stretch(ctx, q.place, entries, span.from, span.to)
		if err != nil {
			return nil, err
		}
		made := spanOf(one)
		switch {
		case span.into == nil:
			page.This = made
		case made.Days > 0:
			*span.into = &made
		}
	}
	fit, err := s.fitOf(ctx, q.place, entries, changes, midnight)
	if err != nil {
		return nil, err
	}
	page.WhatIf = whatIf(fit, q.proposed)
	return page, nil
}

// localMidnight returns the midnight at which the day of now began, or that of so many days later.
func localMidnight(now instant.Instant, location *time.Location, days int) instant.Instant {
	year, month, day := now.Time().In(location).Date()
	return instant.Of(care.NextMidnight(time.Date(year, month, day+days-1, 12, 0, 0, 0, location), location))
}

// defaultSpans fills in what was not asked for: the whole days since the last change and the fourteen before it, else the last seven whole
// days and the seven before.
func defaultSpans(q *humidityQuestion, changes []humidity.Change, midnight func(int) instant.Instant) {
	if q.from.IsNone() {
		q.from, q.to = midnight(-shownDays), midnight(0)
		if n := len(changes); n > 0 {
			if at := changes[n-1].At; at < midnight(-1) && at > midnight(-maxSpanDays) {
				q.from = at
				if q.againstFrom.IsNone() {
					q.againstFrom, q.againstTo = at.Add(-fittedDays*24*time.Hour), at
				}
			}
		}
	}
	if q.againstFrom.IsNone() {
		q.againstFrom, q.againstTo = q.from.Add(-q.to.Sub(q.from)), q.from
	}
}

// days fills in the rows and the mistings.
func (page *HumidityPage) days(week *humidity.Stretch) {
	days := week.Days()
	rows := make([]HumidityDay, len(days))
	for i := range days {
		d := &days[i]
		row := HumidityDay{
			Date: d.From.Time().In(week.Location).Format(time.DateOnly), Mistings: []DayDrop{},
			Below: number(d.Below.Hours()), Above: number(d.Above.Hours()), DriedOut: d.DriedOut(),
		}
		zones := make([]byte, humidity.Cells)
		low, high := math.Inf(1), math.Inf(-1)
		for k := range zones {
			zones[k] = zoneLetters[d.Zones[k]]
			if v := d.Means[k]; !math.IsNaN(v) {
				low, high = min(low, v), max(high, v)
			}
		}
		row.Zones, row.Low, row.High = string(zones), known(low), known(high)
		for k := range week.Events {
			if e := &week.Events[k]; e.At >= d.From && e.At < d.To {
				row.Mistings = append(row.Mistings, DayDrop{week.Clock(e.At), dropState(e)})
			}
		}
		rows[len(rows)-1-i] = row
	}
	page.Days = rows
	for k := len(week.Events) - 1; k >= 0; k-- {
		page.Mistings = append(page.Mistings, drying.EventOf(&week.Events[k]))
	}
}

func dropState(e *misting.Event) string {
	switch {
	case e.Missed:
		return "missed"
	case e.Stuck:
		return "stuck"
	case e.Recorded:
		return "recorded"
	}
	return "seen"
}

func spanOf(s *humidity.Stretch) HumiditySpan {
	days := s.Days()
	folded, tiles := humidity.Fold(days), s.Sum(days)
	numbers := func(values *[humidity.Cells]float64) []number {
		all := make([]number, len(values))
		for i, v := range values {
			all[i] = number(math.Round(10*v) / 10)
		}
		return all
	}
	span := HumiditySpan{
		From: s.From, To: s.To, Days: folded.Days, Median: numbers(&folded.Median), Low: numbers(&folded.Low), High: numbers(&folded.High),
		Below: known(tiles.Below), Above: known(tiles.Above), DriedOut: tiles.DriedOut, Counted: tiles.Days, CloseNights: tiles.CloseNights, Nights: tiles.Nights,
		Surface: "measured",
	}
	switch {
	case tiles.Nights == 0:
		span.Surface = "unknown"
	case s.SurfaceGuessed:
		span.Surface = "guessed"
	}
	return span
}

// nightOf returns when the lights are off, as stretches of the clock on the day of now.
func nightOf(light *care.Light, now instant.Instant, location *time.Location) [][2]int {
	night := [][2]int{}
	year, month, day := now.Time().In(location).Date()
	from := -1
	for minute := 0; minute <= 24*60; minute += 5 {
		off := minute < 24*60 && !light.IsDay(instant.OnClock(year, month, day, minute, location))
		switch {
		case off && from < 0:
			from = minute
		case !off && from >= 0:
			night = append(night, [2]int{from, minute})
			from = -1
		}
	}
	if len(night) == 1 && night[0] == [2]int{0, 24 * 60} {
		return [][2]int{}
	}
	return night
}

func whatIf(f *fitted, proposed schedule.Schedule) WhatIf {
	return WhatIf{
		From: f.from, To: f.to, Fit: drying.FitOf(&f.analysis.Fit), Schedules: drying.SchedulesOf(f.analysis, proposed), Suggestion: f.suggestion,
		Checked: f.checked,
	}
}
