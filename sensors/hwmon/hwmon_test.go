package hwmon_test

import (
	"context"
	"math"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/hwmon"
	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest/kernelfiletest"
)

func read(t *testing.T, sensor sensors.Sensor, timeout time.Duration) (sensors.Measurement, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), timeout)
	defer cancel()
	return sensor.Read(ctx)
}

func TestReadsTheTree(t *testing.T) {
	for _, device := range []string{"", "1-0044", "hwmon1", "/sys/devices/platform/soc/fe804000.i2c/i2c-1/1-0044"} {
		sensor, err := hwmon.New(hwmon.Options{Name: "sht4x", Device: device, Root: tree})
		require.NoError(t, err)
		reading, err := read(t, sensor, time.Minute)
		require.NoError(t, err)
		assert.Equal(t, []sensors.Value{{Channel: sensors.Temperature, Value: 23.412, Raw: 23412},
			{Channel: sensors.Humidity, Value: 81.947, Raw: 81947}}, reading.Values)
		assert.Equal(t, "temp1_input=23412\nhumidity1_input=81947\n", string(reading.Evidence))
		assert.True(t, reading.First)
		assert.False(t, reading.Heated)
	}
}

func TestDescribe(t *testing.T) {
	for _, c := range []struct {
		options  hwmon.Options
		part     string
		where    string
		measures []sensors.Measure
		notes    int
	}{
		{hwmon.Options{Name: "sht4x", Device: "1-0044"}, "SHT4x", "sht4x 1-0044", []sensors.Measure{
			{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.003, Accuracy: 0.2},
			{Channel: sensors.Humidity, Low: -6, High: 119, Resolution: 0.002, Accuracy: 1.8}}, 0},
		{hwmon.Options{Name: "sht4x", Device: "hwmon1"}, "SHT4x", "sht4x hwmon1", []sensors.Measure{
			{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.003, Accuracy: 0.2},
			{Channel: sensors.Humidity, Low: -6, High: 119, Resolution: 0.002, Accuracy: 1.8}}, 1},
		{hwmon.Options{Name: "tmp102"}, "TMP102", "tmp102", []sensors.Measure{
			{Channel: sensors.Temperature, Low: -55, High: 125, Resolution: 0.0625, Accuracy: 0.5}}, 0},
		{hwmon.Options{Name: "max99999"}, "unknown part", "max99999", []sensors.Measure{
			{Channel: sensors.Temperature, Low: -60, High: 150, Resolution: 0.001, Accuracy: 2}}, 1},
		// Asked for by name, an unknown device gives what it has.
		{hwmon.Options{Name: "rpi_volt", Channels: map[sensors.Channel]string{sensors.Voltage: "in0"}}, "unknown part", "rpi_volt",
			[]sensors.Measure{{Channel: sensors.Voltage, Low: -100, High: 100, Resolution: 0.001, Accuracy: 0.1}}, 1},
	} {
		c.options.Root = tree
		sensor, err := hwmon.New(c.options)
		require.NoError(t, err)
		got := sensor.Describe()
		assert.Equal(t, "hwmon", got.Driver)
		assert.Equal(t, c.part, got.Part)
		assert.Equal(t, c.where, got.Where)
		assert.Equal(t, c.measures, got.Measures)
		assert.Len(t, got.Notes, c.notes)
	}
}

func TestNewRefuses(t *testing.T) {
	for want, options := range map[string]hwmon.Options{
		"no device name":      {},
		"fits 4 devices":      {Name: "w1_slave_temp"},
		`from "humidity1"`:    {Name: "sht4x", Channels: map[sensors.Channel]string{sensors.Temperature: "humidity1"}},
		`from "temp"`:         {Name: "sht4x", Channels: map[sensors.Channel]string{sensors.Temperature: "temp"}},
		`from "temp1/../in1"`: {Name: "sht4x", Channels: map[sensors.Channel]string{sensors.Temperature: "temp1/../in1"}},
		"want some of":        {Name: "sht4x", Channels: map[sensors.Channel]string{sensors.Temperature: "temp1", sensors.CO2: "co2"}},
		"channels map[]":      {Name: "sht4x", Channels: map[sensors.Channel]string{}},
	} {
		options.Root = tree
		_, err := hwmon.New(options)
		assert.ErrorContains(t, err, want)
	}
}

