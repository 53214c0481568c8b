package report

import (
	"cmp"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
)

// InForce is a set of limits that held at a point: the tightest of the place's own and of all who lived there.
type InForce struct {
	From instant.Instant `json:"from"` // of several stretches, the begin of the first and the end of the last
	To   instant.Instant `json:"to"`
	When string          `json:"when"`
	exposure.Limits
	Owners  map[string]string `json:"owners"`  // by limit: whose it is, such as "b-2026 (larva)" or the id of the place
	Sources map[string]string `json:"sources"` // by limit

	owners [care.LimitCount]string
}

// held is a stretch of time in which the same limits held.
type held struct {
	span
	cohort, stage string
	day, night    *limits // nil where the stretch has no day, or no night
}

// limits are those of a band with their owners.
type limits struct {
	exposure.Limits
	owners [care.LimitCount]string
}

// limitStep is how often the limits of a point are looked up: they change with the light and with the animals.
const limitStep = time.Hour

// limitsOf returns which limits held at a point and when, and the same as a table with their sources.
func (s *subject) limitsOf(p *replay.PointReport) (stretches []held, table []InForce) {
	table = []InForce{}
	for i := range p.Parts {
		l := &p.Parts[i]
		now := held{span: span{l.From, l.To}, cohort: l.Cohort, stage: l.Stage}
		for at := l.From; at < l.To; at = at.Add(limitStep) {
			holding := s.watched.BandAt(p.Point, at.Time())
			found := &now.night
			if holding.Day {
				found = &now.day
			}
			if *found == nil {
				*found = &limits{exposure.LimitsOf(&holding.Band), holding.Owners}
			}
		}
		if n := len(stretches); n > 0 && stretches[n-1].continues(&now) {
			stretches[n-1].extend(&now)
		} else {
			stretches = append(stretches, now)
		}
	}
	for i := range stretches {
		h := &stretches[i]
		switch {
		case h.day != nil && h.night != nil && equal(h.day, h.night):
			table = s.tabled(table, p.Point, h, "always", h.day)
		default:
			table = s.tabled(table, p.Point, h, "day", h.day)
			table = s.tabled(table, p.Point, h, "night", h.night)
		}
	}
	return stretches, table
}

// continues reports whether the same limits hold on.
func (h *held) continues(next *held) bool {
	same := func(a, b *limits) bool { return a == nil || b == nil || equal(a, b) }
	return h.to == next.from && h.cohort == next.cohort && h.stage == next.stage && same(h.day, next.day) && same(h.night, next.night)
}

func (h *held) extend(next *held) {
	h.to = next.to
	h.day = cmp.Or(h.day, next.day)
	h.night = cmp.Or(h.night, next.night)
}

func each(l *exposure.Limits) [care.LimitCount]*exposure.Number {
	return [care.LimitCount]*exposure.Number{l.CriticalLow, l.Low, l.High, l.CriticalHigh}
}

func equal(a, b *limits) bool {
	of := each(&b.Limits)
	if a.owners != b.owners {
		return false
	}
	for i, x := range each(&a.Limits) {
		if (x == nil) != (of[i] == nil) || x != nil && *x != *of[i] {
			return false
		}
	}
	return true
}

// tabled adds limits to the table of what was in force, or extends their line there.
func (s *subject) tabled(table []InForce, p quantity.Point, h *held, when string, holding *limits) []InForce {
	if holding == nil || holding.Limits == (exposure.Limits{}) {
		return table
	}
	for i := range table {
		if t := &table[i]; t.When == when && equal(&limits{t.Limits, t.owners}, holding) {
			t.To = h.to
			return table
		}
	}
	made := InForce{From: h.from, To: h.to, When: when, Limits: holding.Limits, owners: holding.owners}
	made.Sources, made.Owners = map[string]string{}, map[string]string{}
	for l, value := range each(&holding.Limits) {
		if value != nil {
			made.Owners[care.Limit(l).String()] = holding.owners[l]
			made.Sources[care.Limit(l).String()] = s.sourceOf(p, care.Limit(l), float64(*value), h.from)
		}
	}
	return append(table, made)
}

// sourceOf returns where a limit that holds at a time comes from.
func (s *subject) sourceOf(p quantity.Point, l care.Limit, value float64, at instant.Instant) string {
	for i := range s.Site.Places {
		place := &s.Site.Places[i]
		own, ok := place.Bands[p.Quantity]
		if place.ID != p.Place || !ok {
			continue
		}
		for _, variant := range []struct {
			name string
			band *care.Band
		}{{"day.", &own.Day}, {"night.", &own.Night}} {
			if variant.band.Limits[l] != value {
				continue
			}
			for _, path := range []string{p.Quantity.String() + "." + variant.name + l.String(), p.Quantity.String() + "." + l.String()} {
				if source := place.Sources[path]; source != "" {
					return source
				}
			}
			return "the keeper's own, for " + p.Place
		}
	}
	from := "no source on record"
	for _, r := range s.watched.ResidentsAt(p.Place, at) {
		profile := s.watched.Profiles[r.Profile]
		if profile == nil {
			continue
		}
		if source := profile.SourceOf(r.Stage, p.Quantity, l, value); source != "" {
			return source
		}
		if bands, ok := profile.Care[r.Stage].Bands[p.Quantity]; ok && slices.Contains([]float64{bands.Day.Limits[l], bands.Night.Limits[l]}, value) {
			from = "profile " + r.Profile + ", which names no source"
		}
	}
	return from
}
