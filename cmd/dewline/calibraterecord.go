package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"strings"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quality"
	"dewline/internal/core/watch"
	"dewline/internal/daemon"
	"dewline/internal/report"
	"dewline/internal/server/control"
	"dewline/internal/store"
	"dewline/sensors"
)

// send writes a calibration into the journal of the running daemon, and says what is in force because of it.
func (c *calibrateCommand) send(ctx context.Context, s streams, channel sensors.Channel, method string, made *quality.Calibration, residual float64) error {
	kept := fmt.Errorf("the comparison is kept in the history: once the daemon runs, write it into the journal with dewline calibrate --config %s --sensor %s --record",
		c.Config, c.Sensor)
	client, err := daemonAt{Config: c.Config, Socket: c.Socket}.dial(ctx)
	if err != nil {
		return errors.Join(err, kept)
	}
	found := calibration.FoundOf(method, made, residual)
	response, err := command(ctx, client, control.Request{
		Verb: watch.Calibrate, Sensor: c.Sensor, Channel: string(channel), At: made.At.String(), Calibration: &found, Corrects: c.Correct,
	})
	if err != nil {
		return errors.Join(err, kept)
	}
	fmt.Fprintln(s.out, response.Words)
	return nil
}

// recordLast writes the last comparison that the history holds for the sensor into the journal.
func (c *calibrateCommand) recordLast(ctx context.Context, s streams, site *config.Site, sensor *config.SensorConfig) error {
	db, err := openHistory(site.History.Path)
	if err != nil {
		return err
	}
	all, err := db.Calibrations(ctx, c.Sensor)
	err = errors.Join(err, db.Close(ctx))
	if err != nil {
		return err
	}
	var last *store.Calibration
	channels := map[string]bool{}
	for i := range all {
		if channels[all[i].Channel] = true; c.Channel == "" || c.Channel == all[i].Channel {
			last = &all[i]
		}
	}
	switch {
	case last == nil:
		return fmt.Errorf("the history holds no comparison of %s: give --against", strings.TrimSpace(c.Channel+" "+c.Sensor))
	case c.Channel == "" && len(channels) > 1:
		return usageError{errors.New("the history holds comparisons of several channels of the sensor: say which with --channel")}
	}
	channel := sensors.Channel(last.Channel)
	point, feeds := sensor.Feeds[channel]
	if !feeds {
		return fmt.Errorf("the comparison on record is of the %s of %s, which feeds no point", channel, c.Sensor)
	}
	resolution := 0.0
	if part := daemon.Descriptions(daemon.Options{Site: site, Config: c.Config})[c.Sensor]; part != nil {
		measure, _ := part.MeasureOf(channel)
		resolution = measure.Resolution
	}
	first, err := quality.Compare(last.Readings, resolution, last.Reference, last.Uncertainty)
	if err != nil {
		return err
	}
	made, err := quality.OnePoint(point.Quantity, last.At, first)
	if err != nil {
		return err
	}
	made = c.withSecond(ctx, s, site.History.Path, channel, point.Quantity, first, resolution, made)
	return c.send(ctx, s, channel, last.Against, made, scatter(last.Readings))
}

// scatter returns the standard deviation of readings; 0 of fewer than two.
func scatter(readings []float64) float64 {
	if len(readings) < 2 {
		return 0
	}
	var sum, squares float64
	for _, r := range readings {
		sum += r
	}
	mean := sum / float64(len(readings))
	for _, r := range readings {
		squares += (r - mean) * (r - mean)
	}
	return math.Sqrt(squares / float64(len(readings)-1))
}

// calibrations says of each calibration what is in force, of a configuration and of the journal of its history, if that can be read: as
// warnings where one is due.
func calibrations(ctx context.Context, s streams, site *config.Site, at time.Time) (due config.Problems, good []string) {
	now := instant.Of(at)
	record := calibration.Record{Seeds: assemble.Site(site).Calibrations, Entries: recordedSensors(ctx, s, site)}
	states := record.States(now)
	words := control.Words{Location: site.Location, Temperature: site.Display.Temperature}
	for i := range states {
		c := control.CalibrationOf(&states[i], now)
		switch text := words.Calibration(&c); {
		case c.Lapsed, c.Overdue:
			due = append(due, site.SensorWarning(c.Sensor, "%s. Compare it again with dewline calibrate", text))
		case c.Origin == calibration.Configuration && !c.Since.IsNone() && c.Since > now:
			due = append(due, site.SensorWarning(c.Sensor, "%s: that date lies in the future. Is it the right year?", text))
		case c.Origin != calibration.None:
			good = append(good, text)
		}
	}
	return due, good
}

// recordedSensors reads the record of the sensors from the history of a configuration, beside a daemon that may be writing it. What it
// cannot read it says.
func recordedSensors(ctx context.Context, s streams, site *config.Site) []calibration.Entry {
	if _, err := os.Stat(site.History.Path); site.History.Path == "" || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	db, err := openHistory(site.History.Path)
	if err == nil {
		defer db.Close(ctx)
		var entries []*journal.Entry
		if entries, err = report.Entries(ctx, db, store.Filter{Kinds: calibration.Kinds()}); err == nil {
			return calibration.Read(entries)
		}
	}
	fmt.Fprintf(s.err, "calibrations of the journal are not known here: %v\n", err)
	return nil
}
