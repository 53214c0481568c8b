// Package exposure holds the JSON shape of an exposure: the one that replay, report, the pages and MQTT show. Zones and limits are
// spelled as everywhere, with hyphens, also where they are keys.
package exposure

import (
	"cmp"
	"math"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// Figures are what any stretch of time sums up to.
type Figures struct {
	Seconds           ZoneSeconds `json:"seconds"`
	Min               *Number     `json:"min"` // null where there is no reading
	Max               *Number     `json:"max"`
	Mean              *Number     `json:"mean"` // weighted by time; null where nothing was observed
	DegreeHoursAbove  Number      `json:"degree_hours_above"`
	DegreeHoursBelow  Number      `json:"degree_hours_below"`
	LongestExcursionS Seconds     `json:"longest_excursion_s"`
}

// FiguresOf sums up a ledger.
func FiguresOf(l *watch.Ledger) Figures {
	f := Figures{
		Seconds: ZoneSecondsOf(l), Mean: NumberOf(l.Mean()),
		DegreeHoursAbove: finite(l.DegreeAbove / 3600), DegreeHoursBelow: finite(l.DegreeBelow / 3600), LongestExcursionS: Seconds(l.Longest),
	}
	if l.Readings > 0 {
		f.Min, f.Max = NumberOf(l.Min), NumberOf(l.Max)
	}
	return f
}

// Exposure is the exposure of a point over a range.
type Exposure struct {
	From     instant.Instant `json:"from"`
	To       instant.Instant `json:"to"`
	ElapsedS Seconds         `json:"elapsed_s"`
	Coverage *Number         `json:"coverage"` // share of the time that was observed; null for an empty range
	Figures
	Excursions  int64    `json:"excursions"` // that began in the range
	MeanKinetic *Kinetic `json:"mean_kinetic,omitempty"`
}

// Kinetic is a mean kinetic temperature (USP <1160>) with its window, without which it says nothing. It is a model of ageing
// chemistry; for animals an index of heat load, nothing more.
type Kinetic struct {
	Value     Number          `json:"value"`
	From      instant.Instant `json:"from"`
	To        instant.Instant `json:"to"`
	ObservedS Seconds         `json:"observed_s"`
}

// Of returns the exposure that a ledger holds.
func Of(q quantity.Quantity, l *watch.Ledger) Exposure {
	e := Exposure{Figures: FiguresOf(l), Excursions: l.Excursions}
	e.From, e.To = cmp.Or(l.From, instant.None), cmp.Or(l.To, instant.None)
	e.Settle(q, l)
	return e
}

// Settle computes what follows from the zone times and the ledger: elapsed time, coverage and mean kinetic temperature.
func (e *Exposure) Settle(q quantity.Quantity, l *watch.Ledger) {
	var elapsed int64
	for _, ms := range e.Seconds {
		elapsed += ms
	}
	e.ElapsedS = Milliseconds(elapsed)
	if elapsed > 0 {
		e.Coverage = NumberOf(float64(elapsed-e.Seconds[watch.UnknownZone]) / float64(elapsed))
	}
	if Loads(q) {
		if value := NumberOf(l.MeanKineticCelsius()); value != nil {
			e.MeanKinetic = &Kinetic{Value: *value, From: e.From, To: e.To, ObservedS: Seconds(l.Observed())}
		}
	}
}

// Loads reports whether a quantity is a heat load: a temperature that something is exposed to, which a dew point is not.
func Loads(q quantity.Quantity) bool { return q.IsTemperature() && q != quantity.DewPoint }

func finite(v float64) Number {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return Number(v)
}

// Limits are those of a band in the canonical unit; null where there is none.
type Limits struct {
	CriticalLow  *Number `json:"critical-low"`
	Low          *Number `json:"low"`
	High         *Number `json:"high"`
	CriticalHigh *Number `json:"critical-high"`
}

// LimitsOf returns the limits of a band.
func LimitsOf(b *care.Band) Limits {
	limit := func(l care.Limit) *Number {
		if !b.Has(l) {
			return nil
		}
		return NumberOf(b.Limits[l])
	}
	return Limits{limit(care.CriticalLow), limit(care.Low), limit(care.High), limit(care.CriticalHigh)}
}
