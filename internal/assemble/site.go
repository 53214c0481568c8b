package assemble

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// recovery is how long a sensor must have answered well before its fault is over. A bad contact or a noisy bus lets reads through
// between its failures; in ten minutes hardly any does that. Engineering judgement, no published source.
const recovery = 10 * time.Minute

// Site returns what the core must know of a site. Points are those that sensors feed, in the order of the sensors;
// a site without sensors has none, and whoever feeds it from a file adds them. Bands are as given: delays and deadbands
// that are not given are the core's to fill in.
func Site(s *config.Site) watch.Site {
	location := cmp.Or(s.Location, time.UTC)
	site := watch.Site{
		ID:           s.ID,
		Location:     location,
		Light:        s.Light,
		Profiles:     maps.Clone(s.Profiles),
		Calibrations: seeds(s),
	}
	site.Light.Location = cmp.Or(site.Light.Location, location)
	if site.Profiles == nil {
		site.Profiles = map[string]*care.Profile{}
	}
	for _, place := range s.Places {
		site.Places = append(site.Places, watch.Place{
			ID: place.ID, Room: place.Room, In: place.In, Bands: maps.Clone(place.Bands), Latch: place.Latch, Mistings: place.Mistings,
			StuckMisterAfter: place.StuckMisterAfter,
		})
	}
	for _, cohort := range s.Cohorts {
		site.Cohorts = append(site.Cohorts, watch.Cohort{
			ID: cohort.ID, Profile: cohort.Profile, Place: cohort.Place, Stages: slices.Clone(cohort.Stages),
		})
	}
	known := map[quantity.Point]int{}
	for i := range s.Sensors {
		sensor := &s.Sensors[i]
		made := watch.SensorFeeds{ID: sensor.ID, Part: part(sensor), FaultAfter: sensor.FaultAfter(), Recovery: recovery}
		for _, channel := range slices.Sorted(maps.Keys(sensor.Feeds)) {
			point := sensor.Feeds[channel]
			made.Channels = append(made.Channels, watch.Channel{Name: string(channel), Feeds: point})
			at, fed := known[point]
			if !fed {
				at = len(site.Points)
				known[point] = at
				site.Points = append(site.Points, watch.Point{Point: point})
			}
			// Of several sensors the slowest and the least accurate one set what can be expected of the point.
			merged := &site.Points[at]
			merged.Gap = max(merged.Gap, sensor.GapOrDefault())
			merged.StaleAfter = max(merged.StaleAfter, sensor.StaleAfterOrDefault())
			merged.Accuracy = max(merged.Accuracy, sensor.AccuracyOf(channel))
		}
		site.Sensors = append(site.Sensors, made)
	}
	return site.WithRecord(nil)
}

// Overview sums up a site that was checked. states are those of its points and animals the record of a running daemon, whose cohorts
// may have other stages and places since; without states they follow from the configuration at that time.
func Overview(s *config.Site, at time.Time, states []watch.PointState, animals []cohort.Interval) config.Overview {
	if states == nil {
		core := watch.New(Site(s), "")
		core.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(at)}, nil)
		for i := range core.Points() {
			states = append(states, core.State(int32(i)))
		}
	}
	points := make([]config.PointInForce, len(states))
	for i := range states {
		p := &states[i]
		points[i] = config.PointInForce{Point: p.Point, Band: p.Band, Owners: p.Owners, Residents: map[string]care.Stage{}}
		for _, r := range p.Residents {
			points[i].Residents[r.Cohort] = r.Stage
		}
	}
	lives := map[string]string{}
	for i := range animals {
		if animals[i].Holds(instant.Of(at)) {
			lives[animals[i].Cohort] = animals[i].Place
		}
	}
	return s.Overview(at, points, lives)
}
