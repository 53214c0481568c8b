package report

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"

	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
)

// ExposureCSV writes one line for each point and local day, in the units of the JSON form. The window of the mean kinetic
// temperature is that of its line.
func ExposureCSV(w io.Writer, e *Exposure) error {
	out := csv.NewWriter(w)
	head := []string{"site", "point", "day", "from", "to", "unit", "elapsed_s"}
	for _, z := range watch.Zones() {
		head = append(head, strings.ReplaceAll(z.String(), "-", "_")+"_s")
	}
	head = append(head, "coverage", "outside_s", "excursions", "longest_excursion_s", "degree_hours_above", "degree_hours_below",
		"min", "mean", "max", "mean_kinetic_of_line")
	records := [][]string{head}
	for i := range e.Points {
		p := &e.Points[i]
		for k := range p.Days {
			d := &p.Days[k]
			line := []string{e.Site, p.Point.String(), d.Day, d.From.String(), d.To.String(), p.Unit, plain(d.ElapsedS)}
			for _, ms := range d.Seconds {
				line = append(line, plain(exposure.Milliseconds(ms)))
			}
			var mkt *exposure.Number
			if d.MeanKinetic != nil {
				mkt = &d.MeanKinetic.Value
			}
			line = append(line, optional(d.Coverage), plain(d.OutsideS), strconv.FormatInt(d.Excursions, 10), plain(d.LongestExcursionS),
				plain(d.DegreeHoursAbove), plain(d.DegreeHoursBelow), optional(d.Min), optional(d.Mean), optional(d.Max), optional(mkt))
			records = append(records, line)
		}
	}
	return out.WriteAll(records)
}

// PerformanceCSV writes one line for each figure.
func PerformanceCSV(w io.Writer, p *Performance) error {
	out := csv.NewWriter(w)
	records := [][]string{{"site", "from", "to", "days", "name", "title", "value", "unit", "target", "source", "verdict"}}
	for _, f := range p.Figures {
		records = append(records, []string{
			p.Site, p.From.String(), p.To.String(), plain(p.Days), f.Name, f.Title, optional(f.Value), f.Unit, f.Target, f.Source, f.Verdict,
		})
	}
	return out.WriteAll(records)
}

// plain writes a number as JSON does.
func plain(v interface{ MarshalJSON() ([]byte, error) }) string {
	text, err := v.MarshalJSON()
	if err != nil {
		return ""
	}
	return string(text)
}

func optional(v *exposure.Number) string {
	if v == nil {
		return ""
	}
	return plain(*v)
}
