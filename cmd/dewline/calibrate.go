package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/calibrate"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/internal/daemon"
	"dewline/internal/format/timetext"
	"dewline/internal/store"
	"dewline/sensors"
)

// calibrateCommand compares a sensor with a reference.
type calibrateCommand struct {
	Config      string            `required:"" placeholder:"FILE" help:"The configuration that has the sensor."`
	Socket      string            `placeholder:"PATH" env:"DEWLINE_SOCKET" help:"The control socket of the running daemon, where it is not that of the configuration."`
	Sensor      string            `required:"" placeholder:"ID" help:"The sensor."`
	Against     string            `placeholder:"REFERENCE" help:"ice, salt:NaCl (or LiCl, MgCl2, KCl, K2SO4), or what a better instrument reads, such as '23.4 degC' or '75.3 %RH'."`
	Uncertainty string            `placeholder:"D" help:"Expanded uncertainty (k = 2) of that instrument, such as '0.2 K'."`
	Temperature string            `placeholder:"T" help:"Temperature of the salt, where the sensor measures none."`
	Record      bool              `help:"Write the result into the journal of the running daemon, which corrects the channel by it from then on. Without --against: the last comparison that the history holds."`
	Channel     string            `placeholder:"NAME" help:"Of a comparison on record: temperature, humidity or pressure."`
	Correct     string            `placeholder:"ID" help:"The entry of the journal that this calibration takes the place of."`
	OnePoint    bool              `help:"Take no second point from the comparisons on record."`
	Within      timetext.Duration `placeholder:"2h" help:"Give up if the readings do not stand still within this time."`
	Steady      timetext.Duration `placeholder:"15m" help:"For how long they must stand still; 15m for temperatures, 1h for humidity, if not given."`
	Every       timetext.Duration `default:"5s" help:"Time between two reads."`
	Root        string            `default:"/" hidden:"" help:"Where sys and dev are."`
}

// Run compares.
func (c *calibrateCommand) Run(ctx context.Context, s streams) error {
	site, err := loadSite(c.Config, s)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(site.Sensors, func(sensor config.SensorConfig) bool { return sensor.ID == c.Sensor })
	if i < 0 {
		has := strings.Join(names(site.Sensors, func(sensor *config.SensorConfig) string { return sensor.ID }), ", ")
		return usageError{fmt.Errorf("--sensor: the configuration has no sensor %q: it has %s", c.Sensor, cmp.Or(has, "none"))}
	}
	sensor := &site.Sensors[i]
	switch {
	case c.Against == "" && !c.Record:
		return usageError{errors.New("--against is missing: ice, salt:NaCl, or what a better instrument reads, such as '23.4 degC'")}
	case c.Against == "":
		return c.recordLast(ctx, s, site, sensor)
	}
	against, err := c.reference(sensor)
	if err != nil {
		return err
	}
	celsius := math.NaN()
	if c.Temperature != "" {
		if celsius, err = quantity.ParseValue(quantity.AirTemperature, c.Temperature); err != nil {
			return usageError{fmt.Errorf("--temperature: %w", err)}
		}
	}
	device, err := daemon.OpenSensor(daemon.Options{Site: site, Config: c.Config, Sys: filepath.Join(c.Root, "sys"), Root: c.Root}, c.Sensor)
	if err != nil {
		return err
	}
	description := device.Describe()
	if _, warm := description.MeasureOf(sensors.Temperature); against.Salt != 0 && !warm && math.IsNaN(celsius) {
		_ = device.Close()
		return usageError{fmt.Errorf("%s measures no temperature, and the humidity over a salt depends on it: give --temperature", c.Sensor)}
	}
	_, humid := description.MeasureOf(sensors.Humidity)
	fmt.Fprintf(s.err, "Comparing the %s of %s with: %s.\n", against.Channel, c.Sensor, against)
	printEach(s.err, "  - ", against.Instructions(humid))
	taken, err := calibrate.Settle(ctx, c.options(device, against, s))
	s.wipe()
	if err != nil {
		return err
	}
	if !math.IsNaN(celsius) {
		taken.Temperature = celsius
	}
	return c.conclude(ctx, s, site, sensor, against, description, taken)
}

// reference reads what the sensor is compared with.
func (c *calibrateCommand) reference(sensor *config.SensorConfig) (calibrate.Against, error) {
	against, err := calibrate.ParseAgainst(c.Against, sensor.Feeds)
	if err != nil {
		return against, usageError{fmt.Errorf("--against: %w", err)}
	}
	if c.Uncertainty == "" {
		return against, nil
	}
	if against.Ice || against.Salt != 0 {
		return against, usageError{errors.New("--uncertainty: that of an ice bath or a salt is known; it is for the value of an instrument")}
	}
	if against.Uncertainty, err = quantity.ParseDifference(against.Quantity, c.Uncertainty); err != nil {
		return against, usageError{fmt.Errorf("--uncertainty: %w", err)}
	}
	if against.Uncertainty <= 0 {
		return against, usageError{fmt.Errorf("--uncertainty %s: it must be greater than 0", c.Uncertainty)}
	}
	return against, nil
}

