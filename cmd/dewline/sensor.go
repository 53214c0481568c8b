package main

import (
	"context"
	"fmt"

	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// sensorCommand keeps the record of the sensors.
type sensorCommand struct {
	List     sensorList     `cmd:"" help:"Say which calibration is in force for each channel, where it comes from, when the next is due, and how far it has drifted."`
	Replaced sensorReplaced `cmd:"" help:"Say that a sensor was replaced by another part: its calibrations count no more, the history of its points goes on."`
}

type sensorList struct {
	daemonAt
	JSON bool `name:"json" help:"Write JSON."`
}

// Run lists the calibrations.
func (c *sensorList) Run(ctx context.Context, s streams) error {
	list, site, err := asked(ctx, c.daemonAt, (*control.Client).Calibrations)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(s.out, list)
	}
	for i := range list {
		fmt.Fprintln(s.out, site.words().Calibration(&list[i]))
	}
	return nil
}

type sensorReplaced struct {
	writtenDown
	Sensor string `arg:"" help:"The sensor's id, which stays."`
	Note   string `placeholder:"TEXT" help:"What was wrong with the old one, or which part the new one is."`
}

// Run writes the replacement down. Where the address in the configuration changes, the daemon does so by itself.
func (c *sensorReplaced) Run(ctx context.Context, s streams) error {
	return c.send(ctx, s, control.Request{Verb: watch.ReplaceSensor, Sensor: c.Sensor, Text: c.Note})
}
