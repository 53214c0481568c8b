package sensors_test

import (
	"syscall"
	"testing"
	"testing/fstest"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/sensors"
	"dewline/sensors/drivers"
	"dewline/sensors/i2cbus"
	"dewline/sensors/sensortest"
)

const branchedSite = `
site: north-loft
timezone: Europe/Lisbon
places: [{id: loft, kind: room}, {id: tub-1, kind: enclosure, in: loft}, {id: tub-2, kind: enclosure, in: loft}]
sensors:
  - {id: loft-air, driver: lm75, bus: I2C1, address: 0x4d, feeds: {temperature: loft/air-temperature}}
  - {id: tub-1-air, driver: lm75, bus: I2C1, mux: {address: 0x70, channel: 0}, address: 0x4c, part: TMP105, feeds: {temperature: tub-1/air-temperature}}
  - {id: tub-2-air, driver: lm75, bus: I2C1, mux: {address: 0x70, channel: 5}, address: 0x4c, part: TMP105, feeds: {temperature: tub-2/air-temperature}}
`

type oneBus struct{ bus *i2cbus.Bus }

func (o oneBus) Bus(string) (*i2cbus.Bus, error) { return o.bus, nil }

// Two parts of one address on two channels, by the configuration: each feeds its own place, and one that is gone or a multiplexer
// that was reset costs the other nothing.
func TestOneAddressOnTwoChannels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		site, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(branchedSite)}}, "site.yaml")
		require.Empty(t, problems.Only(config.Error))
		part := func(word uint16) *locked {
			return &locked{chip: words(0, word, 0x7FFF, map[byte][]byte{1: {0}, 2: {0x4B, 0}, 3: {0x50, 0}})}
		}
		wire := sensortest.NewBranched("I2C1")
		wire.Attach(0x4D, part(0x1580)) // 21.5 °C
		wire.Channels[0], wire.Channels[5] = sensortest.NewBus("channel 0"), sensortest.NewBus("channel 5")
		wire.Channels[0].Attach(0x4C, part(0x1680)) // 22.5 °C
		wire.Channels[5].Attach(0x4C, part(0x18C0)) // 24.75 °C
		hardware := drivers.NewHardware(t.TempDir(), oneBus{i2cbus.Share(wire)})
		byID := map[string]sensors.Sensor{}
		for _, c := range site.Sensors {
			sensor, bus, err := hardware.Open(c.Driver, c.Settings)
			require.NoError(t, err)
			require.Equal(t, "I2C1", bus, "they take turns on the one wire")
			byID[c.ID] = sensor
		}
		read := func(want map[string]float64) {
			t.Helper()
			for range 2 {
				for id, sensor := range byID {
					reading, err := sensor.Read(t.Context())
					celsius, there := want[id]
					if !there {
						require.Equal(t, sensors.Absent, sensors.KindOf(err), id)
						continue
					}
					require.NoError(t, err, id)
					value, _ := reading.Measured(sensors.Temperature)
					require.Equal(t, celsius, value.Value, id)
				}
			}
			require.Zero(t, wire.Open(), "no channel stays open")
		}
		read(map[string]float64{"loft-air": 21.5, "tub-1-air": 22.5, "tub-2-air": 24.75})
		wire.Channels[0].Unplug(0x4C)
		read(map[string]float64{"loft-air": 21.5, "tub-2-air": 24.75})
		wire.Channels[0].Heal()
		read(map[string]float64{"loft-air": 21.5, "tub-1-air": 22.5, "tub-2-air": 24.75})
		wire.Channels[5].Fail(syscall.EREMOTEIO)
		read(map[string]float64{"loft-air": 21.5, "tub-1-air": 22.5})
		wire.Channels[5].Heal()
		wire.Power()
		read(map[string]float64{"loft-air": 21.5, "tub-1-air": 22.5, "tub-2-air": 24.75})
	})
}
