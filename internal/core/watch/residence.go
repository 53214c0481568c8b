package watch

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// Holding is the band that holds at a point, and the cohort that lives there.
type Holding struct {
	Cohort string // of several, the first one of the configuration; "" where none lives there
	Stage  care.Stage
	Day    bool
	Band   care.Band // with its defaults
	// Apart names the owners of two bands that leave no value between them; "" if there are none.
	Apart [2]string
}

// ResidentAt returns the first cohort that lives at a place, and its stage, at time t; −1 where none does.
func ResidentAt(cohorts []Cohort, place string, t time.Time) (cohort int32, at care.Stage) {
	for i := range cohorts {
		if cohorts[i].Place == place {
			if s := care.StageAt(cohorts[i].Stages, t); s != care.NoStage {
				return int32(i), s
			}
		}
	}
	return -1, care.NoStage
}

// BandAt returns the band that holds at a point at time t, and the cohort that lives there. The core, the pages and check all use it.
// The tightest limit holds, limit by limit, of the place's own band and those of all cohorts that live there, unless the place's own
// band overrides the others.
func (s *Site) BandAt(point quantity.Point, t time.Time) Holding {
	return s.bandAt(point, t, s.Light.IsDay(t))
}

func (s *Site) bandAt(point quantity.Point, t time.Time, day bool) Holding {
	h := Holding{Day: day, Band: care.NoBand().WithDefaults(point.Quantity)}
	merged, first := false, ""
	add := func(of string, bands *care.DayNight, at care.Stage) {
		band := bands.At(day).Settled(point.Quantity, at)
		if !merged {
			h.Band, merged, first = band, true, of
			return
		}
		both, possible := care.Tightest(point.Quantity, h.Band, band)
		if !possible && h.Apart[0] == "" {
			h.Apart = [2]string{first, of}
		}
		h.Band = both
	}
	var residents []int
	delicate := care.NoStage
	for i := range s.Cohorts {
		c := &s.Cohorts[i]
		if c.Place != point.Place {
			continue
		}
		at := care.StageAt(c.Stages, t)
		if at == care.NoStage {
			continue
		}
		if h.Stage == care.NoStage {
			h.Cohort, h.Stage = c.ID, at
		}
		if at.Delicate() {
			delicate = at
		}
		residents = append(residents, i)
	}
	for i := range s.Places {
		if s.Places[i].ID != point.Place {
			continue
		}
		if own, ok := s.Places[i].Bands[point.Quantity]; ok {
			add("the band of "+point.Place, &own, delicate)
			if own.Override {
				return h
			}
		}
	}
	for _, i := range residents {
		c := &s.Cohorts[i]
		at := care.StageAt(c.Stages, t)
		if profile := s.Profiles[c.Profile]; profile != nil {
			if bands, ok := profile.Care[at].Bands[point.Quantity]; ok {
				add("that of "+c.ID+" ("+at.String()+")", &bands, at)
			}
		}
	}
	return h
}

// Apart returns the owners of two bands that leave no value between them at a point at time t, by day or by night; "" if there are
// none.
func (s *Site) Apart(point quantity.Point, t time.Time) [2]string {
	apart := s.bandAt(point, t, true).Apart
	if apart[0] == "" && !s.Light.AlwaysDay {
		apart = s.bandAt(point, t, false).Apart
	}
	return apart
}
