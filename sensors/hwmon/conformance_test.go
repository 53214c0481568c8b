package hwmon_test

import (
	"maps"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/hwmon"
	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest"
	"dewline/sensors/sensortest/kernelfiletest"
)

const (
	tree  = "../../testdata/sys/north-loft"
	sht4x = "class/hwmon/hwmon1"
)

type answer = kernelfiletest.Answer

func TestConformance(t *testing.T) {
	for name, noChecksum := range map[string]bool{"sht4x": false, "sht3x": true} {
		t.Run(name, func(t *testing.T) {
			sensortest.Run(t, sensortest.Rig{
				// The text of a number has no checksum of its own, whatever the part sends. The kernel's is tested beside.
				NoChecksum: true,
				Exempt:     map[sensortest.Fault]string{sensortest.Reset: "the kernel's driver sets the part up for each measurement"},
				Open: func(t *testing.T) sensortest.Bench {
					files, sensor := open(t, name)
					flip := func(file string, bits int) []func() {
						return sensortest.Flips(bits, func(bit int) {
							files.Alter(sht4x+"/"+file, func(text string) string {
								altered := []byte(text)
								altered[bit/8] ^= 1 << (bit % 8)
								return string(altered)
							})
						})
					}
					always := func(file, text string) func() {
						return func() { files.Always(sht4x+"/"+file, answer{Text: text}) }
					}
					implausible := map[string]func(){
						"all zero":   always("temp1_input", "-45000\n"),
						"all ones":   always("temp1_input", "130000\n"),
						"much water": always("humidity1_input", "119002\n"),
					}
					if noChecksum {
						maps.DeleteFunc(implausible, func(what string, _ func()) bool { return what == "much water" })
						implausible["more than all"] = always("humidity1_input", "100001\n")
					}
					return sensortest.Bench{
						Sensor:      sensor,
						Want:        map[sensors.Channel]float64{sensors.Temperature: 23.412, sensors.Humidity: 81.947},
						Heal:        func() { heal(files, name) },
						Absent:      func() { files.Unplug(sht4x) },
						Silent:      files.Hang,
						Slow:        files.Delay,
						Garbled:     append(flip("temp1_input", 8*6), flip("humidity1_input", 8*6)...),
						Implausible: implausible,
						FailAt:      files.FailAt,
					}
				},
			})
		})
	}
}

// heal mends everything, save that the device of the tree goes by another name.
func heal(files *kernelfiletest.Faulty, name string) {
	files.Heal()
	files.Always(sht4x+"/name", answer{Text: name + "\n"})
}

// open returns the SHT4x of the tree by whatever name.
func open(t *testing.T, name string) (*kernelfiletest.Faulty, *hwmon.Device) {
	t.Helper()
	files := kernelfiletest.New(kernelfile.Dir(tree))
	heal(files, name)
	sensor, err := hwmon.New(hwmon.Options{Name: name, Files: files})
	require.NoError(t, err)
	return files, sensor
}
