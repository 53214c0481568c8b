package daemon

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"dewline/internal/config"
	"dewline/internal/sim"
	"dewline/internal/source/recorded"
	"dewline/sensors"
	"dewline/sensors/drivers"
	"dewline/sensors/i2cbus"
)

// devices makes the sensors of a configuration. Those that share something share it here: hardware, the simulated room.
type devices struct {
	hardware *drivers.Hardware
	world    *sim.World
	now      func() time.Time
	folder   string // that relative paths are relative to
}

func newDevices(o Options) *devices {
	return &devices{drivers.NewHardware(o.Sys, i2cbus.NewSet(o.Root)), o.World, o.Clock.Now, filepath.Dir(o.Config)}
}

// OpenSensor opens one sensor of the configuration for a caller that reads it without a daemon. Options.Site is required, and
// Config, Sys and Root are needed by drivers that open files.
func OpenSensor(o Options, id string) (sensors.Sensor, error) {
	o.fill()
	for i := range o.Site.Sensors {
		if c := &o.Site.Sensors[i]; c.ID == id {
			if c.Driver == "mqtt" {
				return nil, fmt.Errorf("sensor %s: its readings come by themselves over MQTT, so that it cannot be read when asked", id)
			}
			sensor, _, err := newDevices(o).open(c)
			return sensor, err
		}
	}
	return nil, fmt.Errorf("the configuration has no sensor %q", id)
}

// open makes one sensor and names the bus it must take turns on.
func (d *devices) open(c *config.SensorConfig) (sensor sensors.Sensor, bus string, err error) {
	switch c.Driver {
	case "sim":
		if d.world == nil {
			err = errors.New("the driver sim belongs to the demo: use dewline demo")
		} else {
			sensor = sim.NewSensor(d.world, sim.SensorOptions{ID: c.ID, Seed: 1, Feeds: c.Feeds})
		}
	case "recorded":
		sensor, err = d.recording(c)
	default:
		sensor, bus, err = d.hardware.Open(c.Driver, c.Settings)
	}
	if err != nil {
		return nil, "", fmt.Errorf("sensor %s: %w", c.ID, err)
	}
	return sensor, cmp.Or(bus, c.ID), nil
}

// recording makes a sensor that plays a readings file.
func (d *devices) recording(c *config.SensorConfig) (sensors.Sensor, error) {
	path := c.File
	if !filepath.IsAbs(path) {
		path = filepath.Join(d.folder, path)
	}
	source, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer source.Close()
	file, err := recorded.Read(path, source)
	if err != nil {
		return nil, err
	}
	return recorded.NewPlayer(file, recorded.PlayerOptions{
		Name: c.File, Channels: c.Feeds, Speed: c.Speed, Loop: c.Loop, Hold: c.GapOrDefault(), Now: d.now,
	})
}
