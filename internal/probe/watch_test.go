package probe

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/sensortest"
)

// The sensor that is warmed is pointed out, and one that was pulled off says so.
func TestTheWarmedSensorIsPointedOut(t *testing.T) {
	bus := sensortest.NewBus("I2C1")
	bus.Attach(0x48, tmp102Part())
	options := Options{I2C: buses{"I2C1": i2cbus.Share(bus)}, Only: []string{"I2C1"}, Sys: t.TempDir()}
	first := Run(t.Context(), options)
	require.Len(t, first.Devices, 1)

	again := first.Again(t.Context(), options)
	require.NoError(t, again.Devices[0].Err)
	before, _ := first.Devices[0].Reading.Measured(sensors.Temperature)
	now, _ := again.Devices[0].Reading.Measured(sensors.Temperature)
	require.Equal(t, before.Value, now.Value)
	var b strings.Builder
	require.NoError(t, again.WriteChange(&b, first))
	require.Contains(t, b.String(), "+0.00 K")
	require.NotContains(t, b.String(), "warmer")

	for i, v := range again.Devices[0].Reading.Values {
		again.Devices[0].Reading.Values[i].Value = v.Value + 3
	}
	b.Reset()
	require.NoError(t, again.WriteChange(&b, first))
	require.Contains(t, b.String(), "+3.00 K  <- this one is getting warmer")

	bus.Fail(sensortest.NoAcknowledge)
	pulled := first.Again(t.Context(), options)
	require.Error(t, pulled.Devices[0].Err)
	b.Reset()
	require.NoError(t, pulled.WriteChange(&b, first))
	require.Contains(t, b.String(), "no reading: absent")
	require.NoError(t, first.Devices[0].Err, "the first result is as it was")
}
