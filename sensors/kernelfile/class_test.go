package kernelfile_test

import (
	"io/fs"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest/kernelfiletest"
)

func TestEntries(t *testing.T) {
	reader := kernelfile.NewReader(kernelfile.Dir(tree))
	const i2c = "devices/platform/soc/fe804000.i2c/i2c-1/"
	for _, c := range []struct {
		class kernelfile.Class
		want  []kernelfile.Entry
	}{
		{kernelfile.Hwmon, []kernelfile.Entry{
			{Path: "class/hwmon/hwmon0", Device: "devices/virtual/thermal/thermal_zone0", Name: "cpu_thermal"},
			{Path: "class/hwmon/hwmon1", Device: i2c + "1-0044", Name: "sht4x"},
			{Path: "class/hwmon/hwmon2", Device: "devices/platform/soc/soc:firmware/raspberrypi-hwmon", Name: "rpi_volt"},
			{Path: "class/hwmon/hwmon3", Device: "devices/w1_bus_master1/28-00000b3c5d1e", Name: "w1_slave_temp"},
			{Path: "class/hwmon/hwmon4", Device: "devices/w1_bus_master1/28-00000b3c60a2", Name: "w1_slave_temp"},
			{Path: "class/hwmon/hwmon5", Device: "devices/w1_bus_master1/28-00000b3c6a77", Name: "w1_slave_temp"},
			{Path: "class/hwmon/hwmon6", Device: "devices/w1_bus_master1/28-0316a2794bff", Name: "w1_slave_temp"},
		}},
		{kernelfile.IIO, []kernelfile.Entry{
			{Path: "bus/iio/devices/iio:device0", Device: i2c + "1-0076", Name: "bme280"},
			{Path: "bus/iio/devices/iio:device1", Device: i2c + "1-0077", Name: "bme680"},
			{Path: "bus/iio/devices/iio:device2", Device: "devices/platform/dht11@11", Name: "dht11"},
			{Path: "bus/iio/devices/iio:device3", Device: i2c + "1-0040", Name: "si7020"},
		}},
		{kernelfile.Thermal, []kernelfile.Entry{
			{Path: "class/thermal/thermal_zone0", Device: "devices/virtual/thermal/thermal_zone0", Name: "cpu-thermal"},
		}},
	} {
		got, err := reader.Entries(t.Context(), c.class)
		require.NoError(t, err)
		assert.Equal(t, c.want, got)
	}
	got, err := kernelfile.NewReader(kernelfile.Dir(t.TempDir())).Entries(t.Context(), kernelfile.Hwmon)
	require.NoError(t, err)
	assert.Empty(t, got)
}

func TestFind(t *testing.T) {
	reader := kernelfile.NewReader(kernelfile.Dir(tree))
	for _, c := range []struct{ name, device, want string }{
		{"sht4x", "", "class/hwmon/hwmon1"},
		{"sht4x", "1-0044", "class/hwmon/hwmon1"},
		{"w1_slave_temp", "hwmon5", "class/hwmon/hwmon5"},
		{"w1_slave_temp", "28-0316a2794bff", "class/hwmon/hwmon6"},
		{"", "/sys/devices/platform/soc/fe804000.i2c/i2c-1/1-0044", "class/hwmon/hwmon1"},
		{"", "devices/platform/soc/fe804000.i2c/i2c-1/1-0044/", "class/hwmon/hwmon1"},
	} {
		got, err := reader.Find(t.Context(), kernelfile.Hwmon, c.name, c.device)
		require.NoError(t, err, c)
		assert.Equal(t, c.want, got.Path)
	}
	for _, c := range [][2]string{{"sht4x", "1-0045"}, {"sht3x", ""}, {"sht4x", "44"}, {"sht4x", "hwmon2"}} {
		_, err := reader.Find(t.Context(), kernelfile.Hwmon, c[0], c[1])
		assert.Equal(t, sensors.Absent, sensors.KindOf(err), c)
		assert.ErrorContains(t, err, c[0])
	}
	_, err := reader.Find(t.Context(), kernelfile.Hwmon, "w1_slave_temp", "")
	var ambiguous *kernelfile.AmbiguousError
	require.ErrorAs(t, err, &ambiguous)
	assert.Len(t, ambiguous.Candidates, 4)
	assert.ErrorContains(t, err, "w1_slave_temp 28-0316a2794bff")
}

// A device that goes away during the search is no failure of the others; a bus error is one.
func TestEntriesWhileDevicesComeAndGo(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	reader := kernelfile.NewReader(files)
	files.Always("class/hwmon/hwmon1/name", kernelfiletest.Answer{Err: fs.ErrNotExist})
	got, err := reader.Entries(t.Context(), kernelfile.Hwmon)
	require.NoError(t, err)
	assert.Len(t, got, 6)
	files.Always("class/hwmon/hwmon1/name", kernelfiletest.Answer{Err: syscall.EIO})
	_, err = reader.Entries(t.Context(), kernelfile.Hwmon)
	assert.ErrorIs(t, err, syscall.EIO)
}
