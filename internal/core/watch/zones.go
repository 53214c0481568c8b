package watch

import (
	"math"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
)

// tolerance is how far beyond a limit a value still counts as on it. A value and a limit in different units, and a limit and its
// deadband, meet only up to the rounding of binary fractions; no sensor resolves as little as this.
const tolerance = 5e-10

// limits are the four limits in force, with infinities for those that the band does not have, so that comparisons need no
// test for existence.
type limits struct {
	at       [care.LimitCount]float64
	last     [care.LimitCount]float64 // the last values that are not beyond each limit
	low      float64                  // lower edge of the band: low, or critical-low where there is no low
	high     float64                  // upper edge of the band
	lastLow  float64                  // the last values that are not beyond the edges
	lastHigh float64
	inside   Zone // the zone of values beyond no limit: InBand, or NoBand if there is no limit
	anything bool // the band has at least one limit
}

func limitsOf(band *care.Band) limits {
	l := limits{anything: !band.Empty(), inside: InBand}
	if !l.anything {
		l.inside = NoBand
	}
	for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
		switch {
		case band.Has(limit):
			l.at[limit] = band.Limits[limit]
		case limit.Above():
			l.at[limit] = math.Inf(1)
		default:
			l.at[limit] = math.Inf(-1)
		}
		l.last[limit] = lastWithin(l.at[limit], limit.Above())
	}
	l.low, l.high = l.at[care.Low], l.at[care.High]
	if math.IsInf(l.low, -1) {
		l.low = l.at[care.CriticalLow]
	}
	if math.IsInf(l.high, 1) {
		l.high = l.at[care.CriticalHigh]
	}
	l.lastLow, l.lastHigh = lastWithin(l.low, false), lastWithin(l.high, true)
	return l
}

// lastWithin returns the last value that counts as within a level.
func lastWithin(level float64, above bool) float64 {
	if above {
		return level + tolerance
	}
	return level - tolerance
}

// zone returns the zone of v. The limits themselves belong to the band.
func (l *limits) zone(v float64) Zone {
	switch {
	case v > l.last[care.High]:
		if v > l.last[care.CriticalHigh] {
			return CriticalHighZone
		}
		return HighZone
	case v < l.last[care.Low]:
		if v < l.last[care.CriticalLow] {
			return CriticalLowZone
		}
		return LowZone
	case v > l.last[care.CriticalHigh]:
		return CriticalHighZone
	case v < l.last[care.CriticalLow]:
		return CriticalLowZone
	}
	return l.inside
}

// ZoneIn returns the zone of a value, in the canonical unit of its quantity, in a band; NoBand where the band has no limit.
func ZoneIn(band *care.Band, value float64) Zone {
	l := limitsOf(band)
	return l.zone(value)
}

// side returns the side of the band on which v is.
func (l *limits) side(v float64) Side {
	switch {
	case v > l.lastHigh:
		return AboveBand
	case v < l.lastLow:
		return BelowBand
	}
	return Inside
}

// segment is the straight line between two readings, or a part of it.
type segment struct {
	t0, t1 instant.Instant
	v0, v1 float64
}

// crossing returns when the segment meets a level that lies between its ends.
func (n *segment) crossing(level float64) instant.Instant {
	if n.v1 == n.v0 {
		return n.t0
	}
	part := (level - n.v0) / (n.v1 - n.v0)
	at := n.t0 + instant.Instant(math.Round(part*float64(n.t1-n.t0)))
	return min(max(at, n.t0), n.t1)
}

// valueAt returns the value at a time between the ends.
func (n *segment) valueAt(t instant.Instant) float64 {
	if n.t1 == n.t0 {
		return n.v1
	}
	return n.v0 + (n.v1-n.v0)*(float64(t-n.t0)/float64(n.t1-n.t0))
}

// zoneAbove and zoneBelow return the zone that begins beyond a limit, going up and going down.
func (l *limits) zoneAbove(limit care.Limit) Zone {
	switch limit {
	case care.CriticalLow:
		if !math.IsInf(l.at[care.Low], -1) {
			return LowZone
		}
		return InBand
	case care.Low:
		return InBand
	case care.High:
		return HighZone
	}
	return CriticalHighZone
}

func (l *limits) zoneBelow(limit care.Limit) Zone {
	switch limit {
	case care.CriticalHigh:
		if !math.IsInf(l.at[care.High], 1) {
			return HighZone
		}
		return InBand
	case care.High:
		return InBand
	case care.Low:
		return LowZone
	}
	return CriticalLowZone
}

// split adds the time that the segment spends in each zone, cut at the exact crossings. The added times sum to t1 − t0.
func (l *limits) split(n *segment, zones *[ZoneCount]time.Duration) {
	first, last := l.zone(n.v0), l.zone(n.v1)
	if first == last { // zones are intervals: a segment with both ends in one stays in it
		zones[first] += time.Duration(n.t1 - n.t0)
		return
	}
	at, current := n.t0, first
	cross := func(limit care.Limit, next Zone) {
		meets := n.crossing(l.at[limit])
		zones[current] += time.Duration(meets - at)
		at, current = meets, next
	}
	if n.v1 > n.v0 {
		for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
			if n.v0 <= l.at[limit] && l.at[limit] <= n.v1 {
				cross(limit, l.zoneAbove(limit))
			}
		}
	} else {
		for limit := int(care.CriticalHigh); limit >= int(care.CriticalLow); limit-- {
			if n.v1 <= l.at[limit] && l.at[limit] <= n.v0 {
				cross(care.Limit(limit), l.zoneBelow(care.Limit(limit)))
			}
		}
	}
	zones[last] += time.Duration(n.t1 - at)
}

// excess returns ∫ max(0, d) dt in unit·s for a quantity d that runs straight from d0 to d1 within seconds.
func excess(d0, d1, seconds float64) float64 {
	switch {
	case d0 <= 0 && d1 <= 0:
		return 0
	case d0 >= 0 && d1 >= 0:
		return (d0 + d1) / 2 * seconds
	case d0 > 0:
		return d0 * d0 / (d0 - d1) / 2 * seconds
	default:
		return d1 * d1 / (d1 - d0) / 2 * seconds
	}
}
