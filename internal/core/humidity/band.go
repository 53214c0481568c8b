package humidity

import (
	"math"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// bandStep is how finely the band in force is looked up.
const bandStep = 5 * time.Minute

// InForce is the band of humidity at a place over a range.
type InForce struct {
	from  instant.Instant
	bands []care.Band
	any   bool
}

// Bands returns the band of humidity as the core has it in force, from its own fold over the range.
func Bands(site watch.Site, place string, from, to instant.Instant) *InForce {
	in := &InForce{from: from}
	point := quantity.Point{Place: place, Quantity: quantity.RelativeHumidity}
	site.Sensors, site.Points = nil, []watch.Point{{Point: point, Gap: 2 * bandStep}}
	core := watch.New(site, "")
	index, ok := core.Index(point)
	if !ok {
		return in
	}
	var effects []watch.Effect
	for at := from; at < to; at = at.Add(bandStep) {
		effects = core.Step(watch.Event{Kind: watch.ReadingEvent, Point: index, At: at, Value: 50, Flag: quantity.Pass}, effects[:0])
		band := core.State(index).Band
		in.any = in.any || !band.Empty()
		in.bands = append(in.bands, band)
	}
	return in
}

// At returns the band at a time; false where none is in force.
func (in *InForce) At(t instant.Instant) (*care.Band, bool) {
	if !in.any {
		return nil, false
	}
	b := &in.bands[min(max(int(t.Sub(in.from)/bandStep), 0), len(in.bands)-1)]
	return b, !b.Empty()
}

// Limits returns the low and the high limit by time, in %RH, the critical one where there is no other; nil where none is ever in force.
func (in *InForce) Limits() func(instant.Instant) (low, high float64) {
	if !in.any {
		return nil
	}
	return func(at instant.Instant) (low, high float64) {
		b, ok := in.At(at)
		if !ok {
			return math.NaN(), math.NaN()
		}
		edge := func(inner, outer care.Limit) float64 {
			if b.Has(inner) {
				return b.Limits[inner]
			}
			return b.Limits[outer]
		}
		return edge(care.Low, care.CriticalLow), edge(care.High, care.CriticalHigh)
	}
}

// Zone returns the zone of a humidity at a time.
func (in *InForce) Zone(t instant.Instant, percent float64) watch.Zone {
	if math.IsNaN(percent) {
		return watch.UnknownZone
	}
	b, ok := in.At(t)
	if !ok {
		return watch.NoBand
	}
	beyond := func(l care.Limit, sign float64) bool { return b.Has(l) && sign*(percent-b.Limits[l]) > 1e-9 }
	switch {
	case beyond(care.CriticalLow, -1):
		return watch.CriticalLowZone
	case beyond(care.CriticalHigh, 1):
		return watch.CriticalHighZone
	case beyond(care.Low, -1):
		return watch.LowZone
	case beyond(care.High, 1):
		return watch.HighZone
	}
	return watch.InBand
}
