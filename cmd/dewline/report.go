package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/report"
)

// reportCommand writes down what a range of the history shows.
type reportCommand struct {
	Config string `required:"" placeholder:"FILE" help:"The configuration, which names the history."`
	From   string `placeholder:"T" help:"Begin of the range: RFC 3339, 2026-07-14 or \"2026-07-14 20:00\" at the site, or so long ago, as 30d; the last seven local days if not given."`
	To     string `placeholder:"T" help:"End of the range; the newest reading if not given."`
	Place  string `placeholder:"ID" xor:"subject" help:"Only this place."`
	Cohort string `placeholder:"ID" xor:"subject" help:"Only this cohort, in each place while it lived there."`
	Alarms bool   `help:"Instead, how well the alarms have served, against the published targets."`
	Format string `enum:"text,json,csv,html" default:"text" help:"text, json, csv (a line for each point and day) or html (to print: at most four pages for twelve weeks of a place or cohort)."`
}

// reportDays is the length of a report whose begin is not given.
const reportDays = 7

// Run makes the report.
func (c *reportCommand) Run(ctx context.Context, s streams) error {
	if c.Alarms && (c.Place != "" || c.Cohort != "") {
		return usageError{fmt.Errorf("--alarms is about the whole site: leave out --place and --cohort")}
	}
	site, err := loadSite(c.Config, s)
	if err != nil {
		return err
	}
	if c.Place != "" { // which cohorts there are, the history says
		if err := placeMeant(site, c.Place); err != nil {
			return err
		}
	}
	db, err := openHistory(site.History.Path)
	if err != nil {
		return errors.Join(c.unconfigured(site), err)
	}
	defer db.Close(ctx)
	request := report.Request{Site: site, Place: c.Place, Cohort: c.Cohort, Made: instant.Of(time.Now())}
	newest := func() (instant.Instant, error) { return report.Newest(ctx, db) }
	if request.From, request.To, err = spanOf(c.From, c.To, site, reportDays, newest); err != nil {
		return err
	}
	if s.terminal {
		request.Progress = func(done, total int64) {
			fmt.Fprintf(s.err, "\r%3d %% of %d readings", 100*done/total, total)
		}
		defer s.wipe()
	}
	if c.Alarms {
		made, err := report.Alarms(ctx, db, request)
		if err != nil {
			return err
		}
		return c.write(s.out, made, made.Sheet(report.WordsOf(site)), func(w io.Writer) error { return report.PerformanceCSV(w, made) })
	}
	made, err := report.Expose(ctx, db, request)
	if err != nil {
		return err
	}
	lay := made.Sheet
	if c.Format == "html" {
		lay = made.Printed
	}
	return c.write(s.out, made, lay(report.WordsOf(site)), func(w io.Writer) error { return report.ExposureCSV(w, made) })
}

// placeMeant refuses a --place that the configuration does not know. Ask it before the history is opened: a slip of the keyboard is nearer
// than a missing file.
func placeMeant(site *config.Site, id string) error {
	if err := knownPlace(site, id); err != nil {
		return usageError{fmt.Errorf("--place: %w", err)}
	}
	return nil
}

// unconfigured returns what is wrong with a cohort that only a history can know.
func (c *reportCommand) unconfigured(site *config.Site) error {
	ids := names(site.Cohorts, func(cohort *config.Cohort) string { return cohort.ID })
	if c.Cohort == "" || slices.Contains(ids, c.Cohort) {
		return nil
	}
	return fmt.Errorf("--cohort: %s", config.UnknownWord("cohort", c.Cohort, ids))
}

// spanOf finds a range: what is not given depends on what there is, the begin as so many days that end with its end.
func spanOf(fromText, toText string, site *config.Site, days int, newest func() (instant.Instant, error)) (from, to instant.Instant, err error) {
	location := assemble.Site(site).Location
	if from, to, err = rangeOf(fromText, toText, location); err != nil {
		return from, to, err
	}
	if toText == "" {
		if to, err = newest(); err != nil {
			return from, to, err
		}
	}
	if fromText == "" {
		from = report.DaysBefore(to, location, days)
	}
	if to <= from {
		return from, to, fmt.Errorf("the range begins at %s and ends at %s: there is nothing between", from, to)
	}
	return from, to, nil
}

func (c *reportCommand) write(w io.Writer, document any, sheet *report.Sheet, csv func(io.Writer) error) error {
	switch c.Format {
	case "json":
		return writeJSON(w, document)
	case "csv":
		return csv(w)
	case "html":
		return report.HTML(w, sheet)
	}
	return report.Text(w, sheet)
}
