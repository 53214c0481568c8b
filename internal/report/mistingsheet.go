package report

import (
	"cmp"
	"fmt"
	"math"
	"time"

	"dewline/internal/core/misting"
	"dewline/internal/format/drying"
	"dewline/internal/format/exposure"
)

// notices are what a person should hear of.
func (m *Misting) notices(w Words, r *misting.Recording) []string {
	var all []string
	for i := range m.Events {
		e := &m.Events[i]
		switch {
		case e.Missed && e.Scheduled:
			all = append(all, fmt.Sprintf("%s: a misting was due, and the humidity did not rise. Look at the mister, its tank and its nozzle.", w.at(e.At)))
		case e.Missed:
			all = append(all, fmt.Sprintf("%s: a misting is on record, and the humidity did not rise.", w.at(e.At)))
		case e.Stuck:
			all = append(all, fmt.Sprintf("%s: the air stayed saturated for %s after the misting. Look whether the mister has stuck on, or the drain is blocked.", w.at(e.At), hours(time.Duration(e.SaturatedS))))
		}
	}
	if len(r.Schedule) == 0 && len(r.Mistings) == 0 {
		all = append(all, "No misting is on record, so they were read from the humidity: one that was missed cannot be seen. Give the place its mistings: in the configuration, or record them.")
	}
	return all
}

func hours(d time.Duration) string {
	minutes := int(d.Round(time.Minute) / time.Minute)
	if minutes < 60 {
		return fmt.Sprintf("%d min", minutes)
	}
	return fmt.Sprintf("%d:%02d h", minutes/60, minutes%60)
}

// Sheet lays the document out.
func (m *Misting) Sheet(w Words) *Sheet {
	s := &Sheet{Title: "Misting of " + m.Title}
	s.Lines = append(s.Lines, w.within(m.From, m.To)+" ("+m.Timezone+")")
	s.Sections = append(s.Sections, m.drySection(), m.scheduleSection(), m.eventSection(w))
	if len(m.Notices) > 0 {
		s.Sections = append(s.Sections, Section{Title: "Look at this", Lines: m.Notices})
	}
	s.Notes = append(s.Notes,
		"Intervals hold in four of five cases if the room behaves as in these days; other weather moves all schedules. "+
			"Hours are as this sensor shows them; its own error comes on top. Dry enough means under 85 %RH, saturated 97 %RH or more.",
		"Change one thing, then watch for three to seven days. "+Caution)
	return s
}

func between(r *drying.Range, decimals int) string {
	if r == nil {
		return "–"
	}
	if r.Low == r.Mid && r.Mid == r.High {
		return fmt.Sprintf("%.*f", decimals, float64(r.Mid))
	}
	return fmt.Sprintf("%.*f (%.*f–%.*f)", decimals, float64(r.Mid), decimals, float64(r.Low), decimals, float64(r.High))
}

func (m *Misting) drySection() Section {
	section := Section{Title: "How it dries"}
	say := func(format string, args ...any) { section.Lines = append(section.Lines, fmt.Sprintf(format, args...)) }
	f := &m.Fit
	if f.TauS != nil {
		minutes := drying.Range{Low: f.TauRange.Low / 60, Mid: f.TauRange.Mid / 60, High: f.TauRange.High / 60}
		say("63 %% of the way to its floor in %s min, and the floor is %s %%RH", between(&minutes, 0), between(f.FloorRange, 0))
	}
	if f.NRange != nil {
		say("air changes with the room: %s an hour", between(f.NRange, 2))
	}
	if f.KappaRange != nil {
		say("evaporation of soil and plants: %s an hour", between(f.KappaRange, 2))
	}
	if f.Refused != "" {
		say("not stated: %s", f.Refused)
	}
	say("from %.1f days and %d doors opened", float64(f.Days), f.Doors)
	switch n := &m.Nights; n.Surface {
	case "measured":
		say("surfaces were at or under the dew point in %d of %d nights", n.Condensation, n.Measured)
	case "guessed":
		say("glass half-way between the air and the room would have been wet in %d of %d nights (no surface is measured)", n.Condensation, n.Measured)
	}
	return section
}

func (m *Misting) scheduleSection() Section {
	section := Section{Title: "Schedules, hours a day"}
	table := Table{Head: []string{"schedule", "below band", "above band", "saturated", "dry enough", "longest dry", "wet nights a week", "water"}}
	row := func(label string, s *drying.Schedule) {
		water := "–"
		if s.RelativeWater != nil {
			water = fmt.Sprintf("%.0f %%", 100*float64(*s.RelativeWater))
		}
		table.Rows = append(table.Rows, []string{
			label, between(s.Below, 1), between(s.Above, 1), between(s.Saturated, 1), between(s.DryEnough, 1), between(s.LongestDry, 1), between(s.WetNights, 1), water,
		})
	}
	for i := range m.Schedules {
		s := &m.Schedules[i]
		label := cmp.Or(s.Times, "none")
		if s.Now {
			label = "now: " + label
		}
		row(label, s)
		if s.Refused != "" {
			section.Lines = append(section.Lines, "no forecast for "+label+": "+s.Refused)
		}
	}
	switch s := m.Suggestion; {
	case s == nil:
	case s.Schedule == nil:
		section.Lines = append(section.Lines, "Searched: "+s.Reason+".")
	default:
		row("suggested: "+s.Schedule.Times, s.Schedule)
		section.Lines = append(section.Lines, "Suggested is "+s.Reason+".")
	}
	section.Tables = append(section.Tables, table)
	return section
}

func (m *Misting) eventSection(w Words) Section {
	table := Table{Head: []string{"time", "peak %RH", "saturated", "dries in", "floor %RH", "100 to 80 %", "below band", ""}}
	duration := func(s *exposure.Seconds) string {
		if s == nil {
			return "–"
		}
		return hours(time.Duration(*s))
	}
	for i := range m.Events {
		e := &m.Events[i]
		remark := "seen"
		switch {
		case e.Missed:
			remark = "missed"
		case e.Hidden:
			remark = "on record, not seen"
		case e.Recorded:
			remark = "on record"
		case e.Scheduled:
			remark = "due, seen"
		}
		if e.Stuck {
			remark += ", stuck"
		}
		peak := bareNumber(e.PeakPctRH)
		if e.PeakHidden {
			peak = "≥" + peak
		}
		table.Rows = append(table.Rows, []string{
			w.at(e.At), peak, hours(time.Duration(e.SaturatedS)), duration(e.TauS), bareNumber(e.FloorPctRH), duration(e.To80S), hours(time.Duration(e.BelowS)), remark,
		})
	}
	section := sectionOf("Mistings", table)
	if len(table.Rows) == 0 {
		section.Lines = append(section.Lines, "none seen")
	}
	return section
}

func bareNumber(v *exposure.Number) string {
	if v == nil || math.IsNaN(float64(*v)) {
		return "–"
	}
	return fmt.Sprintf("%.0f", float64(*v))
}