// A kernel that hangs while the sensor is made holds nothing up: the device counts as not here yet.
func TestNewOutlivesAHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := kernelfiletest.New(kernelfile.Dir(tree))
		files.Hang()
		sensor, err := hwmon.New(hwmon.Options{Name: "sht4x", Files: files})
		require.NoError(t, err)
		_, err = read(t, sensor, time.Second)
		assert.Equal(t, sensors.Busy, sensors.KindOf(err))
		files.Heal()
		synctest.Wait()
		_, err = read(t, sensor, time.Second)
		assert.NoError(t, err)
	})
}

func TestFailuresByErrno(t *testing.T) {
	const temperature = sht4x + "/temp1_input"
	for name, c := range map[string]struct {
		set   func(*kernelfiletest.Faulty)
		kind  sensors.Kind
		says  string
		reads int // of the temperature
	}{
		"checksum":        {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Err: syscall.EIO}) }, sensors.Checksum, "temp1", 3},
		"no value":        {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Err: syscall.ENODATA}) }, sensors.Busy, "cut short", 3},
		"no acknowledge":  {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Err: syscall.ENXIO}) }, sensors.Absent, "loose wire", 3},
		"nor there":       {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Err: syscall.EREMOTEIO}) }, sensors.Absent, "loose wire", 3},
		"bus held":        {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Err: syscall.EAGAIN}) }, sensors.Busy, "temp1", 3},
		"bus stuck":       {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Err: syscall.ETIMEDOUT}) }, sensors.Timeout, "temp1", 1},
		"driver gone":     {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Err: syscall.ENODEV}) }, sensors.Absent, "temp1", 1},
		"folder gone":     {func(f *kernelfiletest.Faulty) { f.Unplug(sht4x) }, sensors.Absent, "is it wired, and its overlay loaded?", 0},
		"no hwmon at all": {func(f *kernelfiletest.Faulty) { f.Unplug("class/hwmon") }, sensors.Absent, "under class/hwmon", 0},
		"element open":    {func(f *kernelfiletest.Faulty) { f.Always(sht4x+"/temp1_fault", answer{Text: "1\n"}) }, sensors.Absent, "element is open", 1},
		"garbled":         {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Text: "23,4\n"}) }, sensors.Checksum, "garbled", 3},
		"empty":           {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{}) }, sensors.Checksum, "garbled", 3},
		"too hot":         {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Text: "125001\n"}) }, sensors.Implausible, "outside the part's range", 1},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				files, sensor := open(t, "sht4x")
				c.set(files)
				reading, err := read(t, sensor, 3*time.Second)
				require.Error(t, err)
				assert.Equal(t, c.kind, sensors.KindOf(err), err)
				assert.ErrorContains(t, err, c.says)
				assert.ErrorContains(t, err, "reading hwmon sht4x")
				assert.Empty(t, reading.Values)
				assert.Equal(t, c.reads, files.Reads(temperature))

				files.Heal()
				reading, err = read(t, sensor, 3*time.Second)
				require.NoError(t, err)
				assert.Equal(t, 23.412, reading.Values[0].Value)
				assert.True(t, reading.First)
			})
		})
	}
}

// The number of a device changes when its driver is bound again.
func TestFollowsTheDeviceToAnotherNumber(t *testing.T) {
	files, sensor := open(t, "sht4x")
	_, err := read(t, sensor, time.Minute)
	require.NoError(t, err)
	files.Always(sht4x+"/name", answer{Text: "lm75\n"})
	files.Always("class/hwmon/hwmon2/name", answer{Text: "sht4x\n"})
	files.Always("class/hwmon/hwmon2/temp1_input", answer{Text: "21000\n"})
	files.Always("class/hwmon/hwmon2/humidity1_input", answer{Text: "90000\n"})
	reading, err := read(t, sensor, time.Minute)
	require.NoError(t, err)
	assert.Equal(t, 21.0, reading.Values[0].Value)
}

