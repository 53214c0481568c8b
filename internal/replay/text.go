package replay

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/internal/instant"
	"dewline/internal/quantity"
	"dewline/internal/watch"
)

// Print writes a result for people, in the keeper's unit of temperature and the site's local time.
func Print(w io.Writer, r *Result, temperature quantity.Unit, location *time.Location) error {
	at := func(i instant.Instant) string { return i.Time().In(location).Format("2006-01-02 15:04:05 MST") }
	fmt.Fprintf(w, "%s, %s to %s\n", r.Site, at(r.From), at(r.To))
	for i := range r.Points {
		p := &r.Points[i]
		fmt.Fprintf(w, "\n%s\n", p.Point)
		table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, zone := range watch.Zones() {
			if ms := p.Seconds[zone]; ms > 0 {
				fmt.Fprintf(table, "  %s\t%s\t%5.1f %%\n", zone, duration(ms), 100*float64(ms)/float64(max(1, total(p))))
			}
		}
		if err := table.Flush(); err != nil {
			return err
		}
		value := func(n *Number) string { return shown(p.Point.Quantity, float64(*n), temperature) }
		if p.Mean != nil {
			fmt.Fprintf(w, "  min %s, mean %s, max %s\n", value(p.Min), value(p.Mean), value(p.Max))
		}
		for _, e := range p.Excursions {
			unknown := ""
			if e.UnknownS > 0 {
				unknown = fmt.Sprintf(", of which %s not observed", time.Duration(e.UnknownS).Round(time.Second))
			}
			fmt.Fprintf(w, "  %s of the band from %s for %s, up to %s%s\n", sideInWords(e.Side), at(e.From),
				e.To.Sub(e.From).Round(time.Second), value(&e.Extreme), unknown)
		}
	}
	fmt.Fprintln(w, "\nAlarms")
	if len(r.Alarms) == 0 {
		fmt.Fprintln(w, "  none")
	}
	for _, a := range r.Alarms {
		end := "still active"
		if !a.Cleared.IsNone() {
			end = "cleared " + at(a.Cleared)
		}
		covered := ""
		if a.SuppressedBy != "" {
			covered = ", covered by " + a.SuppressedBy
		}
		fmt.Fprintf(w, "  %-8s %s: since %s, raised %s, %s%s\n", a.Priority, a.Alarm, at(a.Since), at(a.Raised), end, covered)
	}
	return nil
}

func total(p *PointReport) (ms int64) {
	for _, z := range p.Seconds {
		ms += z
	}
	return ms
}

func duration(ms int64) string {
	return (time.Duration(ms) * time.Millisecond).Round(time.Second).String()
}

func sideInWords(side string) string {
	return map[string]string{"high": "above the top", "low": "below the bottom"}[side]
}

// shown prints a value as the keeper reads it.
func shown(q quantity.Quantity, canonical float64, temperature quantity.Unit) string {
	return strings.TrimSpace(q.Keeper(temperature).Print(canonical, q.Decimals()))
}
