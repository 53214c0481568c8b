package web

import (
	"context"
	"fmt"
	"math"
	"time"

	"dewline/internal/core/cohort"
	"dewline/internal/core/humidity"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/misting"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/drying"
	"dewline/internal/store"
)

// humidityEntries reads the animals' record, and the mistings and notes of a place, the newest first.
func (s *site) humidityEntries(ctx context.Context, place string, now instant.Instant) (all []*journal.Entry, err error) {
	seen := map[uint64]bool{}
	for _, filter := range []store.Filter{
		{Kinds: cohort.Kinds(), Limit: pageEntries},
		{Place: place, From: now.Add(-(rememberDays + maxSpanDays) * 24 * time.Hour), Kinds: []journal.Kind{journal.Misting, journal.Note}, Limit: pageEntries},
	} {
		for e, err := range store.Entries(ctx, s.History, filter) {
			if err != nil {
				return nil, err
			}
			if !seen[e.Seq] {
				seen[e.Seq] = true
				all = append(all, e)
			}
		}
	}
	return all, nil
}

// stretch reads a range of a place, minute by minute.
func (s *site) stretch(ctx context.Context, place *watch.Place, entries []*journal.Entry, from, to instant.Instant) (*humidity.Stretch, error) {
	recording, in, err := s.recording(ctx, place, entries, from, to)
	if err != nil {
		return nil, err
	}
	return &humidity.Stretch{Analysis: misting.Look(recording), InForce: in, Location: recording.Location}, nil
}

func (s *site) recording(ctx context.Context, place *watch.Place, entries []*journal.Entry, from, to instant.Instant) (
	*misting.Recording, *humidity.InForce, error,
) {
	site := s.Site()
	r := &misting.Recording{
		From: from, To: to, Location: s.Current.Get().Zone(), Schedule: place.Mistings, StuckAfter: place.StuckMisterAfter,
		Mistings: humidity.Recorded(entries, place.ID, from, to),
	}
	wanted := []struct {
		quantity.Point
		into *[]misting.Sample
	}{
		{quantity.Point{Place: place.ID, Quantity: quantity.AirTemperature}, &r.Air},
		{quantity.Point{Place: place.ID, Quantity: quantity.RelativeHumidity}, &r.Humidity},
		{quantity.Point{Place: place.ID, Quantity: quantity.SurfaceTemperature}, &r.Surface},
		{quantity.Point{Place: place.In, Quantity: quantity.AirTemperature}, &r.RoomAir},
		{quantity.Point{Place: place.In, Quantity: quantity.RelativeHumidity}, &r.RoomHumidity},
	}
	minutes := int(to.Sub(from) / time.Minute)
	if minutes < 1 {
		return r, humidity.Bands(*site, place.ID, from, to), nil
	}
	for _, w := range wanted {
		if w.Place == "" || stateOf(s.Current.Get(), w.Point) == nil {
			continue
		}
		for begin := 0; begin < minutes; begin += maxMinutes {
			first := from.Add(time.Duration(begin) * time.Minute)
			n := min(maxMinutes, minutes-begin)
			columns, err := s.History.Columns(ctx, w.Point, first, first.Add(time.Duration(n)*time.Minute), n)
			if err != nil {
				return nil, nil, err
			}
			for i := range columns {
				if columns[i].Count > 0 {
					*w.into = append(*w.into, misting.Sample{At: first.Add(time.Duration(i) * time.Minute), Value: columns[i].Mean})
				}
			}
		}
	}
	if !site.Light.AlwaysDay {
		r.Day = func(at instant.Instant) bool { return site.Light.IsDay(at.Time()) }
	}
	in := humidity.Bands(site.WithRecord(cohort.Read(entries)), place.ID, from, to)
	r.Limits = in.Limits()
	return r, in, nil
}

// fitOf fits the last whole days of a place: the fourteen before midnight, or those since the schedule was changed where they are enough.
func (s *site) fitOf(ctx context.Context, place *watch.Place, entries []*journal.Entry, changes []humidity.Change, midnight func(int) instant.Instant) (*fitted, error) {
	f := &fitted{from: midnight(-fittedDays), to: midnight(0)}
	var last *humidity.Change
	if n := len(changes); n > 0 && changes[n-1].At > f.from && changes[n-1].At < f.to {
		last = &changes[n-1]
		if last.At < midnight(-minFitDays) {
			f.from = last.At
		}
	}
	f.key = fmt.Sprint(place.ID, f.from, f.to, last, place.Mistings)
	kept := s.humid.fits[place.ID]
	if kept != nil && kept.key == f.key {
		return kept, nil
	}
	recording, _, err := s.recording(ctx, place, entries, f.from, f.to)
	if err != nil {
		return nil, err
	}
	f.analysis = misting.Analyse(recording)
	f.suggestion = drying.SuggestionOf(f.analysis)
	if last != nil {
		if f.checked, err = s.checkChange(ctx, place, entries, last, f.to); err != nil {
			return nil, err
		}
	}
	if len(s.humid.fits) >= maxKept || s.humid.fits == nil {
		s.humid.fits = map[string]*fitted{}
	}
	s.humid.fits[place.ID] = f
	return f, nil
}

// checkChange fits the days before a change, asks for the schedule that came after it, and measures what came.
func (s *site) checkChange(ctx context.Context, place *watch.Place, entries []*journal.Entry, change *humidity.Change, to instant.Instant) (*CheckedChange, error) {
	since, err := s.stretch(ctx, place, entries, change.At, to)
	if err != nil {
		return nil, err
	}
	tiles := since.Sum(since.Days())
	if tiles.Days == 0 || math.IsNaN(tiles.Below) {
		return nil, nil
	}
	recording, _, err := s.recording(ctx, place, entries, change.At.Add(-fittedDays*24*time.Hour), change.At)
	if err != nil {
		return nil, err
	}
	recording.Schedule = nil // what the configuration says now was not in force then
	outlook, err := misting.Analyse(recording).WhatIf(since.Present)
	if err != nil {
		return nil, nil // the days before could not be fitted, and so nothing was to be expected
	}
	row := drying.ScheduleOf(&outlook)
	return &CheckedChange{At: change.At, Schedule: row.Times, Predicted: row.Below, Came: known(tiles.Below), Days: tiles.Days}, nil
}
