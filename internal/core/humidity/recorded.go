// Package humidity composes what a keeper looks at before a misting schedule is changed: the days of an enclosure, the day folded from them,
// how often it was outside its band, how the nights were, and what another schedule would bring. It is pure.
package humidity

import (
	"cmp"
	"slices"
	"strings"

	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/misting"
)

// Recorded returns the mistings of a place that are on record in [from, to), in the order of their times. Entries that others have corrected
// do not count. Lengths are in units of the usual one, which is their median.
func Recorded(entries []*journal.Entry, place string, from, to instant.Instant) []misting.Misting {
	holds := map[string]bool{}
	for _, e := range cohort.InForce(cohort.Read(entries)) {
		holds[e.ID] = true
	}
	var all []misting.Misting
	for _, e := range entries {
		if e.Kind == journal.Misting && e.Place == place && e.At >= from && e.At < to && holds[e.ID()] {
			all = append(all, misting.Misting{At: e.At, Dose: lengthOf(e)})
		}
	}
	unitDoses(all)
	return all
}

// lengthOf returns the length of a misting on record in s; 0 where it has none.
func lengthOf(e *journal.Entry) float64 {
	if e.Until == nil || *e.Until <= e.At {
		return 0
	}
	return e.Until.Sub(e.At).Seconds()
}

func unitDoses(mistings []misting.Misting) {
	slices.SortStableFunc(mistings, func(a, b misting.Misting) int { return cmp.Compare(a.At, b.At) })
	var lengths []float64
	for _, m := range mistings {
		if m.Dose > 0 {
			lengths = append(lengths, m.Dose)
		}
	}
	if len(lengths) == 0 {
		return
	}
	slices.Sort(lengths)
	usual := lengths[len(lengths)/2]
	for i := range mistings {
		if mistings[i].Dose > 0 {
			mistings[i].Dose = min(max(mistings[i].Dose/usual, 0.05), 20)
		}
	}
}

// Change is a mark that the misting schedule was changed.
type Change struct {
	At   instant.Instant
	Text string
}

// changeWords begin the note that marks a change: "schedule changed", with or without what it was changed to.
const changeWords = "schedule changed"

// Changes returns the notes at a place that mark a change of its misting schedule, in the order of their times.
func Changes(entries []*journal.Entry, place string) (all []Change) {
	for _, e := range entries {
		if e.Kind != journal.Note || e.Place != place || !strings.HasPrefix(strings.ToLower(e.Text), changeWords) {
			continue
		}
		at := e.At
		if e.Since != nil {
			at = *e.Since
		}
		all = append(all, Change{at, e.Text})
	}
	slices.SortStableFunc(all, func(a, b Change) int { return cmp.Compare(a.At, b.At) })
	return all
}
