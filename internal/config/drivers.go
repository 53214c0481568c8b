package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// driver describes a driver as far as the configuration needs it.
type driver struct {
	name     string
	channels []sensors.Channel
	// addresses are those the part can have on an I²C bus, the usual one first; nil for what is not on an I²C bus.
	addresses     []uint16
	oneWire       bool // the address is a 1-Wire ROM code
	kernel        bool // the address is the name of a kernel device
	minimum       time.Duration
	usual         time.Duration // interval where none is given; 0 means 10 s
	nonCondensing bool
	// accuracy is what the maker states, taken as expanded uncertainty (k = 2); pascal, K and %RH.
	accuracy map[sensors.Channel]float64
	parts    map[string]map[sensors.Channel]float64 // accuracy of a part that the config names
	options  []string                               // keys that other drivers do not have
}

const usualInterval = 10 * time.Second

var (
	temperatureOnly        = []sensors.Channel{sensors.Temperature}
	temperatureAndHumidity = []sensors.Channel{sensors.Temperature, sensors.Humidity}
	allThree               = []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure}
)

// drivers is the table of the drivers. Accuracies: D is the data sheet, mem is from memory and not confirmed, typ is a
// typical figure of the maker and not a limit; where nothing else is stated it is doubled. Where one driver serves several parts, the least accurate one counts. Parts
// whose kernel name does not identify the part have none: give accuracy in the config.
var drivers = []driver{
	{
		name: "w1", channels: temperatureOnly, oneWire: true, minimum: time.Second, // a 12-bit conversion takes 0.75 s
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.5}, // D: DS18B20 rev 042208, −10…85 °C
	},
	{
		name: "ds248x", channels: temperatureOnly, oneWire: true, addresses: []uint16{0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f},
		minimum:  time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.5}, // D: as w1, the probe is the same
		options:  []string{"bus", "mux", "bridge", "line"},
	},
	{
		name: "iio", channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure, sensors.CO2},
		kernel: true, minimum: time.Second, options: []string{"name", "inputs"},
	},
	{
		name: "hwmon", channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Voltage},
		kernel: true, minimum: 2 * time.Second, // the kernel's sht4x keeps values for 2 s
		options: []string{"name", "inputs"},
	},
	{name: "board", channels: temperatureOnly, kernel: true, minimum: 2 * time.Second, usual: time.Minute},
	{
		name: "sht4x", channels: temperatureAndHumidity, addresses: []uint16{0x44, 0x45, 0x46}, minimum: time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.2, sensors.Humidity: 1.8}, // mem: SHT40
		parts: map[string]map[sensors.Channel]float64{
			"SHT40": {sensors.Temperature: 0.2, sensors.Humidity: 1.8}, // mem
			"SHT41": {sensors.Temperature: 0.2, sensors.Humidity: 1.8}, // mem
			"SHT45": {sensors.Temperature: 0.1, sensors.Humidity: 1},   // D
		},
		options: []string{"bus", "mux", "part", "heater"},
	},
	{
		name: "sht3x", channels: temperatureAndHumidity, addresses: []uint16{0x44, 0x45}, minimum: time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.3, sensors.Humidity: 3}, // D, humidity typ: SHT30
		parts: map[string]map[sensors.Channel]float64{ // D, humidity typ: SHT3x rev 0.9; SHT35 from a listing of the part
			"SHT30": {sensors.Temperature: 0.3, sensors.Humidity: 3},
			"SHT31": {sensors.Temperature: 0.3, sensors.Humidity: 2},
			"SHT35": {sensors.Temperature: 0.1, sensors.Humidity: 1.5},
		},
		options: []string{"bus", "mux", "part"},
	},
	{
		name: "bme280", channels: allThree, addresses: []uint16{0x76, 0x77}, minimum: time.Second, nonCondensing: true,
		// D: rev 1.6, ±3 %RH at 20–80 %; mem: ±1 °C over 0–65 °C and ±1 hPa.
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 1, sensors.Humidity: 3, sensors.Pressure: 100},
		options:  i2cOptions,
	},
	{
		name: "bmp280", channels: []sensors.Channel{sensors.Temperature, sensors.Pressure}, addresses: []uint16{0x76, 0x77},
		minimum:  time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 1, sensors.Pressure: 100}, // mem: as the BME280
		options:  i2cOptions,
	},
	{
		name: "htu21", channels: temperatureAndHumidity, addresses: []uint16{0x40}, minimum: time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.4, sensors.Humidity: 3}, // mem: Si7021, which it serves too
		parts: map[string]map[sensors.Channel]float64{ // mem
			"HTU21D": {sensors.Temperature: 0.3, sensors.Humidity: 2},
			"Si7021": {sensors.Temperature: 0.4, sensors.Humidity: 3},
		},
		options: []string{"bus", "mux", "part"},
	},
	{
		name: "aht20", channels: temperatureAndHumidity, addresses: []uint16{0x38}, minimum: 2 * time.Second, // mem: against self-heating
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.3, sensors.Humidity: 2}, // mem
		options:  i2cOptions,
	},
	{
		name: "hdc302x", channels: temperatureAndHumidity, addresses: []uint16{0x44, 0x45, 0x46, 0x47}, minimum: 2 * time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.2, sensors.Humidity: 1}, // mem, twice typ
		options:  i2cOptions,
	},
	{
		name: "mcp9808", channels: temperatureOnly, addresses: []uint16{0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f},
		minimum:  time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.5}, // mem, twice typ
		options:  i2cOptions,
	},
	{
		name: "tmp102", channels: temperatureOnly, addresses: []uint16{0x48, 0x49, 0x4a, 0x4b}, minimum: time.Second,
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 1}, // mem: 0.5 K at room temperature, 1 K over its range
		options:  i2cOptions,
	},
	{
		name:     "scd4x",
		channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.CO2}, addresses: []uint16{0x62},
		minimum:  5 * time.Second,                                                            // mem: it measures every 5 s
		accuracy: map[sensors.Channel]float64{sensors.Temperature: 0.8, sensors.Humidity: 6}, // mem
		options:  []string{"bus", "mux", "temperature-offset"},
	},
	{
		name: "mqtt", channels: allThree, usual: time.Minute,
		options: []string{"topic", "pointer", "senml", "unit", "broker", "username", "password-file", "ca-file"},
	},
	{name: "recorded", channels: allThree, options: []string{"file", "speed", "loop"}},
	{name: "sim", channels: allThree},
}

