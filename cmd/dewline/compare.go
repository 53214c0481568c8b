package main

import (
	"context"
	"fmt"

	"dewline/internal/server/control"
)

// compareCommand holds two points beside each other, for animals that are to be moved from one to the other.
type compareCommand struct {
	daemonAt
	A      string `arg:"" help:"A point, such as tub-1/water-temperature."`
	B      string `arg:"" help:"Another one of its kind."`
	Within string `placeholder:"D" help:"How near they are to be: 1 K, or 5 %RH, if not given."`
	For    string `placeholder:"20m" help:"For how long they must have been as near."`
	JSON   bool   `name:"json" help:"Write JSON: all times in UTC, all values in SI units."`
}

// Run compares. The answer is no until they have been near for long enough.
func (c *compareCommand) Run(ctx context.Context, s streams) error {
	client, err := c.dial(ctx)
	if err != nil {
		return err
	}
	comparison, err := client.Compare(ctx, control.CompareRequest{A: c.A, B: c.B, Within: c.Within, For: c.For})
	if err != nil {
		return err
	}
	if c.JSON {
		err = writeJSON(s.out, comparison)
	} else {
		_, err = fmt.Fprintln(s.out, comparison.Words)
	}
	if err == nil && !comparison.Settled {
		return errNo
	}
	return err
}
