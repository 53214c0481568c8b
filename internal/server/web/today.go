package web

import (
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"time"

	"dewline/internal/core/growth"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/today"
	"dewline/internal/core/today/compose"
	"dewline/internal/core/watch"
	"dewline/internal/deliver/text"
	"dewline/internal/server/status"
)

// carePast is how far back it matters what was done: the longest interval of a task is a year.
const carePast = 400 * 24 * time.Hour

// DayOf reads from a history what a day is composed of, and composes it. Without a history, or where it cannot be read, the day says what
// is missing.
func DayOf(ctx context.Context, h History, site *watch.Site, p *status.Snapshot) today.Today {
	now := instant.Of(p.At)
	facts := compose.Facts{Now: now, Site: site, Points: p.Points, Calibrations: p.Calibrations, Water: map[string][]growth.Day{}}
	facts.Night.From, facts.Night.To = compose.LastNight(site, now)
	if h == nil {
		facts.Missing = "no history is kept: what was done, and the extremes of the night, are not known"
	} else if err := readDay(ctx, h, &facts); err != nil {
		facts.Missing = fmt.Sprintf("the history could not be read, so a part of this is missing: %v", err)
	}
	return compose.Day(&facts)
}

// readDay reads what was done, the extremes of the night, and the temperatures of the water.
func readDay(ctx context.Context, h History, facts *compose.Facts) error {
	var err error
	if facts.Care, err = careOf(ctx, h, facts.Now); err != nil {
		return err
	}
	for _, point := range compose.Measured(facts.Site, facts.Points) {
		columns, err := h.Columns(ctx, point, facts.Night.From, facts.Night.To, 1)
		if err != nil {
			return err
		}
		if len(columns) == 1 && columns[0].Count > 0 {
			facts.Night.Extremes = append(facts.Night.Extremes, today.Extreme{Point: point, Min: columns[0].Min, Max: columns[0].Max})
		}
	}
	for _, s := range compose.Stretches(facts.Site, facts.Now) {
		columns, err := h.Columns(ctx, s.Water, s.From, s.From.Add(time.Duration(s.Days)*24*time.Hour), s.Days)
		if err != nil {
			return err
		}
		for i, c := range columns {
			if c.Count > 0 {
				facts.Water[s.Cohort] = append(facts.Water[s.Cohort], growth.Day{At: s.From.Add(time.Duration(i) * 24 * time.Hour), Celsius: c.Mean})
			}
		}
	}
	return nil
}

// dayPatience is how long a page waits for its day; the history of a card that has died does not answer.
const dayPatience = 5 * time.Second

// dayNow is the day of a request; false where it was not ready in time.
func (s *site) dayNow(ctx context.Context) (today.Today, bool) {
	select { // as for an exposure: the board has few cores, and alarming goes first
	case s.folds <- struct{}{}:
		defer func() { <-s.folds }()
	case <-ctx.Done():
		return today.Today{}, false
	}
	return DayOf(ctx, s.History, s.Site(), s.Current.Get()), true
}

func (s *site) serveToday(w http.ResponseWriter, r *http.Request) {
	day, ok := s.dayNow(r.Context())
	if !ok { // who asked has gone
		return
	}
	p := s.Current.Get()
	f := formatterOf(p, p.Display)
	answer(w, r, http.StatusOK, dayJSON(&day, &f))
}

// DayJSON is a day with its windows in words as well.
type DayJSON struct {
	today.Today
	Windows []WindowJSON `json:"windows"`
}

// WindowJSON is when the next stage of a cohort comes, as data and in words.
type WindowJSON struct {
	today.Window
	Words string `json:"words"`
}

func dayJSON(day *today.Today, f *text.Formatter) DayJSON {
	made := DayJSON{Today: *day, Windows: []WindowJSON{}}
	for i := range day.Windows {
		made.Windows = append(made.Windows, WindowJSON{day.Windows[i], f.Window(&day.Windows[i], day.At)})
	}
	return made
}

// formatterOf writes a day for the pages.
func formatterOf(p *status.Snapshot, display quantity.Unit) text.Formatter {
	return text.Formatter{Site: p.Site, Location: p.Zone(), Temperature: display, Titles: p.Titles}
}

// addDay puts the day into the page of the day: as data for its script, and in words for readers without script.
func (s *site) addDay(ctx context.Context, v *pageView, p *status.Snapshot, display quantity.Unit) {
	ctx, cancel := context.WithTimeout(ctx, dayPatience)
	defer cancel()
	day, ok := s.dayNow(ctx)
	if !ok {
		v.Headline = "The day could not be put together: the configuration is not known, or the machine is busy. Load the page again."
		return
	}
	f := formatterOf(p, display)
	if data, err := json.Marshal(dayJSON(&day, &f)); err == nil { // only a number that JSON cannot carry fails
		v.Day = template.JS(data)
	}
	v.Headline, v.Sections = f.Day(&day, len(day.Tasks))
}
