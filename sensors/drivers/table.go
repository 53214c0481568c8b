package drivers

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"

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
	"dewline/sensors/lm75"
	"dewline/sensors/mcp9808"
	"dewline/sensors/scd4x"
	"dewline/sensors/sht3x"
	"dewline/sensors/sht4x"
	"dewline/sensors/tmp102"
	"dewline/sensors/w1"
)

var (
	onlyTemperature        = []sensors.Channel{sensors.Temperature}
	temperatureAndHumidity = []sensors.Channel{sensors.Temperature, sensors.Humidity}

	onBus     = []string{"bus", "mux"}
	partOnBus = []string{"bus", "mux", "part"}
)

// figures is what the maker states of the accuracy of a part.
type figures = map[sensors.Channel]float64

// Table has a row for each driver. Accuracies: D is the data sheet, mem is from memory and not confirmed, typ is a typical figure
// of the maker and not a limit; where nothing else is stated it is doubled. Parts whose kernel name does not identify the part have
// none: give accuracy in the configuration.
var Table = []Driver{
	{
		Name: "w1", Channels: onlyTemperature, OneWire: true,
		Sold:     []string{"ds18b20", "ds18s20", "ds1822", "ds1825", "ds28ea00"},
		Minimum:  time.Second,                       // a 12-bit conversion takes 0.75 s
		Accuracy: figures{sensors.Temperature: 0.5}, // D: DS18B20 rev 042208, −10…85 °C
		Discover: w1.Discover,
		open: func(h *Hardware, _ *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return w1.New(w1.Options{Root: h.sys, ROM: s.Address, Bus: h.line(s.Bus)})
		},
	},
	{
		Name: "ds248x", Channels: onlyTemperature, OneWire: true,
		Sold:      []string{"ds2482", "ds2482-100", "ds2482-800", "ds2483"},
		Addresses: []uint16{0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f}, Options: []string{"bus", "mux", "bridge", "line"},
		Minimum:  time.Second,
		Accuracy: figures{sensors.Temperature: 0.5}, // D: as w1, the probe is the same
		Identify: ds248x.Identify,
		open: func(h *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			lines := 1
			if s.Line >= 0 {
				lines = 8
			}
			master, err := h.Master(bus, s.Bridge, lines)
			if err != nil {
				return nil, err
			}
			return master.Probe(ds248x.ProbeOptions{ROM: s.Address, Line: max(s.Line, 0)})
		},
	},
	{
		Name: "hwmon", Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Voltage}, Kernel: true,
		Options: []string{"name", "inputs"}, Minimum: 2 * time.Second, // the kernel's sht4x keeps values for 2 s
		Discover: hwmon.Discover,
		open: func(h *Hardware, _ *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return hwmon.New(hwmon.Options{Root: h.sys, Name: s.Name, Device: s.Address, Channels: s.Inputs})
		},
	},
	{
		Name: "iio", Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure, sensors.CO2}, Kernel: true,
		Options: []string{"name", "inputs"}, Minimum: time.Second,
		Discover: iio.Discover,
		open: func(h *Hardware, _ *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return iio.New(iio.Options{Root: h.sys, Name: s.Name, Device: s.Address, Channels: s.Inputs})
		},
	},
	{
		Name: "board", Channels: onlyTemperature, Kernel: true, Minimum: 2 * time.Second, Usual: time.Minute,
		Discover: board.Discover,
		open: func(h *Hardware, _ *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return board.New(board.Options{Root: h.sys, Zone: s.Address})
		},
	},
	{
		Name: sht4x.Driver, Channels: temperatureAndHumidity, Sold: []string{"sht40", "sht41", "sht45"},
		Addresses: []uint16{0x44, 0x45, 0x46}, Options: []string{"bus", "mux", "part", "heater"}, Minimum: time.Second,
		Accuracy: figures{sensors.Temperature: 0.2, sensors.Humidity: 1.8}, // mem: SHT40
		ByPart: map[string]figures{
			"SHT40": {sensors.Temperature: 0.2, sensors.Humidity: 1.8}, // mem
			"SHT41": {sensors.Temperature: 0.2, sensors.Humidity: 1.8}, // mem
			"SHT45": {sensors.Temperature: 0.1, sensors.Humidity: 1},   // D
		},
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return sht4x.New(bus, sht4x.Options{Address: s.I2C, Part: s.Part, Heater: s.Heater})
		},
	},
	{
		Name: sht3x.Driver, Channels: temperatureAndHumidity, Sold: []string{"sht30", "sht31", "sht35"},
		Addresses: []uint16{0x44, 0x45}, Options: partOnBus, Minimum: time.Second,
		Accuracy: figures{sensors.Temperature: 0.3, sensors.Humidity: 3}, // D, humidity typ: SHT30
		ByPart: map[string]figures{ // D, humidity typ: SHT3x rev 0.9; SHT35 from a listing of the part
			"SHT30": {sensors.Temperature: 0.3, sensors.Humidity: 3},
			"SHT31": {sensors.Temperature: 0.3, sensors.Humidity: 2},
			"SHT35": {sensors.Temperature: 0.1, sensors.Humidity: 1.5},
		},
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return sht3x.New(bus, sht3x.Options{Address: s.I2C, Part: s.Part})
		},
	},
	{
		Name: bme280.Driver, Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure},
		Addresses: []uint16{0x76, 0x77}, Options: onBus, Minimum: time.Second, NonCondensing: true,
		// D: rev 1.6, ±3 %RH at 20–80 %; mem: ±1 °C over 0–65 °C and ±1 hPa.
		Accuracy: figures{sensors.Temperature: 1, sensors.Humidity: 3, sensors.Pressure: 100},
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return bme280.New(bus, bme280.Options{Address: s.I2C})
		},
	},
	{
		Name: bme280.DriverBMP280, Channels: []sensors.Channel{sensors.Temperature, sensors.Pressure},
		Addresses: []uint16{0x76, 0x77}, Options: onBus, Minimum: time.Second,
		Accuracy: figures{sensors.Temperature: 1, sensors.Pressure: 100}, // mem: as the BME280
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return bme280.New(bus, bme280.Options{Address: s.I2C, BMP280: true})
		},
	},
	{
		Name: htu21.Driver, Channels: temperatureAndHumidity, Sold: []string{"htu21d", "si7021", "sht21"},
		Addresses: []uint16{0x40}, Options: partOnBus, Minimum: time.Second,
		Accuracy: figures{sensors.Temperature: 0.4, sensors.Humidity: 3}, // mem: Si7021, which it serves too
		ByPart: map[string]figures{ // mem
			"HTU21D": {sensors.Temperature: 0.3, sensors.Humidity: 2},
			"Si7021": {sensors.Temperature: 0.4, sensors.Humidity: 3},
		},
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return htu21.New(bus, htu21.Options{Address: s.I2C, Part: s.Part})
		},
	},
	{
		Name: aht20.Driver, Channels: temperatureAndHumidity,
		Addresses: []uint16{0x38}, Options: onBus, Minimum: 2 * time.Second, // mem: against self-heating
		Accuracy: figures{sensors.Temperature: 0.3, sensors.Humidity: 2}, // mem
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return aht20.New(bus, aht20.Options{Address: s.I2C})
		},
	},
	{
		Name: "hdc302x", Channels: temperatureAndHumidity, Sold: []string{"hdc3020", "hdc3021", "hdc3022"},
		Addresses: []uint16{0x44, 0x45, 0x46, 0x47}, Options: onBus, Minimum: 2 * time.Second,
		Accuracy: figures{sensors.Temperature: 0.2, sensors.Humidity: 1}, // mem, twice typ
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return hdc302x.New(bus, hdc302x.Options{Address: s.I2C})
		},
	},
	{
		Name: "mcp9808", Channels: onlyTemperature,
		Addresses: []uint16{0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f}, Options: onBus, Minimum: time.Second,
		Accuracy:   figures{sensors.Temperature: 0.5}, // mem, twice typ
		Recognises: "MCP9808", Identify: mcp9808.Identify,
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return mcp9808.New(bus, mcp9808.Options{Address: s.I2C})
		},
	},
	{
		Name: "tmp102", Channels: onlyTemperature,
		Addresses: []uint16{0x48, 0x49, 0x4a, 0x4b}, Options: onBus, Minimum: time.Second,
		Accuracy:   figures{sensors.Temperature: 1}, // mem: 0.5 K at room temperature, 1 K over its range
		Recognises: "TMP102", Identify: tmp102.Identify,
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return tmp102.New(bus, tmp102.Options{Address: s.I2C})
		},
	},
	{
		Name: lm75.Driver, Channels: onlyTemperature, Sold: []string{"pct2075", "tmp75", "tmp105", "tmp175", "tmp275", "mcp9800"},
		Addresses: []uint16{0x48, 0x49, 0x4a, 0x4b, 0x4c, 0x4d, 0x4e, 0x4f}, Options: partOnBus, Minimum: time.Second,
		Accuracy: figures{sensors.Temperature: 2}, // D: LM75 DS012658, −25…100 °C
		ByPart: map[string]figures{
			"LM75":    {sensors.Temperature: 2},   // D
			"PCT2075": {sensors.Temperature: 1},   // mem
			"TMP75":   {sensors.Temperature: 2},   // D: −40…125 °C
			"TMP105":  {sensors.Temperature: 2},   // D: SLLS648D, −25…85 °C
			"TMP175":  {sensors.Temperature: 2},   // D: −40…125 °C
			"TMP275":  {sensors.Temperature: 0.5}, // mem
			"MCP9800": {sensors.Temperature: 1},   // mem
		},
		Recognises: "LM75, TMP75, TMP105 or alike", Identify: lm75.Identify, // after the TMP102, whose limits are the same
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return lm75.New(bus, lm75.Options{Address: s.I2C, Part: s.Part})
		},
	},
	{
		Name: "scd4x", Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.CO2}, Sold: []string{"scd40", "scd41"},
		Addresses: []uint16{scd4x.Address}, Options: []string{"bus", "mux", "temperature-offset"},
		Minimum:    5 * time.Second,                                        // mem: it measures every 5 s
		Accuracy:   figures{sensors.Temperature: 0.8, sensors.Humidity: 6}, // mem
		Recognises: "SCD4x",
		Identify:   func(ctx context.Context, bus i2c.Bus, _ uint16) (bool, error) { return scd4x.Identify(ctx, bus) },
		open: func(_ *Hardware, bus *i2cbus.Bus, s Settings) (sensors.Sensor, error) {
			return scd4x.New(bus, scd4x.Options{TemperatureOffset: s.TemperatureOffset})
		},
	},
}
