package main

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"

	"dewline/internal/probe"
	"dewline/sensors/i2cbus"
)

// probeCommand lists what is attached.
type probeCommand struct {
	Bus  []string `placeholder:"BUS" help:"Search only this: w1, hwmon, iio, board, or an I²C bus such as I2C1 or I2C1/0x70:3. May be given several times."`
	Root string   `default:"/" hidden:"" help:"Where sys and dev are."`
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
	result := probe.Run(ctx, probe.Options{Sys: filepath.Join(c.Root, "sys"), I2C: buses, Only: c.Bus})
	if err := result.WriteText(s.out); err != nil {
		return err
	}
	for _, line := range result.Advice() {
		fmt.Fprintln(s.err, line)
	}
	if len(result.Problems) > 0 || !result.Found() && !slices.Contains(c.Bus, "board") {
		return errNo
	}
	return nil
}
