// Package schedule has the times at which a mister is set to mist.
package schedule

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/instant"
)

// Slot is a misting of every day: a local time of day in minutes after midnight, and its length in units of the usual one.
type Slot struct {
	Minute int
	Dose   float64
}

// Misting is a burst at a time. Dose is its length in units of the usual one; 0 counts as 1.
type Misting struct {
	At   instant.Instant
	Dose float64
}

// Schedule is what a mister is set to, in the order of the times.
type Schedule []Slot

const (
	maxSlots = 48
	maxDose  = 20
)

// Parse reads "07:30x1,18:30x0.5": local times of day, each with an optional length in units of the usual misting. The empty
// text is a mister that is off.
func Parse(text string) (Schedule, error) {
	schedule := Schedule{}
	if strings.TrimSpace(text) == "" {
		return schedule, nil
	}
	for _, part := range strings.Split(text, ",") {
		part = strings.TrimSpace(part)
		clock, dose, given := strings.Cut(part, "x")
		slot := Slot{Dose: 1}
		hour, minutes, ok := strings.Cut(strings.TrimSpace(clock), ":")
		h, errH := strconv.ParseUint(hour, 10, 8)
		m, errM := strconv.ParseUint(minutes, 10, 8)
		if !ok || errH != nil || errM != nil || len(minutes) != 2 || h > 23 || m > 59 {
			return nil, fmt.Errorf("misting time %q is not a time of day such as 07:30, or 07:30x0.5 for half the usual length", part)
		}
		slot.Minute = int(h*60 + m)
		if given {
			v, err := strconv.ParseFloat(strings.TrimSpace(dose), 64)
			if err != nil || !(v > 0 && v <= maxDose) {
				return nil, fmt.Errorf("length %q in %q is not a number above 0 and up to %d, in units of the usual misting", dose, part, maxDose)
			}
			slot.Dose = v
		}
		schedule = append(schedule, slot)
	}
	if len(schedule) > maxSlots {
		return nil, fmt.Errorf("%d mistings a day are more than %d", len(schedule), maxSlots)
	}
	slices.SortStableFunc(schedule, func(a, b Slot) int { return a.Minute - b.Minute })
	for i := 1; i < len(schedule); i++ {
		if schedule[i].Minute == schedule[i-1].Minute {
			return nil, fmt.Errorf("misting time %s is given twice", schedule[i].clock())
		}
	}
	return schedule, nil
}

func (s Slot) clock() string { return fmt.Sprintf("%02d:%02d", s.Minute/60, s.Minute%60) }

// String writes the schedule as [Parse] reads it.
func (s Schedule) String() string {
	var b strings.Builder
	for i, slot := range s {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(slot.clock())
		if slot.Dose != 1 {
			fmt.Fprintf(&b, "x%s", strconv.FormatFloat(slot.Dose, 'g', -1, 64))
		}
	}
	return b.String()
}

// Water returns the water of a day in usual mistings.
func (s Schedule) Water() float64 {
	sum := 0.0
	for _, slot := range s {
		sum += slot.Dose
	}
	return sum
}

// Over lays the schedule over [from, to) in local time. A time that the clock skips happens at the skip, and one that it shows twice
// at the first of the two, so that each slot happens exactly once on each local date.
func (s Schedule) Over(from, to instant.Instant, location *time.Location) []Misting {
	var all []Misting
	if len(s) == 0 || to <= from {
		return all
	}
	year, month, day := from.Time().In(location).Date()
	for d := -1; ; d++ {
		if instant.Of(time.Date(year, month, day+d, 0, 0, 0, 0, time.UTC)) > to.Add(48*time.Hour) {
			break
		}
		for _, slot := range s {
			if at := instant.Of(instant.OnClock(year, month, day+d, slot.Minute, location)); at >= from && at < to {
				all = append(all, Misting{at, slot.Dose})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Misting) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	return all
}
