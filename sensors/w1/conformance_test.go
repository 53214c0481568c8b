package w1_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest"
	"dewline/sensors/sensortest/kernelfiletest"
	"dewline/sensors/w1"
)

const (
	tree     = "../../testdata/sys/north-loft"
	original = "28-00000b3c5d1e" // 22.3125 °C
	clone    = "28-0316a2794bff" // 22.75 °C
	devices  = "bus/w1/devices/"
)

// The scratchpads of sensors that lost their power or broke off, with their checksums (computed by the definition of the
// CRC; the first as published in the cpetrich/counterfeit_DS18B20 collection).
const (
	powerOn   = "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"
	brokenOff = "ff 07 4b 46 7f ff 0c 10 a6 : crc=a6 YES\nff 07 4b 46 7f ff 0c 10 a6 t=127937\n"
	zeros     = "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"
	ones      = "ff ff ff ff ff ff ff ff ff : crc=c9 NO\n65 01 4b 46 7f ff 0b 10 2c t=-62\n"
	saysNo    = "65 01 4b 46 7f ff 0b 10 2d : crc=2c NO\n65 01 4b 46 7f ff 0b 10 2c t=22312\n"
)

func TestConformance(t *testing.T) {
	for rom, want := range map[string]float64{original: 22.3125, clone: 22.75} {
		t.Run(rom, func(t *testing.T) {
			sensortest.Run(t, sensortest.Rig{
				ResetSeen: true,
				Open: func(t *testing.T) sensortest.Bench {
					files, sensor := open(t, rom)
					w1Slave := devices + rom + "/w1_slave"
					flip := func(bit int) {
						files.Alter(w1Slave, func(text string) string {
							altered := []byte(text)
							altered[bit/8] ^= 1 << (bit % 8)
							return string(altered)
						})
					}
					answer := func(text string) func() {
						return func() { files.Always(w1Slave, kernelfiletest.Answer{Text: text}) }
					}
					return sensortest.Bench{
						Sensor:  sensor,
						Want:    map[sensors.Channel]float64{sensors.Temperature: want},
						Heal:    files.Heal,
						Absent:  func() { files.Unplug(devices + rom) },
						Silent:  files.Hang,
						Slow:    files.Delay,
						Garbled: sensortest.Flips(8*len(saysNo), flip),
						Implausible: map[string]func(){
							"power-on value":    answer(powerOn),
							"broken conversion": answer(brokenOff),
							"all zero":          answer(zeros),
						},
						Reset:  func() { files.Next(w1Slave, kernelfiletest.Answer{Text: powerOn}) },
						FailAt: files.FailAt,
					}
				},
			})
		})
	}
}

// open returns a probe of the tree, which can be broken without changing it.
func open(t *testing.T, rom string) (*kernelfiletest.Faulty, *w1.Device) {
	t.Helper()
	files := kernelfiletest.New(kernelfile.Dir(tree))
	sensor, err := w1.New(w1.Options{ROM: rom, Files: files})
	require.NoError(t, err)
	return files, sensor
}

func TestTreeIsWhatTheTestsTakeItFor(t *testing.T) {
	text, err := kernelfile.Dir(tree).ReadFile(devices + original + "/w1_slave")
	require.NoError(t, err)
	require.Equal(t, strings.ReplaceAll(strings.ReplaceAll(saysNo, "2d", "2c"), "NO", "YES"), string(text))
}
