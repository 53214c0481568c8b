package trial

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"
)

func (r *Result) perYear(n int) float64 { return float64(n) / float64(max(r.RoomYears, 1)) }

// groups returns all groups in the order of the table.
func (r *Result) groups() []Group {
	all := map[Group]bool{}
	for _, p := range r.Players {
		for g := range p.Stays {
			all[g] = true
		}
	}
	order := []string{"larva", "metamorph", "juvenile", "adult", "enclosure", "room"}
	return slices.SortedFunc(maps.Keys(all), func(a, b Group) int {
		return cmp.Or(-compareBool(a.Critical, b.Critical), cmp.Compare(slices.Index(order, a.Band), slices.Index(order, b.Band)),
			strings.Compare(a.Quantity, b.Quantity), cmp.Compare(a.Allowed, b.Allowed))
	})
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// String returns the group as a row of the table names it.
func (g Group) String() string {
	limit := "band"
	if g.Critical {
		limit = "critical"
	}
	owner := map[string]string{"room": "the room's own", "enclosure": "planted vivarium's own"}
	return fmt.Sprintf("%s, %s, %s, %d min", cmp.Or(owner[g.Band], g.Band), strings.ReplaceAll(g.Quantity, "-", " "), limit, int(g.Allowed.Minutes()))
}

// Rows returns the table: a title and a cell for each player.
func (r *Result) Rows() [][]string {
	var rows [][]string
	row := func(title string, cell func(player int, t *Tally) string) {
		line := []string{title}
		for i, t := range r.Players {
			line = append(line, cell(i, t))
		}
		rows = append(rows, line)
	}
	rate := func(n int) string { return fmt.Sprintf("%.2f", r.perYear(n)) }
	stays := func(s Stays) string { return fmt.Sprintf("%d · %d", s.Found, s.Missed) }
	onlyDewline := func(player int, text string) string {
		if player != playerDewline {
			return "–"
		}
		return text
	}
	row("– true ones with an interval for the crossing, those in it, median length in minutes", func(i int, t *Tally) string {
		length := "–"
		if spans := slices.Sorted(slices.Values(t.Spans)); len(spans) > 0 {
			length = fmt.Sprint(spans[len(spans)/2])
		}
		return onlyDewline(i, fmt.Sprintf("%d, %d, %s", t.Timed, t.InTime, length))
	})
	for _, critical := range []bool{true, false} {
		limits := "beyond the band"
		if critical {
			limits = "beyond a critical limit"
		}
		row("stays "+limits+", found · missed", func(_ int, t *Tally) string { return stays(t.Sum(Clear, critical)) })
		for _, g := range r.groups() {
			if g.Critical == critical {
				row("– "+g.String(), func(_ int, t *Tally) string { return stays(t.stays(g)[Clear]) })
			}
		}
		row("– minutes from truth to notification: median, 95 %, longest", func(_ int, t *Tally) string { return t.delays(critical, false) })
		row("– the same beyond the allowed time", func(_ int, t *Tally) string { return t.delays(critical, true) })
		row("too close to call "+limits, func(_ int, t *Tally) string { return stays(t.Sum(Close, critical)) })
		row("no living sensor "+limits, func(_ int, t *Tally) string { return stays(t.Sum(Blind, critical)) })
		row("the keeper could not be reached "+limits, func(_ int, t *Tally) string { return stays(t.Sum(Unheard, critical)) })
		row("no power at the board "+limits, func(_ int, t *Tally) string { return stays(t.Sum(Powerless, critical)) })
	}
	row("stays without a living sensor of whose fault the keeper was notified", func(i int, t *Tally) string { return onlyDewline(i, fmt.Sprint(t.BlindNotified)) })
	row("stays without power at the board of whose silence the keeper was notified", func(i int, t *Tally) string { return onlyDewline(i, fmt.Sprint(t.DarkNotified)) })
	row("board or uplink silent for more than half an hour, heard of · not", func(i int, t *Tally) string {
		if i != playerDewline && i != playerGrouped {
			return "–"
		}
		return stays(t.Silences)
	})
	row("**false alarms per room-year**, and in the worst one", func(i int, t *Tally) string {
		return fmt.Sprintf("%s, %d", rate(t.Phone.False()), r.worst(i, func(y Year) int { return y.False }))
	})
	row("– of limits", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[False]) })
	row("– of sensors that had no fault", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[FaultFalse]) })
	row("too close to call, per room-year", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[TooClose]) })
	row("true alarms of limits, per room-year", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[True]) })
	row("true alarms of sensors, per room-year", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[FaultTrue]) })
	row("repeated until acknowledged, per room-year", func(_ int, t *Tally) string { return rate(t.Phone.Again) })
	row("that it is over, per room-year", func(_ int, t *Tally) string { return rate(t.Phone.Over) })
	row("summaries of floods, and advice on alarms that come again and again, per room-year", func(_ int, t *Tally) string {
		return rate(t.Phone.Digests + t.Phone.Advice)
	})
	row("heartbeat missed, per room-year", func(_ int, t *Tally) string { return rate(t.Heartbeats) })
	row("**all audible messages per room-year**, and in the worst one", func(i int, t *Tally) string {
		return fmt.Sprintf("%s, %d", rate(t.Audible()), r.worst(i, func(y Year) int { return y.Audible }))
	})
	row("– on one sensor in one week, at most", func(i int, t *Tally) string { return onlyDewline(i, fmt.Sprint(t.FaultWeek)) })
	row("messages that make no sound, per room-year: true · too close · false", func(_ int, t *Tally) string {
		v := &t.Notices.Verdicts
		return fmt.Sprintf("%s · %s · %s", rate(v[True]+v[FaultTrue]), rate(v[TooClose]), rate(v[False]+v[FaultFalse]))
	})
	row("– repeated, or that it is over", func(_ int, t *Tally) string { return rate(t.Notices.All() - t.Notices.Calls()) })
	row("**all messages per room-year**", func(_ int, t *Tally) string { return rate(t.Audible() + t.Notices.All()) })
	row("forecasts per room-year: true · too close · false", func(i int, t *Tally) string {
		return onlyDewline(i, fmt.Sprintf("%s · %s · %s", rate(t.Forecasts[True]), rate(t.Forecasts[TooClose]), rate(t.Forecasts[False])))
	})
	for _, critical := range []bool{true, false} {
		limits := "beyond the band"
		if critical {
			limits = "beyond a critical limit"
		}
		row("– stays "+limits+" foreseen · not, median minutes ahead", func(i int, t *Tally) string {
			ahead := "–"
			if leads := slices.Sorted(slices.Values(t.Leads[critical])); len(leads) > 0 {
				ahead = fmt.Sprint(leads[len(leads)/2])
			}
			return onlyDewline(i, stays(*t.Foreseen[critical])+", "+ahead)
		})
		row("– of those that could be foreseen", func(i int, t *Tally) string { return onlyDewline(i, stays(*t.Foreseeable[critical])) })
	}
	row("alarms held back by design, rightly · wrongly", func(i int, t *Tally) string {
		return onlyDewline(i, fmt.Sprintf("%d · %d", t.Suppressed.Rightly, t.Suppressed.Wrongly))
	})
	return rows
}

