package drivers

import (
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors/i2cbus"
)

// TestTable checks the properties of the table that the rest of the program relies on: figures of channels that the driver has, addresses
// that can be, and that each driver opens without its device and calls itself as its row does.
func TestTable(t *testing.T) {
	hardware := NewHardware(t.TempDir(), i2cbus.NewSet(t.TempDir()))
	for _, d := range Table {
		t.Run(d.Name, func(t *testing.T) {
			require.Same(t, Of(d.Name), Of(d.Name), "one row of the name")
			assert.NotEmpty(t, d.Channels)
			assert.NotZero(t, d.Minimum)
			for channel, value := range d.Accuracy {
				assert.True(t, d.Offers(channel), channel)
				assert.Positive(t, value)
			}
			for part, figures := range d.ByPart {
				assert.Equal(t, slices.Sorted(maps.Keys(d.Accuracy)), slices.Sorted(maps.Keys(figures)), part)
				for channel, value := range figures {
					assert.LessOrEqual(t, value, d.Accuracy[channel], "%s: without a part the least accurate one counts", part)
				}
			}
			for _, address := range d.Addresses {
				assert.True(t, address >= 0x08 && address <= 0x77, "0x%02x is reserved on the bus (UM10204)", address)
			}
			assert.Equal(t, len(d.Addresses) > 0, d.Takes("bus"), "what has an address hangs on a bus")
			assert.True(t, d.Identify == nil || d.OneWire || d.Recognises != "", "what is recognised has a name")

			for _, address := range append(slices.Clone(d.Addresses), 0) {
				sensor, wire, err := hardware.Open(d.Name, Settings{
					Bus: "I2C1", I2C: address, Bridge: address, Address: address28(d), Name: "sht4x", Line: -1,
				})
				require.NoError(t, err)
				said := sensor.Describe()
				assert.Equal(t, d.Name, said.Driver)
				assert.True(t, said.NonCondensing || !d.NonCondensing)
				for _, m := range said.Measures {
					assert.True(t, d.Offers(m.Channel), "%s is in the row", m.Channel)
				}
				if d.Addresses != nil {
					assert.Equal(t, "I2C1", wire)
				}
				assert.NoError(t, sensor.Close())
			}
		})
	}
}

func address28(d Driver) string {
	if d.OneWire {
		return "28-0316a2794bff"
	}
	return ""
}

func TestOpenRefuses(t *testing.T) {
	hardware := NewHardware(t.TempDir(), i2cbus.NewSet(t.TempDir()))
	for name, settings := range map[string]Settings{
		"there is no driver": {},
		"no bus number":      {Bus: "garden"},
		"no multiplexer can": {Bus: "I2C1", Mux: &Mux{Address: 0x20}},
	} {
		driver := "tmp102"
		if settings.Bus == "" {
			driver = "tmp999"
		}
		_, _, err := hardware.Open(driver, settings)
		assert.ErrorContains(t, err, name)
	}
}

// Probes of one 1-Wire master take turns, since they have the same one.
func TestOneMasterForItsProbes(t *testing.T) {
	hardware := NewHardware(t.TempDir(), i2cbus.NewSet(t.TempDir()))
	bus, err := i2cbus.NewSet(t.TempDir()).Bus("I2C1")
	require.NoError(t, err)
	first, err := hardware.Master(bus, 0x18, 1)
	require.NoError(t, err)
	again, err := hardware.Master(bus, 0x18, 1)
	require.NoError(t, err)
	assert.Same(t, first, again)
	other, err := hardware.Master(bus, 0x19, 1)
	require.NoError(t, err)
	assert.NotSame(t, first, other)
	assert.Same(t, hardware.line("w1_bus_master1"), hardware.line("w1_bus_master1"))
}
