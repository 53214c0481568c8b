package season

import (
	"math"
	"time"
)

// climate is the weather of the invented loft: what is true at a place, whatever a sensor makes of it.
func climate(place string, at time.Time) (celsius, percent float64) {
	hour := float64(at.Hour()) + float64(at.Minute())/60
	swing := math.Cos(2 * math.Pi * (hour - 16) / 24) // warmest at four in the afternoon
	slow := math.Sin(2 * math.Pi * float64(at.YearDay()) / 11)
	switch place {
	case "tub-1":
		return 22.2 + 1.1*swing + 0.3*slow - 3.9*spell(at, time.March, 20, 22), 0
	case "tub-2":
		return 22.6 + 1.1*swing + 0.2*slow + 3.7*spell(at, time.May, 2, 4), 0
	case "tub-3":
		return 21.6 + 0.9*swing + 0.3*slow, 0
	}
	heat := spell(at, time.July, 5, 9)
	return 22.7 + 1.2*swing + 0.3*slow + 7*heat, 86 - 6*swing - 11*heat
}

// spell is 1 in the days of a spell, both included, with a day of rise before it and one of fall after it.
func spell(at time.Time, month time.Month, first, last int) float64 {
	rises := time.Date(at.Year(), month, first-1, 12, 0, 0, 0, at.Location())
	falls := time.Date(at.Year(), month, last+1, 0, 0, 0, 0, at.Location())
	return max(0, min(1, at.Sub(rises).Hours()/24, 1-at.Sub(falls).Hours()/24))
}
