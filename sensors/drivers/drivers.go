// Package drivers is the one table of the drivers: what each measures, where its part can be, how accurate the part is, how a search
// recognises it and how it is opened. The configuration, the search, the daemon and the reference read it, so that a new driver is
// one row of [Table].
//
//	buses := i2cbus.NewSet("/")
//	defer buses.Close()
//	hardware := drivers.NewHardware("/sys", buses)
//	sensor, wire, err := hardware.Open("tmp102", drivers.Settings{Bus: "I2C1", I2C: 0x48})
package drivers

import (
	"context"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/sht4x"
)

// UsualInterval is the interval of a driver that has no other.
const UsualInterval = 10 * time.Second

// Driver is a row of the table.
type Driver struct {
	Name     string // in the configuration
	Channels []sensors.Channel
	// Sold holds further names of its parts, in lower case, that people write for the driver.
	Sold []string
	// Addresses are those that the part can have on an I²C bus, the usual one first; nil for what is not on an I²C bus. Of a
	// driver with OneWire they are those of the 1-Wire master.
	Addresses     []uint16
	OneWire       bool          // the device is found by its ROM code
	Kernel        bool          // the device is found by the name of a kernel device
	Minimum       time.Duration // between two reads, as the part allows; 0 where it does not matter
	Usual         time.Duration // interval where none is given; 0 means [UsualInterval]
	NonCondensing bool          // the maker rates the part for non-condensing air only
	// Accuracy is what the maker states, taken as expanded uncertainty (k = 2) in K, %RH and pascal. Where one driver serves
	// several parts, the least accurate one counts.
	Accuracy map[sensors.Channel]float64
	ByPart   map[string]map[sensors.Channel]float64 // accuracy of a part that the configuration names
	Options  []string                               // keys that not every driver has

	// Recognises is the part that Identify recognises.
	Recognises string
	// Identify reports whether the part answers at an address of an I²C bus. nil where no question is harmless, or where
	// package i2cscan distinguishes the part from others at its address.
	Identify func(ctx context.Context, bus i2c.Bus, address uint16) (bool, error)
	// Discover lists the devices that the kernel shows below root, as "/sys"; nil for what the kernel does not show.
	Discover func(ctx context.Context, root string) ([]sensors.Found, error)

	// open makes the sensor; bus is nil for a driver without Addresses. It touches no device.
	open func(h *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error)
}

// Settings say which device to read and how. [Driver.Takes] reports which of them a driver knows; it ignores the others.
type Settings struct {
	Bus     string // as [i2cbus.ParseName] takes it; of a probe of the driver w1 its master, "" for the only one
	Mux     *Mux   // between the bus and the device, or nil
	I2C     uint16 // 7-bit address on an I²C bus; 0 means the usual one
	Address string // ROM code of a 1-Wire device; which of several kernel devices of one name; thermal zone of a board
	Name    string // kernel's name of an hwmon or IIO device, such as "sht4x"
	Bridge  uint16 // I²C address of a DS248x 1-Wire master
	Line    int    // of a DS2482-800, 0 to 7; -1 for a master with one line

	Part              string                     // such as "SHT45"
	Inputs            map[sensors.Channel]string // of hwmon and iio: kernel's item of a channel, such as "temp2"; nil means the first
	Heater            *sht4x.Heater              // of sht4x; nil means that it never heats itself
	TemperatureOffset *float64                   // of scd4x, in kelvin; nil leaves what the part holds
}

// Mux is a channel of an I²C multiplexer.
type Mux struct {
	Address uint16 // 0x70 to 0x77
	Channel int    // 0 to 7
}

// Of returns the row of a driver, or nil where the table has none of that name.
func Of(name string) *Driver {
	if at := slices.IndexFunc(Table, func(d Driver) bool { return d.Name == name }); at >= 0 {
		return &Table[at]
	}
	return nil
}

// Takes reports whether the driver has an option that not every sensor has, by its key in the configuration.
func (d *Driver) Takes(key string) bool {
	if key == "address" {
		return d.OneWire || d.Kernel || d.Addresses != nil
	}
	return slices.Contains(d.Options, key)
}

// Offers reports whether the driver has a channel.
func (d *Driver) Offers(channel sensors.Channel) bool { return slices.Contains(d.Channels, channel) }

// Every returns the interval between two reads where none is given.
func (d *Driver) Every() time.Duration {
	if d.Usual > 0 {
		return d.Usual
	}
	return UsualInterval
}

// AccuracyOf returns the accuracy of the part that the settings name, as [Driver.Accuracy]; nil where it is not known.
func (d *Driver) AccuracyOf(s Settings) map[sensors.Channel]float64 {
	if part, ok := d.ByPart[s.Part]; ok {
		return part
	}
	// The DS1822 has 2 K (mem). So has a DS18B20 whose code does not have the two zero bytes of an original, until it is calibrated
	// (judgement; the copies collected in cpetrich/counterfeit_DS18B20 are off by up to 3 K).
	if d.OneWire && (strings.HasPrefix(s.Address, "22-") ||
		strings.HasPrefix(s.Address, "28-") && !strings.HasPrefix(s.Address, "28-0000")) {
		return map[sensors.Channel]float64{sensors.Temperature: 2}
	}
	return d.Accuracy
}
