package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/w1"
)

// What the helper writes is what the driver takes for a probe at that temperature.
func TestWarmedProbeIsRead(t *testing.T) {
	root := t.TempDir()
	folder := filepath.Join(root, "bus/w1/devices/28-00000b3c5d1e")
	require.NoError(t, os.MkdirAll(folder, 0o755))
	for _, celsius := range []float64{29.5, 22.5, 0.0625, -10.125, 85} {
		require.NoError(t, warm(celsius, folder))
		sensor, err := w1.New(w1.Options{ROM: "28-00000b3c5d1e", Root: root, Bus: w1.NewBus()})
		require.NoError(t, err)
		reading, err := sensor.Read(t.Context())
		require.NoError(t, err)
		value, ok := reading.Measured(sensors.Temperature)
		require.True(t, ok)
		require.Equal(t, celsius, value.Value)
		require.NoError(t, sensor.Close())
	}
}
