package probe

import (
	"fmt"
	"strconv"

	"dewline/sensors"
	"dewline/sensors/drivers"
)

// open makes the sensor of a device that was found.
func (p *prober) open(d Device) (sensors.Sensor, error) {
	settings := drivers.Settings{Bus: d.Bus, Name: d.Name, Address: d.Address, Line: -1}
	var err error
	switch {
	case d.Bridge != "":
		settings.Bridge, err = parseHex(d.Bridge)
	case onI2C(d):
		settings.I2C, err = parseHex(d.Address)
	}
	if err != nil {
		return nil, err
	}
	sensor, _, err := p.hardware.Open(d.Driver, settings)
	return sensor, err
}

func parseHex(text string) (uint16, error) {
	n, err := strconv.ParseUint(text, 0, 16)
	if err != nil {
		return 0, fmt.Errorf("address: %w", err)
	}
	return uint16(n), nil
}