// A saturated SHT4x says more than 100 %RH; that is reported and not clamped (SHT4x data sheet v6, conversion formula).
func TestSaturatedIsNotClamped(t *testing.T) {
	files, sensor := open(t, "sht4x")
	files.Always(sht4x+"/humidity1_input", answer{Text: "118999\n"})
	reading, err := read(t, sensor, time.Minute)
	require.NoError(t, err)
	assert.Equal(t, 118.999, reading.Values[1].Value)
}

func TestHeaterMarksTheReadingsAfterIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files, sensor := open(t, "sht4x")
		heated := func() bool {
			reading, err := read(t, sensor, time.Second)
			require.NoError(t, err)
			return reading.Heated
		}
		assert.False(t, heated())
		files.Next(sht4x+"/heater_enable", answer{Text: "1\n"})
		assert.True(t, heated())
		time.Sleep(4 * time.Minute)
		assert.True(t, heated())
		time.Sleep(time.Minute)
		assert.False(t, heated())
	})
}

// The kernel's sht3x driver does not check the checksum, so a jump is believed only when a second measurement confirms it.
func TestJumpOfAnUnprotectedPart(t *testing.T) {
	const temperature, humidity = sht4x + "/temp1_input", sht4x + "/humidity1_input"
	for name, c := range map[string]struct {
		set     func(*kernelfiletest.Faulty)
		timeout time.Duration
		want    float64 // temperature; NaN: an error
		kind    sensors.Kind
		took    time.Duration
	}{
		"small step":       {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Text: "28412\n"}) }, 3 * time.Second, 28.412, 0, 0},
		"one altered word": {func(f *kernelfiletest.Faulty) { f.Next(temperature, answer{Text: "55412\n"}) }, 3 * time.Second, math.NaN(), sensors.Checksum, 2050 * time.Millisecond},
		"moved for good":   {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Text: "30000\n"}) }, 3 * time.Second, 30, 0, 2050 * time.Millisecond},
		"no time to ask":   {func(f *kernelfiletest.Faulty) { f.Always(temperature, answer{Text: "30000\n"}) }, 2 * time.Second, math.NaN(), sensors.Implausible, 0},
		"humidity":         {func(f *kernelfiletest.Faulty) { f.Next(humidity, answer{Text: "17000\n"}) }, 3 * time.Second, math.NaN(), sensors.Checksum, 2050 * time.Millisecond},
		"no interval": {func(f *kernelfiletest.Faulty) {
			f.Unplug(sht4x + "/update_interval")
			f.Always(temperature, answer{Text: "30000\n"})
		}, time.Second, 30, 0, 50 * time.Millisecond},
		"odd interval": {func(f *kernelfiletest.Faulty) {
			f.Always(sht4x+"/update_interval", answer{Text: "-1\n"})
			f.Always(temperature, answer{Text: "30000\n"})
		}, time.Second, math.NaN(), sensors.Checksum, 0},
		"gone meanwhile": {func(f *kernelfiletest.Faulty) {
			f.Next(temperature, answer{Text: "30000\n"}, answer{Err: syscall.ENODEV})
		}, 3 * time.Second, math.NaN(), sensors.Absent, 2050 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				files, sensor := open(t, "sht3x")
				_, err := read(t, sensor, time.Second)
				require.NoError(t, err)
				c.set(files)
				begun := time.Now()
				reading, err := read(t, sensor, c.timeout)
				assert.Equal(t, c.took, time.Since(begun))
				if math.IsNaN(c.want) {
					assert.Equal(t, c.kind, sensors.KindOf(err), err)
					assert.Empty(t, reading.Values)
					assert.NotEmpty(t, reading.Evidence)
				} else {
					require.NoError(t, err)
					assert.Equal(t, c.want, reading.Values[0].Value)
				}
			})
		})
	}

	// A part whose checksum the kernel checks needs no confirmation.
	files, sensor := open(t, "sht4x")
	_, err := read(t, sensor, time.Minute)
	require.NoError(t, err)
	files.Next(sht4x+"/temp1_input", answer{Text: "55412\n"})
	reading, err := read(t, sensor, time.Minute)
	require.NoError(t, err)
	assert.Equal(t, 55.412, reading.Values[0].Value)
}

