package compose

import (
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/growth"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/today"
	"dewline/internal/core/watch"
)

// Facts are what a day is composed of.
type Facts struct {
	Now          instant.Instant
	Site         *watch.Site // with its intervals
	Points       []watch.PointState
	Care         []cohort.Entry          // what was recorded of care, with the notes that withdraw some of it; in any order
	Night        today.Night             // its extremes, as far as they are on record
	Water        map[string][]growth.Day // by cohort: daily means since its stage began, in the order of time
	Calibrations []calibration.State     // of the channels of the sensors
	Missing      string                  // why a part of it could not be had; "" where all of it is there
}

const day = 24 * time.Hour

// minNight is how long a night has lasted before it is the last one: in the evening, that is still the night before. Common practice, no
// published source.
const minNight = 6 * time.Hour

// The night of a site without light hours, in minutes after local midnight: half the day. Common practice, no published source.
const (
	nightFrom = 20 * 60
	nightTo   = 8 * 60
)

// LastNight returns the last night: of the site's light, or from 20:00 to 8:00 where that gives no hours. One that has lasted for
// six hours counts and ends now.
func LastNight(site *watch.Site, now instant.Instant) (from, to instant.Instant) {
	light := site.Light
	if light.NextSwitch(now.Time()).IsZero() {
		light = care.Light{Location: site.Location, From: nightTo, To: nightFrom}
	}
	from, to = now.Add(-day/2), now
	at := now.Add(-3 * day).Time()
	for {
		next := light.NextSwitch(at)
		if next.IsZero() || instant.Of(next) > now {
			return from, to
		}
		if !light.IsDay(next) {
			begins, ends := instant.Of(next), min(now, instant.Of(light.NextSwitch(next)))
			if ends < now || now.Sub(begins) >= minNight {
				from, to = begins, ends
			}
		}
		at = next
	}
}

// Measured lists the points of enclosures that a sensor feeds.
func Measured(site *watch.Site, points []watch.PointState) (list []quantity.Point) {
	rooms := map[string]bool{}
	for i := range site.Places {
		rooms[site.Places[i].ID] = site.Places[i].Room
	}
	for i := range points {
		if p := &points[i]; p.Fed && !p.Point.Quantity.Derived() && !rooms[p.Point.Place] {
			list = append(list, p.Point)
		}
	}
	return list
}

// Stretch is a time for which the water of a cohort is asked for, in days of 24 hours from its beginning.
type Stretch struct {
	Cohort string
	Water  quantity.Point
	From   instant.Instant
	Days   int
}

// Stretches lists the times from whose water temperatures the windows of the next stages follow, in the order of time for each cohort.
func Stretches(site *watch.Site, now instant.Instant) (list []Stretch) {
	for _, home := range livingAt(site, now) {
		if _, known := spanOf(site, home); !known {
			continue
		}
		since := Began(site, home)
		for _, stay := range cohort.Life(site.Intervals, home.Cohort) {
			from, to := max(stay.From, since), min(stay.To, now)
			if stay.Place == "" || from >= to {
				continue
			}
			list = append(list, Stretch{
				Cohort: home.Cohort, Water: quantity.Point{Place: stay.Place, Quantity: quantity.WaterTemperature},
				From: from, Days: int((to.Sub(from) + day - 1) / day),
			})
		}
	}
	return list
}

// livingAt lists the intervals of the cohorts that live at a time.
func livingAt(site *watch.Site, t instant.Instant) (living []*cohort.Interval) {
	for i := range site.Intervals {
		if home := &site.Intervals[i]; home.Holds(t) && home.Place != "" {
			living = append(living, home)
		}
	}
	return living
}

// Began returns when the stage of a cohort began.
func Began(site *watch.Site, home *cohort.Interval) instant.Instant {
	return max(home.StageBy.Since, firstDay(site, home.Cohort))
}

// firstDay returns when a cohort began.
func firstDay(site *watch.Site, id string) instant.Instant {
	for i := range site.Intervals {
		if site.Intervals[i].Cohort == id {
			return site.Intervals[i].From
		}
	}
	return instant.None
}

// careOf returns what the profile of a cohort says of its stage; nil where it says nothing.
func careOf(site *watch.Site, home *cohort.Interval, stage care.Stage) *care.Care {
	profile := site.Profiles[home.Profile]
	if profile == nil {
		return nil
	}
	if needs, ok := profile.Care[stage]; ok {
		return &needs
	}
	return nil
}

func spanOf(site *watch.Site, home *cohort.Interval) (growth.Span, bool) {
	needs := careOf(site, home, home.Stage)
	if needs == nil {
		return growth.Span{}, false
	}
	return growth.SpanOf(needs)
}
