package main

import (
	"bufio"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/senml"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// exportCommand writes what the history holds, every sample of it: also those of a time that the clock passed twice.
type exportCommand struct {
	Config string   `required:"" placeholder:"FILE" help:"The configuration, which names the history."`
	Point  []string `placeholder:"P" help:"Only this point, such as tub-1/water-temperature. May be given several times."`
	From   string   `placeholder:"T" help:"Begin of the range: RFC 3339, 2026-07-14 or \"2026-07-14 20:00\" at the site, or so long ago, as 7d."`
	To     string   `placeholder:"T" help:"End of the range; the end itself is not in it."`
	Format string   `enum:"csv,senml" default:"csv" help:"csv (a readings file, as replay takes) or senml (RFC 8428 JSON)."`
	Backup string   `placeholder:"FILE" help:"Instead of readings, write a whole copy of the history to this file, while the daemon goes on."`
}

// Run exports.
func (c *exportCommand) Run(ctx context.Context, s streams) error {
	site, err := loadSite(c.Config, s)
	if err != nil {
		return err
	}
	db, err := openHistory(site.History.Path)
	if err != nil {
		return err
	}
	defer db.Close(ctx)
	if c.Backup != "" {
		if err := db.Backup(ctx, c.Backup); err != nil {
			return err
		}
		fmt.Fprintf(s.err, "the history is copied to %s\n", c.Backup)
		return nil
	}
	from, to, err := rangeOf(c.From, c.To, site.Location)
	if err != nil {
		return err
	}
	wanted, err := c.points(site, db)
	if err != nil {
		return err
	}
	out := bufio.NewWriter(s.out)
	write := writeCSV
	if c.Format == "senml" {
		write = writeSenML
	}
	if err := write(ctx, out, db, wanted, from, to); err != nil {
		return err
	}
	return out.Flush()
}

// points returns the points that are asked for: all that the history holds, or those that are named. One that neither the
// configuration nor the history knows is most likely a slip.
func (c *exportCommand) points(site *config.Site, db *store.Store) (map[quantity.Point]bool, error) {
	wanted := map[quantity.Point]bool{}
	for _, p := range db.Points() {
		wanted[p] = true
	}
	if len(c.Point) == 0 {
		return wanted, nil
	}
	known := map[string]quantity.Point{}
	for _, p := range append(watch.New(assemble.Site(site), "").Points(), db.Points()...) {
		known[p.String()] = p
	}
	clear(wanted)
	for _, text := range c.Point {
		p, found := known[text]
		if !found {
			return nil, usageError{fmt.Errorf("--point: %s", config.UnknownWord("point", text, slices.Sorted(maps.Keys(known))))}
		}
		wanted[p] = true
	}
	return wanted, nil
}

// openHistory opens a history for reading beside a daemon that may be writing it.
func openHistory(path string) (*store.Store, error) {
	if path == "" {
		return nil, fmt.Errorf("the configuration keeps no history: give it history: {path: …}")
	}
	return store.Open(path, store.Options{ReadOnly: true})
}

// rangeOf reads the two ends of a range of the command line.
func rangeOf(fromText, toText string, location *time.Location) (from, to instant.Instant, err error) {
	if from, err = timeOf(fromText, "--from", location); err != nil {
		return 0, 0, err
	}
	if to, err = timeOf(toText, "--to", location); err != nil {
		return 0, 0, err
	}
	if fromText != "" && toText != "" && to < from {
		return 0, 0, usageError{fmt.Errorf("--to %s lies before --from %s", toText, fromText)}
	}
	return from, to, nil
}

func writeCSV(ctx context.Context, out *bufio.Writer, db *store.Store, wanted map[quantity.Point]bool, from, to instant.Instant) error {
	w := recorded.NewWriter(out)
	for sample, err := range db.AllReadingsBetween(ctx, from, to) {
		if err != nil {
			return err
		}
		if wanted[sample.Point] {
			if err := w.Row(sample.At, sample.Point, quantity.Decimal(sample.Value), sample.Flag); err != nil {
				return err
			}
		}
	}
	return w.Flush()
}

// senmlRecords is how many records go into one SenML pack: a pack a line, so that a reader needs to hold little.
const senmlRecords = 500

func writeSenML(ctx context.Context, out *bufio.Writer, db *store.Store, wanted map[quantity.Point]bool, from, to instant.Instant) error {
	var pack []senml.Record
	flush := func() error {
		if len(pack) == 0 {
			return nil
		}
		data, err := senml.Encode(pack)
		if err != nil {
			return err
		}
		pack = pack[:0]
		_, err = out.Write(append(data, '\n'))
		return err
	}
	for sample, err := range db.AllReadingsBetween(ctx, from, to) {
		if err != nil {
			return err
		}
		if !wanted[sample.Point] || math.IsNaN(sample.Value) || !sample.Flag.Usable() {
			continue // SenML has no word for what was not obtained
		}
		pack = append(pack, senmlRecord(sample))
		if len(pack) == senmlRecords {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}

func senmlRecord(s store.PointSample) senml.Record {
	value := quantity.Decimal(s.Value)
	return senml.Record{Name: s.Point.String(), Unit: s.Point.Quantity.Unit().Symbol(), At: s.At, Value: &value}
}
