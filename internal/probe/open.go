package probe

import (
	"fmt"
	"strconv"

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

// open makes the sensor of a device that was found.
func (p *prober) open(d Device) (sensors.Sensor, error) {
	switch d.Driver {
	case "w1":
		return w1.New(w1.Options{ROM: d.Address, Bus: p.line(d.Bus), Root: p.options.Sys})
	case "hwmon":
		return hwmon.New(hwmon.Options{Name: d.Name, Device: d.Address, Root: p.options.Sys})
	case "iio":
		return iio.New(iio.Options{Name: d.Name, Device: d.Address, Root: p.options.Sys})
	case "board":
		return board.New(board.Options{Zone: d.Address, Root: p.options.Sys})
	}
	bus, err := p.options.I2C.Bus(d.Bus)
	if err != nil {
		return nil, err
	}
	if d.Driver == "ds248x" {
		return p.openBehind(bus, d)
	}
	address, err := parseHex(d.Address)
	if err != nil {
		return nil, err
	}
	switch d.Driver {
	case sht4x.Driver:
		return sht4x.New(bus, sht4x.Options{Address: address})
	case sht3x.Driver:
		return sht3x.New(bus, sht3x.Options{Address: address})
	case htu21.Driver:
		return htu21.New(bus, htu21.Options{Address: address})
	case aht20.Driver:
		return aht20.New(bus, aht20.Options{Address: address})
	case bme280.Driver:
		return bme280.New(bus, bme280.Options{Address: address})
	case bme280.DriverBMP280:
		return bme280.New(bus, bme280.Options{Address: address, BMP280: true})
	case "hdc302x":
		return hdc302x.New(bus, hdc302x.Options{Address: address})
	case "tmp102":
		return tmp102.New(bus, tmp102.Options{Address: address})
	case "mcp9808":
		return mcp9808.New(bus, mcp9808.Options{Address: address})
	case "scd4x":
		return scd4x.New(bus, scd4x.Options{})
	}
	return nil, fmt.Errorf("no driver %q is built in", d.Driver)
}

func (p *prober) openBehind(bus *i2cbus.Bus, d Device) (sensors.Sensor, error) {
	address, err := parseHex(d.Bridge)
	if err != nil {
		return nil, err
	}
	master, err := p.master(bus, address)
	if err != nil {
		return nil, err
	}
	return master.Probe(ds248x.ProbeOptions{ROM: d.Address})
}

// master returns the one Master of a chip, so that its probes take turns.
func (p *prober) master(bus *i2cbus.Bus, address uint16) (*ds248x.Master, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	key := bus.String() + " " + hex(address)
	if known := p.masters[key]; known != nil {
		return known, nil
	}
	master, err := ds248x.New(bus, ds248x.Options{Address: address})
	if err == nil {
		p.masters[key] = master
	}
	return master, err
}

// line returns the one Bus of a 1-Wire master of the kernel.
func (p *prober) line(name string) *w1.Bus {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.lines[name] == nil {
		p.lines[name] = w1.NewBus()
	}
	return p.lines[name]
}

func parseHex(text string) (uint16, error) {
	n, err := strconv.ParseUint(text, 0, 16)
	if err != nil {
		return 0, fmt.Errorf("address: %w", err)
	}
	return uint16(n), nil
}
