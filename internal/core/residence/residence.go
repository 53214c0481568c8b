// Package residence answers which animals live where at a time, and which band holds there because of it.
package residence

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/core/quantity"
)

// Holding is the band that holds at a point, and the cohort that lives there.
type Holding struct {
	Cohort string // of several, the first one; "" where none lives there
	Stage  care.Stage
	Day    bool
	Band   care.Band // with its defaults
	// Owners name whose the limits are, such as "b-2026 (metamorph)" or the id of the place; "" where there is no limit.
	Owners [care.LimitCount]string
	// Apart names the owners of two bands that leave no value between them; "" if there are none.
	Apart [2]string
}

// Place is a room, or an enclosure inside a room.
type Place struct {
	ID   string
	Room bool
	In   string // the room of an enclosure; "" for none
	// Bands are the place's own. They are combined with those of the cohorts that live there: see [Site.BandAt].
	Bands map[quantity.Quantity]care.DayNight
	// Latch makes the alarms of the place stay until a person resets them.
	Latch bool
	// Mistings is what the mister of an enclosure is set to, where that is known.
	Mistings schedule.Schedule
	// StuckMisterAfter is how long the air may stay saturated after a misting until the mister is taken for stuck; 0 = the default of
	// package misting.
	StuckMisterAfter time.Duration
}

// Site is a site so far as it says who lives where.
type Site struct {
	Light     care.Light
	Places    []Place
	Profiles  map[string]*care.Profile
	Intervals []cohort.Interval // of the cohorts
}

// ResidentsAt returns the intervals of the cohorts that live at a place at time t, in the order of the site. They belong to the site.
func (s *Site) ResidentsAt(place string, t instant.Instant) []*cohort.Interval {
	var residents []*cohort.Interval
	for i := range s.Intervals {
		if n := &s.Intervals[i]; n.Place == place && place != "" && n.Holds(t) {
			residents = append(residents, n)
		}
	}
	return residents
}

// BandAt returns the band that holds at a point at time t, and the cohort that lives there. The core, the pages and check all use it.
// The tightest limit holds, limit by limit, of the place's own band and those of all cohorts that live there, unless the place's own
// band overrides the others.
func (s *Site) BandAt(point quantity.Point, t time.Time) Holding {
	return s.BandBy(point, t, s.Light.IsDay(t))
}

// BandBy is [Site.BandAt] by day or by night, whatever the light is at that time.
func (s *Site) BandBy(point quantity.Point, t time.Time, day bool) Holding {
	h := Holding{Day: day, Band: care.NoBand().WithDefaults(point.Quantity)}
	merged := false
	add := func(of string, bands *care.DayNight, at care.Stage) {
		band := bands.At(day).Settled(point.Quantity, at)
		if !merged {
			h.Band, merged = band, true
			for l := range h.Owners {
				if h.Band.Has(care.Limit(l)) {
					h.Owners[l] = of
				}
			}
			return
		}
		both, possible := care.Tightest(point.Quantity, h.Band, band)
		if !possible && h.Apart[0] == "" {
			h.Apart = [2]string{bandOf(h.owner(&band), point.Place), bandOf(of, point.Place)}
		}
		h.own(&both, of)
	}
	residents := s.ResidentsAt(point.Place, instant.Of(t))
	delicate := care.NoStage
	for _, r := range residents {
		if r.Stage.Delicate() {
			delicate = r.Stage
		}
	}
	if len(residents) > 0 {
		h.Cohort, h.Stage = residents[0].Cohort, residents[0].Stage
	}
	for i := range s.Places {
		if s.Places[i].ID != point.Place {
			continue
		}
		if own, ok := s.Places[i].Bands[point.Quantity]; ok {
			add(point.Place, &own, delicate)
			if own.Override {
				return h
			}
		}
	}
	for _, r := range residents {
		if profile := s.Profiles[r.Profile]; profile != nil {
			if bands, ok := profile.Care[r.Stage].Bands[point.Quantity]; ok {
				add(r.Cohort+" ("+r.Stage.String()+")", &bands, r.Stage)
			}
		}
	}
	return h
}

// own takes over a band that was merged of the one so far and another one, and notes which limits are the other's. An inner limit that
// was moved to an outer one belongs to whom that belongs.
func (h *Holding) own(both *care.Band, other string) {
	before := h.Band
	h.Band = *both
	for _, l := range [...]care.Limit{care.CriticalLow, care.CriticalHigh, care.Low, care.High} {
		switch {
		case !both.Has(l) || before.Has(l) && before.Limits[l] == both.Limits[l]:
		case l == care.Low && both.Has(care.CriticalLow) && both.Limits[care.CriticalLow] == both.Limits[l]:
			h.Owners[l] = h.Owners[care.CriticalLow]
		case l == care.High && both.Has(care.CriticalHigh) && both.Limits[care.CriticalHigh] == both.Limits[l]:
			h.Owners[l] = h.Owners[care.CriticalHigh]
		default:
			h.Owners[l] = other
		}
	}
}

// owner returns whose limit it is that leaves no value between itself and one of a band.
func (h *Holding) owner(band *care.Band) string {
	for _, below := range [...]care.Limit{care.Low, care.CriticalLow} {
		for _, above := range [...]care.Limit{care.High, care.CriticalHigh} {
			if h.Band.Has(below) && band.Has(above) && h.Band.Limits[below] >= band.Limits[above] {
				return h.Owners[below]
			}
			if h.Band.Has(above) && band.Has(below) && band.Limits[below] >= h.Band.Limits[above] {
				return h.Owners[above]
			}
		}
	}
	return ""
}

// bandOf names the band of an owner.
func bandOf(owner, place string) string {
	if owner == place {
		return "the band of " + place
	}
	return "that of " + owner
}

// Apart returns the owners of two bands that leave no value between them at a point at time t, by day or by night; "" if there are
// none.
func (s *Site) Apart(point quantity.Point, t time.Time) [2]string {
	apart := s.BandBy(point, t, true).Apart
	if apart[0] == "" && !s.Light.AlwaysDay {
		apart = s.BandBy(point, t, false).Apart
	}
	return apart
}
