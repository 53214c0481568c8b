package iio

import (
	"time"

	"dewline/sensors"
	"dewline/sensors/internal/kerneldevice"
)

// facts are those of a part, and how its kernel driver behaves.
type facts struct {
	kerneldevice.Facts
	// units convert what the driver prints, after its scale, where it differs from the ABI.
	units map[sensors.Channel]func(float64) float64
	// interval is the shortest sensible time between two reads. 0 means 1 s.
	interval time.Duration
	// again and needs replace the usual pause before a failed read is repeated, and say how long a read may take.
	again, needs time.Duration
}

// known are the kernel drivers by the name they give their device.
//
// Sources: Linux dht11.c (commits 004bc530, 78391b23), bme680_core.c (ae1f7b93 and the files around it), si7020.c
// (064a7463), hdc100x.c (0b16921e), bmp280-core.c (24cb7344); BME280 data sheet 1.6 and BME680 data sheet 1.0 (humidity
// accuracy and its bounds); from memory: all other accuracies, and that the htu21 driver checks its checksum. Where a part
// has grades, the accuracy is that of the plainest.
var known = map[string]facts{
	"dht11": {
		// One driver for both parts, and nothing shows which is wired: the range of the better with the accuracy of the
		// plainer. The kernel waits up to a second for the answer, and repeats an answer for two.
		Facts: kerneldevice.Facts{Part: "DHT11 or DHT22",
			Measures: []sensors.Measure{kerneldevice.Temperature(-40, 80, 0.1, 2), kerneldevice.Humidity(0, 100, 0.1, 5)},
			Notes:    []string{"a single failed read is normal for this part", "if it is a DHT22, state an accuracy of 0.5 K and 5 %"}},
		interval: 2 * time.Second,
		again:    2 * time.Second,
		needs:    time.Second,
	},
	"bme280": {Facts: kerneldevice.Facts{Part: "BME280", Unchecked: true, NonCondensing: true,
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 85, 0.01, 1), kerneldevice.Humidity(0, 100, 0.008, 3),
			kerneldevice.Pressure(30_000, 110_000, 0.2, 100)}}},
	"bmp280": {Facts: kerneldevice.Facts{Part: "BMP280", Unchecked: true,
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 85, 0.01, 1), kerneldevice.Pressure(30_000, 110_000, 0.2, 100)}}},
	"bme680": {
		Facts: kerneldevice.Facts{Part: "BME680", Unchecked: true, NonCondensing: true,
			Measures: []sensors.Measure{kerneldevice.Temperature(-40, 85, 0.01, 1), kerneldevice.Humidity(0, 100, 0.008, 3),
				kerneldevice.Pressure(30_000, 110_000, 0.2, 100)},
			Notes: []string{"the kernel runs the gas heater at every read: expect it to read warm and dry, and calibrate"}},
		units:    map[sensors.Channel]func(float64) float64{sensors.Humidity: bme680Humidity, sensors.Pressure: bme680Pressure},
		interval: 3 * time.Second,
	},
	"si7020": {Facts: kerneldevice.Facts{Part: "Si7020, Si7021 or alike", Unchecked: true,
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.011, 0.4), kerneldevice.Humidity(-6, 118, 0.04, 3)},
		Notes:    []string{"the kernel stretches the clock for this part and does not check its checksum: dewline's own htu21 driver does neither"}}},
	"htu21": {Facts: kerneldevice.Facts{Part: "HTU21D",
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.01, 0.3), kerneldevice.Humidity(-6, 118, 0.04, 2)}}},
	"hdc100x": hdc100x, "hdc1000": hdc100x, "hdc1008": hdc100x, "hdc1010": hdc100x, "hdc1050": hdc100x, "hdc1080": hdc100x,
	"tmp117":   {Facts: kerneldevice.Facts{Part: "TMP117", Unchecked: true, Measures: kerneldevice.Thermometer(-55, 150, 0.0079, 0.1)}},
	"max31865": {Facts: kerneldevice.Facts{Part: "MAX31865 with PT100 or PT1000", Unchecked: true, Measures: kerneldevice.Thermometer(-60, 150, 0.032, 0.5)}},
	"scd4x": {
		Facts: kerneldevice.Facts{Part: "SCD40 or SCD41",
			Measures: []sensors.Measure{kerneldevice.Temperature(-10, 60, 0.01, 0.8), kerneldevice.Humidity(0, 100, 0.01, 6),
				{Channel: sensors.CO2, Low: 0, High: 40_000, Resolution: 1, Accuracy: 100}}},
		interval: 5 * time.Second, // it measures by itself that often
	},
}

// hdc100x is one driver for many parts; its device is named after the part.
var hdc100x = facts{Facts: kerneldevice.Facts{Part: "HDC1000, HDC1080 or alike", Unchecked: true,
	Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.0026, 0.4), kerneldevice.Humidity(0, 100, 0.0016, 3)}}}

// factsOf returns what is known of a device by its kernel name.
func factsOf(name string) facts {
	if f, ok := known[name]; ok {
		return f
	}
	return facts{Facts: kerneldevice.Unknown}
}

// unit converts a value in the units of the IIO ABI to ours: from milli-degree, milli-percent, kilopascal and percent
// (Documentation/ABI/testing/sysfs-bus-iio).
func (f facts) unit(channel sensors.Channel, value float64) float64 {
	if convert := f.units[channel]; convert != nil {
		return convert(value)
	}
	switch channel {
	case sensors.Pressure:
		return value * 1000
	case sensors.CO2:
		return value * 10_000
	}
	return value / 1000
}

// bme680Humidity takes the percent that the bme680 driver prints where the ABI wants milli-percent. Should a later kernel
// mend that, no reading can be mistaken: more than 120 is never percent, and up to 120 milli-percent is no air on earth.
func bme680Humidity(value float64) float64 {
	if value > 120 {
		return value / 1000
	}
	return value
}

// bme680Pressure takes hectopascal as kernels before 6.11 print it, and kilopascal as later and mended ones do ("iio:
// chemical: bme680: Fix pressure value output", June 2024). The part measures 300 to 1100 hPa, which is 30 to 110 kPa, so
// the number shows the unit.
func bme680Pressure(value float64) float64 {
	const between = 200
	if value > between {
		return value * 100
	}
	return value * 1000
}
