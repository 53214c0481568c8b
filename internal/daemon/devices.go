package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"dewline/internal/config"
	"dewline/internal/sim"
	"dewline/internal/source/recorded"
	"dewline/sensors"
	"dewline/sensors/aht20"
	"dewline/sensors/bme280"
	"dewline/sensors/board"
	"dewline/sensors/ds248x"
	"dewline/sensors/hdc302x"
	"dewline/sensors/htu21"
	"dewline/sensors/hwmon"
	"dewline/sensors/i2cbus"
	"dewline/sensors/iio"
	"dewline/sensors/mcp9808"
	"dewline/sensors/scd4x"
	"dewline/sensors/sht3x"
	"dewline/sensors/sht4x"
	"dewline/sensors/tmp102"
	"dewline/sensors/w1"
)

// devices makes the sensors of a configuration. Those that share something share it here: I²C buses, 1-Wire masters, the
// simulated room.
type devices struct {
	sys     string
	wires   *i2cbus.Set
	masters map[string]*ds248x.Master
	w1      *w1.Bus
	world   *sim.World
	now     func() time.Time
	folder  string // that relative paths are relative to
}

func newDevices(o Options) *devices {
	return &devices{
		sys: o.Sys, wires: i2cbus.NewSet(o.Root), masters: map[string]*ds248x.Master{}, w1: w1.NewBus(), world: o.World,
		now: o.Clock.Now, folder: filepath.Dir(o.Config),
	}
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
	case "w1":
		sensor, err = w1.New(w1.Options{Root: d.sys, ROM: c.Address, Bus: d.w1})
		return sensor, "w1", err
	case "hwmon":
		sensor, err = hwmon.New(hwmon.Options{Root: d.sys, Name: c.Name, Device: c.Address, Channels: c.Inputs})
		return sensor, c.ID, err
	case "iio":
		sensor, err = iio.New(iio.Options{Root: d.sys, Name: c.Name, Device: c.Address, Channels: c.Inputs})
		return sensor, c.ID, err
	case "board":
		sensor, err = board.New(board.Options{Root: d.sys, Zone: c.Address})
		return sensor, c.ID, err
	case "sim":
		if d.world == nil {
			return nil, "", fmt.Errorf("sensor %s: the driver sim belongs to the demo: use dewline demo", c.ID)
		}
		return sim.NewSensor(d.world, sim.SensorOptions{ID: c.ID, Seed: 1, Feeds: c.Feeds}), c.ID, nil
	case "recorded":
		sensor, err = d.recording(c)
		return sensor, c.ID, err
	}
	wire, err := d.wires.Bus(c.Bus)
	if err != nil {
		return nil, "", fmt.Errorf("sensor %s: %w", c.ID, err)
	}
	bus = wire.String()
	if c.Mux != nil {
		if wire, err = i2cbus.Mux(wire, c.Mux.Address, uint8(c.Mux.Channel)); err != nil {
			return nil, "", fmt.Errorf("sensor %s: %w", c.ID, err)
		}
	}
	if sensor, err = d.onWire(wire, c); err != nil {
		return nil, "", fmt.Errorf("sensor %s: %w", c.ID, err)
	}
	return sensor, bus, nil
}

// onWire makes a sensor on an I²C bus.
func (d *devices) onWire(wire *i2cbus.Bus, c *config.SensorConfig) (sensors.Sensor, error) {
	switch c.Driver {
	case "sht4x":
		options := sht4x.Options{Address: c.I2C, Part: c.Part}
		if c.Heater != nil {
			options.Heater = &sht4x.Heater{Above: c.Heater.Above, For: c.Heater.For, Every: c.Heater.Every}
		}
		return sht4x.New(wire, options)
	case "sht3x":
		return sht3x.New(wire, sht3x.Options{Address: c.I2C, Part: c.Part})
	case "htu21":
		return htu21.New(wire, htu21.Options{Address: c.I2C, Part: c.Part})
	case "bme280":
		return bme280.New(wire, bme280.Options{Address: c.I2C})
	case "bmp280":
		return bme280.New(wire, bme280.Options{Address: c.I2C, BMP280: true})
	case "aht20":
		return aht20.New(wire, aht20.Options{Address: c.I2C})
	case "hdc302x":
		return hdc302x.New(wire, hdc302x.Options{Address: c.I2C})
	case "mcp9808":
		return mcp9808.New(wire, mcp9808.Options{Address: c.I2C})
	case "tmp102":
		return tmp102.New(wire, tmp102.Options{Address: c.I2C})
	case "scd4x":
		return scd4x.New(wire, scd4x.Options{TemperatureOffset: c.TemperatureOffset})
	case "ds248x":
		master, err := d.master(wire, c)
		if err != nil {
			return nil, err
		}
		return master.Probe(ds248x.ProbeOptions{ROM: c.Address, Line: max(c.Line, 0)})
	}
	return nil, fmt.Errorf("there is no driver %q", c.Driver)
}

// master returns the 1-Wire master to which a probe is connected, the same one for all its probes.
func (d *devices) master(wire *i2cbus.Bus, c *config.SensorConfig) (*ds248x.Master, error) {
	key := fmt.Sprintf("%s@%#02x", wire, c.Bridge)
	if m, ok := d.masters[key]; ok {
		return m, nil
	}
	lines := 1
	if c.Line >= 0 {
		lines = 8
	}
	m, err := ds248x.New(wire, ds248x.Options{Address: c.Bridge, Lines: lines})
	if err != nil {
		return nil, err
	}
	d.masters[key] = m
	return m, nil
}

// recording makes a sensor that plays a readings file.
func (d *devices) recording(c *config.SensorConfig) (sensors.Sensor, error) {
	path := c.File
	if !filepath.IsAbs(path) {
		path = filepath.Join(d.folder, path)
	}
	source, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("sensor %s: %w", c.ID, err)
	}
	defer source.Close()
	file, err := recorded.Read(path, source)
	if err != nil {
		return nil, fmt.Errorf("sensor %s: %w", c.ID, err)
	}
	return recorded.NewPlayer(file, recorded.PlayerOptions{
		Name: c.File, Channels: c.Feeds, Speed: c.Speed, Loop: c.Loop, Hold: c.GapOrDefault(), Now: d.now,
	})
}