func (c *calibrateCommand) options(device sensors.Sensor, against calibrate.Against, s streams) calibrate.Options {
	o := calibrate.Options{ID: c.Sensor, Sensor: device, Channel: against.Channel, Rule: against.Rule(), Every: time.Duration(c.Every)}
	if c.Steady > 0 {
		o.Rule.Window = time.Duration(c.Steady)
	}
	o.Rule.Within = max(o.Rule.Within, 2*o.Rule.Window)
	if c.Within > 0 {
		o.Rule.Within = time.Duration(c.Within)
	}
	if s.terminal {
		unit := against.Quantity.Unit()
		o.Progress = func(p calibrate.Progress) {
			fmt.Fprintf(s.err, "\r\033[K%s  %s", p.Elapsed.Round(time.Second), unit.Print(p.Value, 3))
			if !math.IsNaN(p.Drift) {
				fmt.Fprintf(s.err, ", moved by %.3f and scattered by %.3f in the last %s of %s", p.Drift, p.Scatter, p.Covered.Round(time.Second), o.Rule.Window)
			}
			if p.Err != nil {
				fmt.Fprintf(s.err, " (%v)", p.Err)
			}
		}
	}
	return o
}

// conclude turns what was taken into the lines to paste, and keeps it.
func (c *calibrateCommand) conclude(ctx context.Context, s streams, site *config.Site, sensor *config.SensorConfig, against calibrate.Against,
	description sensors.Description, taken *calibrate.Taken) error {
	reference, uncertainty, err := against.Reference(taken.Temperature, max(sensor.AccuracyOf(sensors.Temperature), 0.2))
	if err != nil {
		return err
	}
	measure, _ := description.MeasureOf(against.Channel)
	comparison, err := quality.Compare(taken.Readings, measure.Resolution, reference, uncertainty)
	if err != nil {
		return err
	}
	at := instant.Of(taken.Last)
	calibration, err := quality.OnePoint(against.Quantity, at, comparison)
	if err != nil {
		return err
	}
	unit, difference := against.Quantity.Unit(), against.Quantity.DifferenceUnit()
	fmt.Fprintf(s.err, "%d readings: mean %s, moved by %.3f, scattered by %.3f; the reference is %s: off by %s.\n", len(taken.Readings),
		unit.Print(comparison.Measured, 3), taken.Drift, taken.Scatter, unit.Print(reference, 3), difference.Print(-calibration.Offset, 3))
	if against.Uncertainty == 0 && !against.Ice && against.Salt == 0 {
		fmt.Fprintln(s.err, "The uncertainty of the reference was not given, so that of the sensor stays in force: see --uncertainty.")
	}
	if path := site.History.Path; path != "" {
		calibration = c.withSecond(ctx, s, path, against.Channel, against.Quantity, comparison, measure.Resolution, calibration)
		if _, err := store.AddCalibrationTo(ctx, path, store.Calibration{
			At: at, Sensor: c.Sensor, Channel: string(against.Channel), Reference: reference, Uncertainty: uncertainty,
			Against: against.String(), Readings: taken.Readings,
		}); err != nil {
			fmt.Fprintf(s.err, "warning: the comparison is not on record: %v\n", err)
		}
	}
	if c.Record {
		return c.send(ctx, s, against.Channel, against.String(), calibration, taken.Scatter)
	}
	fmt.Fprintf(s.err, "Put these lines below sensor %s, in place of any calibration there, and reload; or write it into the journal: dewline calibrate --config %s --sensor %s --record\n",
		c.Sensor, c.Config, c.Sensor)
	_, err = fmt.Fprint(s.out, calibrate.Lines(sensor, against.Channel, taken.Last.In(assemble.Site(site).Location), calibration))
	return err
}

// withSecond looks on record for a comparison that gives a second point, and so the gain. Whatever is wrong with that one, hours
// of waiting for the first are not lost.
func (c *calibrateCommand) withSecond(ctx context.Context, s streams, path string, channel sensors.Channel, q quantity.Quantity, first quality.Comparison,
	resolution float64, one *quality.Calibration) *quality.Calibration {
	if _, err := os.Stat(path); c.OnePoint || errors.Is(err, os.ErrNotExist) {
		return one
	}
	db, err := openHistory(path)
	if err != nil {
		fmt.Fprintf(s.err, "warning: no second point is looked for: %v\n", err)
		return one
	}
	defer db.Close(ctx)
	records, err := db.Calibrations(ctx, c.Sensor)
	if err != nil {
		fmt.Fprintf(s.err, "warning: no second point is looked for: %v\n", err)
		return one
	}
	second, ok := calibrate.Second(records, channel, first.Reference, resolution, one.At)
	if !ok {
		return one
	}
	unit := q.Unit()
	two, err := quality.TwoPoint(q, one.At, first, second)
	if err != nil {
		fmt.Fprintf(s.err, "warning: the comparison at %s on record is left out: %v\n", unit.Print(second.Reference, 3), err)
		return one
	}
	fmt.Fprintf(s.err, "Together with the comparison at %s on record the gain is %.4f.\n", unit.Print(second.Reference, 3), two.Gain)
	return two
}
