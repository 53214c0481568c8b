package humidity

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
	"dewline/internal/core/watch"
)

// Cells is how many cells a day has: a quarter of an hour each, by the clock.
const Cells = 96

const cellMinutes = 24 * 60 / Cells

// MarginK is the distance of a surface from the dew point, in K, under which a night counts as close to condensation. Common practice.
const MarginK = 1.0

// Stretch is what is known of an enclosure over a range.
type Stretch struct {
	*misting.Analysis
	InForce  *InForce
	Location *time.Location
}

// Day is a local day.
type Day struct {
	From, To instant.Instant
	Zones    [Cells]watch.Zone // of the mean of each cell
	Means    [Cells]float64    // %RH; NaN where it is not known

	Known, Below, Above, Dry time.Duration // Dry is under [misting.DryPct]
}

// DriedOut reports whether the leaves had time to dry.
func (d *Day) DriedOut() bool { return d.Dry >= misting.DryFor }

// minKnown is how much of a day must be known for it to count among days. Engineering judgement.
const minKnown = 18 * time.Hour

// Counts reports whether enough of the day is known to count it.
func (d *Day) Counts() bool { return d.Known >= minKnown }

// Days returns the local days of a stretch, the oldest first. Where the clock is set back, the hour that it shows twice shares its cells.
func (s *Stretch) Days() (days []Day) {
	for at := s.From; at < s.To; {
		next := min(instant.Of(care.NextMidnight(at.Time(), s.Location)), s.To)
		days = append(days, s.day(at, next))
		at = next
	}
	return days
}

func (s *Stretch) day(from, to instant.Instant) Day {
	d := Day{From: from, To: to}
	var counts [Cells]int
	var sums [Cells]float64
	for at := from; at < to; at = at.Add(time.Minute) {
		h := s.Humidity(at)
		if math.IsNaN(h) {
			continue
		}
		d.Known += time.Minute
		switch s.InForce.Zone(at, h) {
		case watch.CriticalLowZone, watch.LowZone:
			d.Below += time.Minute
		case watch.CriticalHighZone, watch.HighZone:
			d.Above += time.Minute
		}
		if h < misting.DryPct {
			d.Dry += time.Minute
		}
		cell := s.Clock(at) / cellMinutes
		sums[cell] += h
		counts[cell]++
	}
	for i := range d.Zones {
		d.Means[i], d.Zones[i] = math.NaN(), watch.UnknownZone
		if counts[i] > 0 {
			d.Means[i] = sums[i] / float64(counts[i])
			d.Zones[i] = s.InForce.Zone(from.Add(time.Duration(i*cellMinutes)*time.Minute), d.Means[i])
		}
	}
	return d
}

// Clock returns the minute of the local day.
func (s *Stretch) Clock(at instant.Instant) int {
	hour, minute, _ := at.Time().In(s.Location).Clock()
	return hour*60 + minute
}

// Folded is the usual day: at each cell the median and the range that holds four of five days, in %RH; NaN where no day has it.
type Folded struct {
	Days              int
	Median, Low, High [Cells]float64
}

// Fold folds days into one.
func Fold(days []Day) Folded {
	f := Folded{}
	for i := range days {
		if days[i].Known > 0 {
			f.Days++
		}
	}
	for cell := range Cells {
		var values []float64
		for i := range days {
			if v := days[i].Means[cell]; !math.IsNaN(v) {
				values = append(values, v)
			}
		}
		slices.Sort(values)
		f.Low[cell], f.Median[cell], f.High[cell] = quantile(values, 0.1), quantile(values, 0.5), quantile(values, 0.9)
	}
	return f
}

// quantile returns a quantile of sorted values, by a line between neighbours (type 7 of Hyndman and Fan 1996); NaN without values.
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	at := q * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[i]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}

// Tiles are figures of a stretch.
type Tiles struct {
	Days         int     // that count
	Below, Above float64 // h a day; NaN where no day counts or no band is in force
	DriedOut     int     // days on which leaves had time to dry
	CloseNights  int     // nights within [MarginK] of the dew point
	Nights       int     // that were measured
}

// Sum sums up a stretch.
func (s *Stretch) Sum(days []Day) Tiles {
	t := Tiles{Below: math.NaN(), Above: math.NaN()}
	var below, above, known time.Duration
	for i := range days {
		d := &days[i]
		if !d.Counts() {
			continue
		}
		t.Days++
		below, above, known = below+d.Below, above+d.Above, known+d.Known
		if d.DriedOut() {
			t.DriedOut++
		}
	}
	if t.Days > 0 && s.InForce.any {
		t.Below, t.Above = 24*below.Hours()/known.Hours(), 24*above.Hours()/known.Hours()
	}
	t.CloseNights, t.Nights = s.NightsWithin(MarginK)
	return t
}
