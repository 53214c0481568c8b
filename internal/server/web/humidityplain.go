package web

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"time"

	"dewline/internal/format/drying"
)

// serveHumidityPage serves the page of one enclosure.
func (s *site) serveHumidityPage(mux *http.ServeMux, w http.ResponseWriter, r *http.Request) {
	q, known := s.humidityPlace(r.PathValue("place"))
	if !known {
		s.serveNothing(mux, w, r)
		return
	}
	title := cmp.Or(strings.TrimSpace(s.Current.Get().Titles[q.place.ID]), q.place.ID)
	s.servePage(w, r, pageOf{Name: "humidity", Link: r.URL.Path, Title: "Humidity of " + title, of: q})
}

// humidityView is the page without scripts.
type humidityView struct {
	Missing  string
	Tiles    [][3]string // figure, these days, the days before
	Days     [][]string
	Mistings [][]string
	WhatIf   [][]string
	Said     []string
}

// humidityPlain writes what the page shows as tables.
func (s *site) humidityPlain(ctx context.Context, q humidityQuestion) *humidityView {
	v := &humidityView{}
	if s.History == nil {
		v.Missing = "No history is kept here, so nothing is known of the past of an enclosure."
		return v
	}
	page, err := s.humidityPage(ctx, "", q)
	if err != nil {
		v.Missing = "The history did not answer: " + err.Error()
		return v
	}
	location := s.Current.Get().Zone()
	v.tiles(page, location)
	for i := range page.Days {
		d := &page.Days[i]
		v.Days = append(v.Days, []string{d.Date, hoursText(float64(d.Below)), hoursText(float64(d.Above)), map[bool]string{true: "yes", false: "no"}[d.DriedOut], fmt.Sprint(len(d.Mistings))})
	}
	for i := range page.Mistings {
		v.Mistings = append(v.Mistings, mistingRow(&page.Mistings[i], location))
	}
	v.whatIf(&page.WhatIf, location)
	return v
}

func (v *humidityView) tiles(page *HumidityPage, location *time.Location) {
	span := func(s *HumiditySpan) string {
		if s == nil {
			return "nothing known"
		}
		return s.From.Time().In(location).Format("2 Jan") + " to " + s.To.Add(-1).Time().In(location).Format("2 Jan")
	}
	both := func(name string, of func(*HumiditySpan) string) {
		row := [3]string{name, of(&page.This), "–"}
		if page.Against != nil {
			row[2] = of(page.Against)
		}
		v.Tiles = append(v.Tiles, row)
	}
	v.Tiles = append(v.Tiles, [3]string{"", span(&page.This), span(page.Against)})
	perDay := func(n *number) string {
		if n == nil {
			return "–"
		}
		return hoursText(float64(*n))
	}
	both("below the band, a day", func(s *HumiditySpan) string { return perDay(s.Below) })
	both("above the band, a day", func(s *HumiditySpan) string { return perDay(s.Above) })
	both("nights within 1 K of the dew point", func(s *HumiditySpan) string { return fmt.Sprintf("%d of %d", s.CloseNights, s.Nights) })
	both("days that dried out (2 h under 85 %RH)", func(s *HumiditySpan) string { return fmt.Sprintf("%d of %d", s.DriedOut, s.Counted) })
}

func hoursText(h float64) string {
	minutes := int(math.Round(h * 60))
	if minutes < 60 {
		return fmt.Sprintf("%d min", minutes)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

func mistingRow(e *drying.Event, location *time.Location) []string {
	percent := func(n any) string {
		if text := fmt.Sprint(n); text != "<nil>" {
			return text
		}
		return "–"
	}
	peak, floor, dry := "–", "–", "–"
	if e.PeakPctRH != nil {
		peak = percent(math.Round(float64(*e.PeakPctRH)))
	}
	if e.FloorPctRH != nil {
		floor = percent(math.Round(float64(*e.FloorPctRH)))
	}
	if e.To80S != nil {
		dry = hoursText(time.Duration(*e.To80S).Hours())
	}
	return []string{e.At.Time().In(location).Format("2 Jan 15:04"), mistingWords(e), peak, floor, dry}
}

// mistingWords says where a misting is known from, or what was wrong with it.
func mistingWords(e *drying.Event) string {
	switch {
	case e.Missed:
		return "missed: the humidity did not rise"
	case e.Stuck:
		return "stayed saturated for hours"
	case e.Hidden:
		return "on record, not to be seen"
	case e.Recorded:
		return "on record"
	case e.Scheduled:
		return "due, and seen"
	}
	return "seen in the humidity"
}

func (v *humidityView) whatIf(w *WhatIf, location *time.Location) {
	between := func(r *drying.Range) string {
		if r == nil {
			return "–"
		}
		if r.Low == r.High {
			return fmt.Sprintf("%.1f h", float64(r.Mid))
		}
		return fmt.Sprintf("%.1f h (%.1f–%.1f)", float64(r.Mid), float64(r.Low), float64(r.High))
	}
	row := func(name string, s *drying.Schedule) {
		times := cmp.Or(s.Times, "none")
		v.WhatIf = append(v.WhatIf, []string{name, times, between(s.Below), between(s.Saturated), between(s.DryEnough)})
	}
	for i := range w.Schedules {
		row(map[bool]string{true: "now, as measured", false: "tried"}[w.Schedules[i].Now], &w.Schedules[i])
	}
	if w.Fit.Refused != "" {
		v.Said = append(v.Said, "Not stated: "+w.Fit.Refused+".")
	}
	switch {
	case w.Suggestion == nil:
	case w.Suggestion.Schedule == nil:
		v.Said = append(v.Said, "Searched: "+w.Suggestion.Reason+".")
	default:
		row("suggested", w.Suggestion.Schedule)
		v.Said = append(v.Said, "Suggested is "+w.Suggestion.Reason+".")
	}
	v.Said = append(v.Said, fmt.Sprintf("Fitted on %.1f days, %s to %s. Intervals hold in four of five cases if the room behaves as in these days.",
		float64(w.Fit.Days), w.From.Time().In(location).Format("2 Jan"), w.To.Add(-1).Time().In(location).Format("2 Jan")))
}
