package replay

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
)

// Print writes a result for people, in the keeper's unit of temperature and the site's local time.
func Print(w io.Writer, r *Result, temperature quantity.Unit, location *time.Location) error {
	p := printer{bufio.NewWriter(w), temperature, location}
	fmt.Fprintf(p, "%s, %s to %s\n", r.Site, p.at(r.From), p.at(r.To))
	for i := range r.Points {
		p.point(&r.Points[i])
	}
	fmt.Fprintln(p, "\nAlarms")
	if len(r.Alarms) == 0 {
		fmt.Fprintln(p, "  none")
	}
	for i := range r.Alarms {
		p.alarm(&r.Alarms[i])
	}
	return p.Flush()
}

// printer keeps the first error of its writer and returns it from flush.
type printer struct {
	*bufio.Writer
	temperature quantity.Unit
	location    *time.Location
}

func (p printer) at(i instant.Instant) string {
	return i.Time().In(p.location).Format("2006-01-02 15:04:05 MST")
}

func (p printer) point(r *PointReport) {
	fmt.Fprintf(p, "\n%s\n", r.Point)
	var elapsed int64
	for _, ms := range r.Seconds {
		elapsed += ms
	}
	table := tabwriter.NewWriter(p, 0, 0, 2, ' ', 0)
	for _, zone := range watch.Zones() {
		if ms := r.Seconds[zone]; ms > 0 {
			length := (time.Duration(ms) * time.Millisecond).Round(time.Second)
			fmt.Fprintf(table, "  %s\t%s\t%5.1f %%\n", zone, length, 100*float64(ms)/float64(elapsed))
		}
	}
	_ = table.Flush() // the writer below keeps the error
	value := func(n exposure.Number) string { return p.shown(r.Point.Quantity, float64(n)) }
	switch {
	case r.Mean != nil && r.Min != nil:
		fmt.Fprintf(p, "  min %s, mean %s, max %s\n", value(*r.Min), value(*r.Mean), value(*r.Max))
	case r.Mean != nil: // a range that lies between two readings
		fmt.Fprintf(p, "  mean %s, no reading in the range\n", value(*r.Mean))
	case r.Min != nil: // readings too far apart to be joined
		fmt.Fprintf(p, "  min %s, max %s\n", value(*r.Min), value(*r.Max))
	}
	for _, e := range r.Excursions {
		words := "above the band from %s for %s, up to %s"
		if e.Side == watch.BelowBand.String() {
			words = "below the band from %s for %s, down to %s"
		}
		fmt.Fprintf(p, "  "+words, p.at(e.From), e.To.Sub(e.From).Round(time.Second), value(e.Extreme))
		if e.UnknownS > 0 {
			fmt.Fprintf(p, ", of which %s not observed", time.Duration(e.UnknownS).Round(time.Second))
		}
		fmt.Fprintln(p)
	}
}

func (p printer) alarm(a *AlarmReport) {
	end := "still active"
	if !a.Cleared.IsNone() {
		end = "cleared " + p.at(a.Cleared)
	}
	covered := ""
	if a.SuppressedBy != "" {
		covered = ", covered by " + a.SuppressedBy
	}
	fmt.Fprintf(p, "  %-8s %s: since %s, raised %s, %s%s\n", a.Priority, a.Alarm, p.at(a.Since), p.at(a.Raised), end, covered)
}

// shown prints a value as the keeper reads it.
func (p printer) shown(q quantity.Quantity, canonical float64) string {
	return q.Keeper(p.temperature).Print(canonical, q.Decimals())
}

// short writes a duration without the zero units that [time.Duration] prints.
func short(d time.Duration) string {
	text := d.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}
