package report

import (
	"context"
	"slices"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/replay"
)

// beginWithReadings takes away what lies before the first reading that the history ever had of a point: a sensor that was not there
// yet has missed nothing. Where the history has older readings, all silence of the range is unknown. It reports whether it has taken
// away anything.
func (s *subject) beginWithReadings(ctx context.Context, h History, p *replay.PointReport) (cutOff bool, err error) {
	first, seen := s.first[p.Point]
	if !seen || first <= s.From || first >= s.To {
		return false, nil
	}
	older, err := h.Columns(ctx, p.Point, 0, s.From, 1)
	if err != nil {
		return false, err
	}
	if older[0].Count > 0 || older[0].Worst != 0 {
		return false, nil
	}
	cut := slices.IndexFunc(p.Parts, func(l watch.Ledger) bool { return l.To > first })
	if cut < 0 {
		return false, nil
	}
	for i := range cut {
		if p.Parts[i].Observed() > 0 {
			return false, nil // a derived point that was not kept then: its inputs were there
		}
	}
	l := &p.Parts[cut]
	before := first.Sub(min(l.From, first))
	if l.InZone[watch.UnknownZone] < before {
		return false, nil
	}
	l.InZone[watch.UnknownZone] -= before
	l.From = max(l.From, first)
	p.Parts = p.Parts[cut:]
	return cut > 0 || before > 0, nil
}

// note keeps the time of the first reading of each point that passes by.
func (s *subject) note(p quantity.Point, at instant.Instant) {
	if first, seen := s.first[p]; !seen || at < first {
		s.first[p] = at
	}
}
