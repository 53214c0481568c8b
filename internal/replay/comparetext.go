package replay

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"text/tabwriter"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
)

// maxListed is how many alarms of a kind the text lists; the JSON has all.
const maxListed = 20

// PrintComparison writes a comparison for people, in the keeper's unit of temperature and the site's local time.
func PrintComparison(w io.Writer, c *Comparison, temperature quantity.Unit, location *time.Location) error {
	p := printer{bufio.NewWriter(w), temperature, location}
	fmt.Fprintf(p, "%s, %s to %s: the same readings under two configurations\n", c.Site, p.at(c.From), p.at(c.To))
	fmt.Fprintf(p, "  in force  %s\n  tried     %s\n\n", c.InForce.Config, c.Tried.Config)
	p.totals(c)
	p.points(c)
	p.alarms("Alarms that would not have come", c, func(a *AlarmComparison) bool { return a.Tried == nil })
	p.alarms("Alarms that would have come besides", c, func(a *AlarmComparison) bool { return a.InForce == nil })
	p.alarms("Alarms of both that differ", c, func(a *AlarmComparison) bool { return a.InForce != nil && a.Tried != nil && !a.Same })
	fmt.Fprint(p, "\nNothing was sent and nothing changed. A comparison knows no one who acknowledges or silences an alarm, so that messages repeat as if\n"+
		"none had been read, and it knows what the history has recorded: not what a lid, a lamp or a mister would have done otherwise.\n")
	return p.Flush()
}

func (p printer) totals(c *Comparison) {
	table := tabwriter.NewWriter(p, 0, 0, 3, ' ', 0)
	row := func(name string, a, b any) { fmt.Fprintf(table, "%s\t%v\t%v\n", name, a, b) }
	row("", "in force", "tried")
	row("alarms", c.InForce.Alarms, c.Tried.Alarms)
	for priority := care.CriticalPriority; priority >= care.LowPriority; priority-- {
		name := priority.String()
		if a, b := c.InForce.ByPriority[name], c.Tried.ByPriority[name]; a+b > 0 {
			row("  "+name, a, b)
		}
	}
	row("time outside the bands, all points", spent(c.InForce.OutsideS), spent(c.Tried.OutsideS))
	notifiers := func(of func(*SideReport) map[string]int) []string {
		return slices.Compact(slices.Sorted(func(yield func(string) bool) {
			for name := range maps.Keys(of(&c.InForce)) {
				if !yield(name) {
					return
				}
			}
			for name := range maps.Keys(of(&c.Tried)) {
				if !yield(name) {
					return
				}
			}
		}))
	}
	heard := func(s *SideReport) map[string]int { return s.Heard }
	silent := func(s *SideReport) map[string]int { return s.Silent }
	for _, name := range notifiers(heard) {
		row("messages by "+name, c.InForce.Heard[name], c.Tried.Heard[name])
	}
	for _, name := range notifiers(silent) {
		row("silent updates by "+name, c.InForce.Silent[name], c.Tried.Silent[name])
	}
	_ = table.Flush() // the writer below keeps the error
}

// spent writes a length as hours and minutes.
func spent(s exposure.Seconds) string {
	minutes := int(time.Duration(s).Round(time.Minute).Minutes())
	if minutes < 60 {
		return fmt.Sprintf("%d min", minutes)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

func (p printer) points(c *Comparison) {
	same := 0
	for i := range c.Points {
		if c.Points[i].Same {
			same++
			continue
		}
		p.comparedPoint(&c.Points[i])
	}
	if same > 0 {
		fmt.Fprintf(p, "\n%d of %d points are the same under both.\n", same, len(c.Points))
	}
}

func (p printer) comparedPoint(c *PointComparison) {
	fmt.Fprintf(p, "\n%s\n", c.Point)
	table := tabwriter.NewWriter(p, 0, 0, 3, ' ', 0)
	row := func(name string, a, b string) { fmt.Fprintf(table, "  %s\t%s\t%s\n", name, a, b) }
	row("", "in force", "tried")
	for _, zone := range watch.Zones() {
		if a, b := c.InForce.Seconds[zone], c.Tried.Seconds[zone]; a != b {
			row(zone.String(), spent(exposure.Milliseconds(a)), spent(exposure.Milliseconds(b)))
		}
	}
	unit := "%·h"
	scale := 1.0
	if c.Point.Quantity.IsTemperature() {
		unit = "°C·h"
		if p.temperature == quantity.Fahrenheit {
			unit, scale = "°F·h", 1.8
		}
	} else if c.Point.Quantity != quantity.RelativeHumidity {
		unit = cmp.Or(c.Point.Quantity.Keeper(p.temperature).Shown(), "") + "·h"
	}
	hours := func(n exposure.Number) string { return fmt.Sprintf("%.1f %s", scale*float64(n), unit) }
	if c.InForce.DegreeHoursBelow != c.Tried.DegreeHoursBelow {
		row("below the band, summed", hours(c.InForce.DegreeHoursBelow), hours(c.Tried.DegreeHoursBelow))
	}
	if c.InForce.DegreeHoursAbove != c.Tried.DegreeHoursAbove {
		row("above the band, summed", hours(c.InForce.DegreeHoursAbove), hours(c.Tried.DegreeHoursAbove))
	}
	row("longest time outside", spent(c.InForce.LongestExcursionS), spent(c.Tried.LongestExcursionS))
	row("alarms", fmt.Sprint(c.Alarms[0]), fmt.Sprint(c.Alarms[1]))
	_ = table.Flush()
}

func (p printer) alarms(title string, c *Comparison, want func(*AlarmComparison) bool) {
	n := 0
	for i := range c.Alarms {
		a := &c.Alarms[i]
		if !want(a) {
			continue
		}
		if n++; n == 1 {
			fmt.Fprintf(p, "\n%s\n", title)
		}
		switch {
		case n > maxListed:
		case a.Tried == nil:
			p.alarm(a.InForce)
		case a.InForce == nil:
			p.alarm(a.Tried)
		default:
			fmt.Fprint(p, "  in force  ")
			p.alarm(a.InForce)
			fmt.Fprint(p, "  tried     ")
			p.alarm(a.Tried)
		}
	}
	if n > maxListed {
		fmt.Fprintf(p, "  … and %d more, which --json lists\n", n-maxListed)
	}
}