func TestChosenChannels(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	files.Always("class/hwmon/hwmon2/in0_input", answer{Text: "862\n"})
	sensor, err := hwmon.New(hwmon.Options{Name: "rpi_volt", Files: files, Channels: map[sensors.Channel]string{sensors.Voltage: "in0"}})
	require.NoError(t, err)
	reading, err := read(t, sensor, time.Minute)
	require.NoError(t, err)
	assert.Equal(t, []sensors.Value{{Channel: sensors.Voltage, Value: 0.862, Raw: 862}}, reading.Values)

	// One of the two temperatures of a part, negative.
	files.Always(sht4x+"/temp2_input", answer{Text: "-1500\n"})
	sensor, err = hwmon.New(hwmon.Options{Name: "sht4x", Files: files, Channels: map[sensors.Channel]string{sensors.Temperature: "temp2"}})
	require.NoError(t, err)
	reading, err = read(t, sensor, time.Minute)
	require.NoError(t, err)
	negative := int64(-1500)
	assert.Equal(t, []sensors.Value{{Channel: sensors.Temperature, Value: -1.5, Raw: uint64(negative)}}, reading.Values)
}

// A driver that is in no table is taken at its word, within what can be air or water.
func TestUnknownDriver(t *testing.T) {
	files, sensor := open(t, "max99999")
	reading, err := read(t, sensor, time.Minute)
	require.NoError(t, err)
	assert.Len(t, reading.Values, 2, "what the device has")
	files.Always(sht4x+"/humidity1_input", answer{Text: "120001\n"})
	reading, err = read(t, sensor, time.Minute)
	require.NoError(t, err)
	assert.Len(t, reading.Values, 1, "the temperature is still there")
	refused, ok := reading.RefusalOf(sensors.Humidity)
	require.True(t, ok)
	assert.Equal(t, sensors.Implausible, sensors.KindOf(refused.Err))
	assert.NotEmpty(t, sensor.Describe().Notes)
}

func TestDiscover(t *testing.T) {
	found, err := hwmon.Discover(t.Context(), tree)
	require.NoError(t, err)
	assert.Equal(t, []sensors.Found{{Driver: "hwmon", Bus: "i2c-1", Address: "1-0044", Name: "sht4x", Part: "SHT4x",
		Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity}}}, found, "not the board, not the 1-Wire probes")
	found, err = hwmon.Discover(t.Context(), t.TempDir())
	require.NoError(t, err)
	assert.Empty(t, found)
}

// What Discover finds, New takes.
func TestFoundCanBeOpened(t *testing.T) {
	found, err := hwmon.Discover(t.Context(), tree)
	require.NoError(t, err)
	for _, f := range found {
		sensor, err := hwmon.New(hwmon.Options{Name: f.Name, Device: f.Address, Root: tree})
		require.NoError(t, err)
		_, err = read(t, sensor, time.Minute)
		assert.NoError(t, err)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("23412\n"), []byte("81947\n"))
	f.Add([]byte("-45000\n"), []byte("119000\n"))
	f.Add([]byte(""), []byte("nan"))
	f.Fuzz(func(t *testing.T, temperature, humidity []byte) {
		files := kernelfiletest.New(kernelfile.Dir(tree))
		files.Always(sht4x+"/temp1_input", answer{Text: string(temperature)})
		files.Always(sht4x+"/humidity1_input", answer{Text: string(humidity)})
		sensor, err := hwmon.New(hwmon.Options{Name: "sht4x", Files: files})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 40*time.Millisecond) // no room for a repetition
		defer cancel()
		reading, err := sensor.Read(ctx)
		if err != nil {
			if len(reading.Values) > 0 || sensors.KindOf(err) == sensors.Unknown {
				t.Fatalf("values %v beside %v", reading.Values, err)
			}
			return
		}
		for i, text := range [][]byte{temperature, humidity} {
			n, err := kernelfile.ParseInteger(text)
			channel := [2]sensors.Channel{sensors.Temperature, sensors.Humidity}[i]
			v, ok := reading.Measured(channel)
			if !ok {
				refused, _ := reading.RefusalOf(channel)
				v = refused.Value
			}
			if err != nil || v.Channel != channel || v.Value != float64(n)/1000 {
				t.Fatalf("%q was read as %v", text, v)
			}
		}
	})
}
