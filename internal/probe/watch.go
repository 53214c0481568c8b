package probe

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"dewline/sensors"
)

// Again reads the devices of a result once more, without searching for others.
func (r Result) Again(ctx context.Context, options Options) Result {
	p := newProber(options)
	r.Devices = slices.Clone(r.Devices)
	for i := range r.Devices {
		r.Devices[i].Reading, r.Devices[i].Err = sensors.Measurement{}, nil
	}
	p.read(ctx, r.Devices)
	return r
}

// minWarming is the rise in kelvin that a hand brings about and a room does not, common practice, no published source.
const minWarming = 0.5

// WriteChange writes what each sensor measures now and by how much its temperature has changed since the first result. The one
// that has risen most is pointed out: it is the one in the hand.
func (r Result) WriteChange(w io.Writer, first Result) error {
	warmest, most := -1, minWarming
	change := make([]string, len(r.Devices))
	for i, d := range r.Devices {
		before, ok := first.Devices[i].Reading.Measured(sensors.Temperature)
		now, still := d.Reading.Measured(sensors.Temperature)
		if !ok || !still {
			continue
		}
		rise := now.Value - before.Value
		change[i] = fmt.Sprintf("%+.2f K", rise)
		if rise >= most {
			warmest, most = i, rise
		}
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "SENSOR\tPART\tADDRESS\tNOW\tCHANGE")
	for i, d := range r.Devices {
		if d.Driver == "" || d.Driver == "board" {
			continue
		}
		now := d.Values()
		if d.Err != nil {
			now = "no reading: " + sensors.KindOf(d.Err).String()
		}
		if i == warmest {
			change[i] += "  <- this one is getting warmer"
		}
		fmt.Fprintln(table, strings.TrimRight(strings.Join([]string{d.ID, oneLine(cmp.Or(d.Part, d.Description.Part)), oneLine(d.Address), now, change[i]}, "\t"), "\t"))
	}
	return table.Flush()
}
