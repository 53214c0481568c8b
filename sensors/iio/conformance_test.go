package iio_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/iio"
	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest"
	"dewline/sensors/sensortest/kernelfiletest"
)

const (
	tree    = "../../testdata/sys/north-loft"
	folder  = "bus/iio/devices/"
	bme280  = folder + "iio:device0"
	bme680  = folder + "iio:device1"
	dht11   = folder + "iio:device2"
	si7020  = folder + "iio:device3"
	minutes = 5 * time.Minute
)

type answer = kernelfiletest.Answer

// parts are those of the tree: where they are, what they measure, and what they can say that cannot be.
var parts = map[string]struct {
	place       string
	want        map[sensors.Channel]float64
	files       []string // those that hold a measurement
	implausible map[string][2]string
}{
	"bme280": {bme280, map[sensors.Channel]float64{sensors.Temperature: 24.44, sensors.Humidity: 54.18, sensors.Pressure: 100653.25},
		[]string{"in_temp_input", "in_humidityrelative_input", "in_pressure_input"},
		map[string][2]string{ // what the raw words FFFFF and 00000 give (conversion of the BMP280 data sheet)
			"all ones": {"in_temp_input", "187550\n"}, "all zero": {"in_temp_input", "-140880\n"},
			"no air": {"in_pressure_input", "0.000000000\n"}, "more than all": {"in_humidityrelative_input", "100001\n"},
		}},
	"bme680": {bme680, map[sensors.Channel]float64{sensors.Temperature: 24.54, sensors.Humidity: 41.074, sensors.Pressure: 101435},
		[]string{"in_temp_input", "in_humidityrelative_input", "in_pressure_input"},
		map[string][2]string{"too hot": {"in_temp_input", "85010\n"}, "more than all": {"in_humidityrelative_input", "100.100000000\n"}}},
	"dht11": {dht11, map[sensors.Channel]float64{sensors.Temperature: 23.7, sensors.Humidity: 76.4},
		[]string{"in_temp_input", "in_humidityrelative_input"},
		map[string][2]string{"lost bit": {"in_humidityrelative_input", "165200\n"}, "too cold": {"in_temp_input", "-320000\n"}}},
	"si7020": {si7020, map[sensors.Channel]float64{sensors.Temperature: 22.866, sensors.Humidity: 81.741},
		[]string{"in_temp_raw", "in_humidityrelative_raw"},
		map[string][2]string{"all zero": {"in_temp_raw", "0\n"}, "no scale": {"in_humidityrelative_scale", "7629.394531000\n"}}},
}

func TestConformance(t *testing.T) {
	for name, part := range parts {
		t.Run(name, func(t *testing.T) {
			sensortest.Run(t, sensortest.Rig{
				Timeout:    5 * time.Second,
				NoChecksum: true, // the text of a number has none
				Exempt:     map[sensortest.Fault]string{sensortest.Reset: "the kernel's driver sets the part up, and shows no sign of a reset"},
				Open: func(t *testing.T) sensortest.Bench {
					files, sensor := open(t, name)
					bench := sensortest.Bench{
						Sensor:      sensor,
						Want:        part.want,
						Heal:        files.Heal,
						Absent:      func() { files.Unplug(part.place) },
						Silent:      files.Hang,
						Slow:        files.Delay,
						Implausible: map[string]func(){},
						FailAt:      files.FailAt,
					}
					for _, file := range part.files {
						bench.Garbled = append(bench.Garbled, sensortest.Flips(8*5, func(bit int) {
							files.Alter(part.place+"/"+file, func(text string) string {
								altered := []byte(text)
								altered[bit/8] ^= 1 << (bit % 8)
								return string(altered)
							})
						})...)
					}
					for what, says := range part.implausible {
						bench.Implausible[what] = func() { files.Always(part.place+"/"+says[0], answer{Text: says[1]}) }
					}
					return bench
				},
			})
		})
	}
}

// open returns a part of the tree, which can be broken without changing it.
func open(t *testing.T, name string) (*kernelfiletest.Faulty, *iio.Device) {
	t.Helper()
	files := kernelfiletest.New(kernelfile.Dir(tree))
	sensor, err := iio.New(iio.Options{Name: name, Files: files})
	require.NoError(t, err)
	return files, sensor
}