// worst returns the highest figure that a player has in one room-year.
func (r *Result) worst(player int, of func(Year) int) (most int) {
	for i := range r.Years {
		most = max(most, of(r.Years[i][player]))
	}
	return most
}

// Spread is the median, the 95th percentile and the longest of some delays, in minutes.
type Spread struct {
	Median  int `json:"median"`
	P95     int `json:"p95"`
	Longest int `json:"longest"`
}

// spread returns the delays of stays, from the crossing or beyond the allowed time; false where there are none.
func (t *Tally) spread(critical, beyond bool) (Spread, bool) {
	var all []int
	for _, d := range t.Delays[critical] {
		minutes := d.Minutes
		if beyond {
			minutes = max(minutes-d.Allowed, 0)
		}
		all = append(all, minutes)
	}
	if len(all) == 0 {
		return Spread{}, false
	}
	slices.Sort(all)
	return Spread{all[len(all)/2], all[len(all)*95/100], all[len(all)-1]}, true
}

func (t *Tally) delays(critical, beyond bool) string {
	s, ok := t.spread(critical, beyond)
	if !ok {
		return "–"
	}
	return fmt.Sprintf("%d, %d, %d", s.Median, s.P95, s.Longest)
}

// WriteText writes the table for a terminal, which is a table of Markdown as well.
func (r *Result) WriteText(w io.Writer) error {
	rows := r.Rows()
	title := []string{fmt.Sprintf("%d room-years, seed %d, %s, keeper %s", r.RoomYears, r.Seed, r.World, r.Keeper)}
	for _, name := range PlayerNames {
		title = append(title, strings.ReplaceAll(name, "-", " "))
	}
	rows = slices.Insert(rows, 0, title)
	width := make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			width[i] = max(width[i], len([]rune(cell)))
		}
	}
	var text strings.Builder
	for i, row := range rows {
		for k, cell := range row {
			fmt.Fprintf(&text, "| %s%s ", cell, strings.Repeat(" ", width[k]-len([]rune(cell))))
		}
		text.WriteString("|\n")
		if i == 0 {
			for k := range row {
				text.WriteString("|" + strings.Repeat("-", width[k]+2))
			}
			text.WriteString("|\n")
		}
	}
	text.WriteString("\n")
	for _, g := range r.Goals() {
		mark := "met"
		if !g.Met {
			mark = "MISSED"
		}
		fmt.Fprintf(&text, "%s: %s: %.4g (%s)\n", mark, g.Name, g.Figure, g.Text)
	}
	causes := r.Players[playerDewline].Causes
	for _, cause := range slices.SortedFunc(maps.Keys(causes), func(a, b string) int {
		return cmp.Or(cmp.Compare(causes[b], causes[a]), strings.Compare(a, b))
	}) {
		fmt.Fprintf(&text, "false alarms of dewline: %d × %s\n", causes[cause], cause)
	}
	sounds := r.Players[playerDewline].Sounds
	for _, cause := range slices.Sorted(maps.Keys(sounds)) {
		fmt.Fprintf(&text, "audible messages of dewline: %d × %s\n", sounds[cause], cause)
	}
	const maxRows = 20
	misses := slices.Clone(r.Misses)
	slices.SortStableFunc(misses, func(a, b Miss) int { return -compareBool(a.Group.Critical, b.Group.Critical) }) // none of those is left out
	for i, m := range misses {
		if i >= maxRows && !m.Group.Critical {
			fmt.Fprintf(&text, "and %d more\n", len(misses)-i)
			break
		}
		readings := ""
		if !m.Shown {
			readings = ", in no reading"
		}
		fmt.Fprintf(&text, "missed in room-year %d: %s/%s from %s for %s (%s%s)\n", m.Year, m.Point, m.Limit, m.From.Format(time.RFC3339), m.To.Sub(m.From), m.Group, readings)
	}
	_, err := io.WriteString(w, text.String())
	return err
}
