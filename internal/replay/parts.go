package replay

import (
	"cmp"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
)

// keepParts begins to keep the ledgers of each day and stage. What lies before the first reading no core has seen: it is
// unknown, and is divided here as the core would.
func (r *run) keepParts(site watch.Site) {
	r.parts = make([][]watch.Ledger, len(r.ledgers))
	for i, p := range r.core.Points() {
		for at, end := r.from, min(r.start, r.to); at < end; {
			l := watch.Ledger{From: at}
			l.Cohort, l.Stage, l.To = tenancy(site, p.Place, at)
			l.To = min(l.To, end)
			l.InZone[watch.UnknownZone] = l.Elapsed()
			r.parts[i] = append(r.parts[i], l)
			at = l.To
		}
	}
}

// tenancy returns the cohort that lives at a place at time t, its stage, and the first time at which either of them or the
// local day may change.
func tenancy(site watch.Site, place string, t instant.Instant) (cohort, at string, until instant.Instant) {
	location := cmp.Or(site.Location, time.UTC)
	until = instant.Of(care.NextMidnight(t.Time(), location))
	for i := range site.Intervals {
		n := &site.Intervals[i]
		for _, edge := range [2]instant.Instant{n.From, n.To} {
			if n.Place == place && edge > t {
				until = min(until, edge)
			}
		}
	}
	if residents := site.ResidentsAt(place, t); len(residents) > 0 {
		cohort, at = residents[0].Cohort, residents[0].Stage.String()
	}
	return cohort, at, until
}
