package trial

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"
)

// Goal is one of the goals, and whether it was reached.
type Goal struct {
	Text    string `json:"goal"`
	Figure  string `json:"figure"`
	Reached bool   `json:"reached"`
}

// The goals.
const (
	falseAlarmsPerYear = 2.0
	fewerThanBare      = 10.0
)

// Goals holds the result against the goals.
func (r *Result) Goals() []Goal {
	d, bare := r.Players[playerDewline], r.Players[playerBare]
	critical := d.Sum(Clear, true)
	missed := critical.Missed
	falsely := r.perYear(d.Phone.False())
	fewer := float64(bare.Phone.All()) / float64(max(d.Phone.All(), 1))
	return []Goal{
		{
			"no missed stay beyond a critical limit longer than its allowed time while a sensor lives",
			fmt.Sprintf("%d of %d missed", missed, critical.Found+missed), missed == 0,
		},
		{"at most two false alarms per room-year", fmt.Sprintf("%.2f", falsely), falsely <= falseAlarmsPerYear},
		{"at least ten times fewer notifications than the bare threshold", fmt.Sprintf("%.0f times", fewer), fewer >= fewerThanBare},
	}
}

// Reached reports whether all goals were reached.
func (r *Result) Reached() bool {
	return !slices.ContainsFunc(r.Goals(), func(g Goal) bool { return !g.Reached })
}

// NothingCriticalMissed reports whether the first goal was reached.
func (r *Result) NothingCriticalMissed() bool {
	return r.Players[playerDewline].Sum(Clear, true).Missed == 0
}

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
		row("no power at the board "+limits, func(_ int, t *Tally) string { return stays(t.Sum(Powerless, critical)) })
	}
	row("stays without a living sensor of whose fault the keeper was notified", func(i int, t *Tally) string { return onlyDewline(i, fmt.Sprint(t.BlindNotified)) })
	row("**false alarms per room-year**", func(_ int, t *Tally) string { return rate(t.Phone.False()) })
	row("– of limits", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[False]) })
	row("– of sensors that had no fault", func(i int, t *Tally) string { return onlyDewline(i, rate(t.Phone.Verdicts[FaultFalse])) })
	row("too close to call, per room-year", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[TooClose]) })
	row("true alarms of limits, per room-year", func(_ int, t *Tally) string { return rate(t.Phone.Verdicts[True]) })
	row("true alarms of sensors, per room-year", func(i int, t *Tally) string { return onlyDewline(i, rate(t.Phone.Verdicts[FaultTrue])) })
	row("repeated until acknowledged, per room-year", func(i int, t *Tally) string { return onlyDewline(i, rate(t.Phone.Again)) })
	row("notices that it is over, per room-year", func(i int, t *Tally) string { return onlyDewline(i, rate(t.Phone.Over)) })
	row("summaries of floods, and advice on alarms that chatter, per room-year", func(i int, t *Tally) string {
		return onlyDewline(i, rate(t.Phone.Digests+t.Phone.Advice))
	})
	row("**all notifications per room-year**", func(_ int, t *Tally) string { return rate(t.Phone.All()) })
	row("notices that wake no one, per room-year: true · too close · false", func(i int, t *Tally) string {
		v := &t.Notices.Verdicts
		return onlyDewline(i, fmt.Sprintf("%s · %s · %s", rate(v[True]+v[FaultTrue]), rate(v[TooClose]), rate(v[False]+v[FaultFalse])))
	})
	row("alarms held back by design, rightly · wrongly", func(i int, t *Tally) string {
		return onlyDewline(i, fmt.Sprintf("%d · %d", t.Suppressed.Rightly, t.Suppressed.Wrongly))
	})
	return rows
}

// delays returns median, 95th percentile and longest delay in minutes, from the true crossing or beyond the allowed time.
func (t *Tally) delays(critical, beyond bool) string {
	var all []int
	for g, delays := range t.Delays {
		if g.Critical != critical {
			continue
		}
		for minutes, n := range delays {
			if beyond {
				minutes = max(minutes-int(g.Allowed/time.Minute), 0)
			}
			for range n {
				all = append(all, minutes)
			}
		}
	}
	if len(all) == 0 {
		return "–"
	}
	slices.Sort(all)
	return fmt.Sprintf("%d, %d, %d", all[len(all)/2], all[len(all)*95/100], all[len(all)-1])
}

// WriteText writes the table for a terminal, which is a table of Markdown as well.
func (r *Result) WriteText(w io.Writer) error {
	rows := r.Rows()
	rows = slices.Insert(rows, 0, append([]string{fmt.Sprintf("%d room-years, seed %d", r.RoomYears, r.Seed)}, PlayerNames[:]...))
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
		mark := "reached"
		if !g.Reached {
			mark = "MISSED"
		}
		fmt.Fprintf(&text, "%s: %s (%s)\n", mark, g.Text, g.Figure)
	}
	causes := r.Players[playerDewline].Causes
	for _, cause := range slices.SortedFunc(maps.Keys(causes), func(a, b string) int {
		return cmp.Or(cmp.Compare(causes[b], causes[a]), strings.Compare(a, b))
	}) {
		fmt.Fprintf(&text, "false alarms of dewline: %d × %s\n", causes[cause], cause)
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

// WriteJSON writes the same as one object.
func (r *Result) WriteJSON(w io.Writer) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	return encoder.Encode(struct {
		RoomYears int        `json:"room_years"`
		Seed      uint64     `json:"seed"`
		Faults    []Fault    `json:"faults"`
		Players   []string   `json:"players"`
		Table     [][]string `json:"table"`
		Goals     []Goal     `json:"goals"`
		Misses    []Miss     `json:"misses"`

		FalseAlarms map[string]int `json:"false_alarms_by_cause"` // of dewline
	}{r.RoomYears, r.Seed, r.Faults, PlayerNames[:], r.Rows(), r.Goals(), append([]Miss{}, r.Misses...), r.Players[playerDewline].Causes})
}