var i2cOptions = []string{"bus", "mux"}

// driverOf returns the driver of a name, or nil.
func driverOf(name string) *driver {
	for i := range drivers {
		if drivers[i].name == name {
			return &drivers[i]
		}
	}
	return nil
}

func driverNames() []string {
	names := make([]string, len(drivers))
	for i := range drivers {
		names[i] = drivers[i].name
	}
	return names
}

// takes reports whether the driver has an option that not every sensor has.
func (d *driver) takes(key string) bool {
	if key == "address" {
		return d.oneWire || d.kernel || d.addresses != nil
	}
	return slices.Contains(d.options, key)
}

// driversWith returns the names of the drivers that have an option.
func driversWith(key string) string {
	var names []string
	for i := range drivers {
		if drivers[i].takes(key) {
			names = append(names, drivers[i].name)
		}
	}
	return strings.Join(names, ", ")
}

func (d *driver) offers(channel sensors.Channel) bool { return slices.Contains(d.channels, channel) }

func channelNames(channels []sensors.Channel) []string {
	names := make([]string, len(channels))
	for i, channel := range channels {
		names[i] = string(channel)
	}
	return names
}

// quantityOf returns a quantity whose units a channel's values have. CO₂ and voltage feed no quantity.
func quantityOf(channel sensors.Channel) quantity.Quantity {
	switch channel {
	case sensors.Temperature:
		return quantity.AirTemperature
	case sensors.Humidity:
		return quantity.RelativeHumidity
	case sensors.Pressure:
		return quantity.Pressure
	}
	return quantity.None
}

// hexList writes I²C addresses the way data sheets do.
func hexList(addresses []uint16) string {
	texts := make([]string, len(addresses))
	for i, address := range addresses {
		texts[i] = fmt.Sprintf("0x%02x", address)
	}
	return strings.Join(texts, ", ")
}

// accuracyOf returns what the maker states of the part of a sensor.
func (d *driver) accuracyOf(sensor *SensorConfig) map[sensors.Channel]float64 {
	if part, ok := d.parts[sensor.Part]; ok {
		return part
	}
	// The DS1822 has 2 K (mem). So has a DS18B20 whose code does not have the two zero bytes of an original, until it is calibrated
	// (judgement; the copies collected in cpetrich/counterfeit_DS18B20 are off by up to 3 K).
	if d.oneWire && (strings.HasPrefix(sensor.Address, "22-") ||
		strings.HasPrefix(sensor.Address, "28-") && !strings.HasPrefix(sensor.Address, "28-0000")) {
		return map[sensors.Channel]float64{sensors.Temperature: 2}
	}
	return d.accuracy
}
