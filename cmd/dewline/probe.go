package main

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"dewline/internal/probe"
	"dewline/sensors/i2cbus"
)

// probeCommand lists what is attached.
type probeCommand struct {
	Bus   []string      `placeholder:"BUS" help:"Search only this: w1, hwmon, iio, board, or an I²C bus such as I2C1 or I2C1/0x70:3. May be given several times."`
	Watch bool          `help:"Go on reading, and point out the sensor that is getting warmer: the one in your hand. Ctrl-C ends it."`
	Every time.Duration `default:"2s" hidden:"" help:"How long to wait between two rounds."`
	For   time.Duration `placeholder:"1m" help:"Stop watching by itself after this time."`
	Root  string        `default:"/" hidden:"" help:"Where sys and dev are."`
}

// Run searches, reads each device once, and prints the configuration lines.
func (c *probeCommand) Run(ctx context.Context, s streams) error {
	buses := i2cbus.NewSet(c.Root)
	defer buses.Close()
	for _, name := range c.Bus {
		switch name {
		case "w1", "hwmon", "iio", "board":
		default:
			if _, err := i2cbus.ParseName(name); err != nil {
				return usageError{fmt.Errorf("--bus: %w", err)}
			}
		}
	}
	if s.terminal {
		fmt.Fprintln(s.err, "searching; each device is read once, which takes up to a few seconds")
	}
	options := probe.Options{Sys: filepath.Join(c.Root, "sys"), I2C: buses, Only: c.Bus}
	result := probe.Run(ctx, options)
	if c.Watch && result.Found() {
		return c.watch(ctx, s, options, result)
	}
	if err := result.WriteText(s.out); err != nil {
		return err
	}
	printEach(s.err, "", result.Advice())
	if len(result.Problems) > 0 || !result.Found() && !slices.Contains(c.Bus, "board") {
		return errNo
	}
	return nil
}

// watch reads again and again until it is ended. On a terminal each round replaces the last one.
func (c *probeCommand) watch(ctx context.Context, s streams, options probe.Options, first probe.Result) error {
	ctx, cancel := lasting(ctx, c.For)
	defer cancel()
	const clear = "\x1b[H\x1b[2J"
	for now := first; ; {
		if s.terminal {
			fmt.Fprint(s.out, clear)
		}
		if err := now.WriteChange(s.out, first); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(c.Every):
		}
		if now = first.Again(ctx, options); ctx.Err() != nil {
			return nil // cut short: what is missing is no failure of a sensor
		}
	}
}
