package iio_test

import (
	"context"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/iio"
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
	for _, c := range []struct {
		name, device string
		want         []sensors.Value
	}{
		{"bme280", "1-0076", []sensors.Value{{Channel: sensors.Temperature, Value: 24.44, Raw: 24_440_000},
			{Channel: sensors.Humidity, Value: 54.18, Raw: 54_180_000}, {Channel: sensors.Pressure, Value: 100653.25, Raw: 100653}}},
		{"bme680", "", []sensors.Value{{Channel: sensors.Temperature, Value: 24.54, Raw: 24_540_000},
			{Channel: sensors.Humidity, Value: 41.074, Raw: 41074}, {Channel: sensors.Pressure, Value: 101435, Raw: 1_014_350}}},
		{"dht11", "dht11@11", []sensors.Value{{Channel: sensors.Temperature, Value: 23.7, Raw: 23_700_000},
			{Channel: sensors.Humidity, Value: 76.4, Raw: 76_400_000}}},
		// Linux si7020.c: (raw - 4368) × 10.725097656 and (raw - 786) × 7.629394531, in thousandths.
		{"si7020", "iio:device3", []sensors.Value{{Channel: sensors.Temperature, Value: 22.865908, Raw: 6500},
			{Channel: sensors.Humidity, Value: 81.741333, Raw: 11500}}},
	} {
		sensor, err := iio.New(iio.Options{Name: c.name, Device: c.device, Root: tree})
		require.NoError(t, err)
		reading, err := read(t, sensor, minutes)
		require.NoError(t, err)
		require.Len(t, reading.Values, len(c.want))
		for i, want := range c.want {
			got := reading.Values[i]
			assert.Equal(t, want.Channel, got.Channel)
			assert.InDelta(t, want.Value, got.Value, 1e-6, "%s %s", c.name, want.Channel)
			assert.Equal(t, want.Raw, got.Raw, "%s %s", c.name, want.Channel)
		}
		assert.True(t, reading.First)
	}
}

// bme680 prints percent where the ABI wants milli-percent, and hectopascal on kernels before 6.11. Should either be mended,
// the value stays right.
func TestUnitsOfBME680(t *testing.T) {
	for _, c := range []struct {
		humidity, pressure string
		percent, pascal    float64
	}{
		{"41.074000000", "1014.350000000", 41.074, 101435},
		{"41.074000000", "101.435000000", 41.074, 101435},
		{"41074", "101.435000000", 41.074, 101435},
		{"100.000000000", "300.000000000", 100, 30000},
		{"0.000000000", "110.000000000", 0, 110000},
		{"99.9", "30.000000000", 99.9, 30000},
		{"100000", "1100.000000000", 100, 110000},
	} {
		files, sensor := open(t, "bme680")
		files.Always(bme680+"/in_humidityrelative_input", answer{Text: c.humidity + "\n"})
		files.Always(bme680+"/in_pressure_input", answer{Text: c.pressure + "\n"})
		reading, err := read(t, sensor, minutes)
		require.NoError(t, err, c)
		assert.InDelta(t, c.percent, reading.Values[1].Value, 1e-9, c)
		assert.InDelta(t, c.pascal, reading.Values[2].Value, 1e-6, c)
	}
}

func TestDescribe(t *testing.T) {
	for name, want := range map[string]struct {
		part          string
		channels      int
		interval      time.Duration
		nonCondensing bool
		notes         int
	}{
		"bme280":   {"BME280", 3, time.Second, true, 0},
		"bme680":   {"BME680", 3, 3 * time.Second, true, 1},
		"bmp280":   {"BMP280", 2, time.Second, false, 0},
		"dht11":    {"DHT11 or DHT22", 2, 2 * time.Second, false, 2},
		"si7020":   {"Si7020, Si7021 or alike", 2, time.Second, false, 1},
		"hdc1080":  {"HDC1000, HDC1080 or alike", 2, time.Second, false, 0},
		"scd4x":    {"SCD40 or SCD41", 3, 5 * time.Second, false, 0},
		"max31865": {"MAX31865 with PT100 or PT1000", 1, time.Second, false, 0},
		"max99999": {"unknown part", 1, time.Second, false, 1},
	} {
		sensor, err := iio.New(iio.Options{Name: name, Root: tree})
		require.NoError(t, err)
		got := sensor.Describe()
		assert.Equal(t, "iio", got.Driver)
		assert.Equal(t, want.part, got.Part)
		assert.Equal(t, name, got.Where)
		assert.Len(t, got.Measures, want.channels, name)
		assert.Equal(t, want.interval, got.MinimumInterval, name)
		assert.Equal(t, want.nonCondensing, got.NonCondensing, name)
		assert.Len(t, got.Notes, want.notes, name)
		for _, m := range got.Measures {
			assert.Less(t, m.Low, m.High)
			assert.Positive(t, m.Resolution)
			assert.Positive(t, m.Accuracy)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	two := kernelfiletest.New(kernelfile.Dir(tree))
	two.Always(bme680+"/name", answer{Text: "bme280\n"})
	for want, options := range map[string]iio.Options{
		"no device name":     {},
		"fits 2 devices":     {Name: "bme280", Files: two},
		`from "in_pressure"`: {Name: "bme280", Root: tree, Channels: map[sensors.Channel]string{sensors.Temperature: "in_pressure"}},
		`from "in_tempx"`:    {Name: "bme280", Root: tree, Channels: map[sensors.Channel]string{sensors.Temperature: "in_tempx"}},
		`from "in_temp_/..`:  {Name: "bme280", Root: tree, Channels: map[sensors.Channel]string{sensors.Temperature: "in_temp_/../name"}},
		"want some of":       {Name: "bme280", Root: tree, Channels: map[sensors.Channel]string{sensors.Voltage: "in_voltage0"}},
	} {
		_, err := iio.New(options)
		assert.ErrorContains(t, err, want)
	}
}

// A dht11 fails now and then. It is asked again after two seconds, if those and a second for the answer fit.
func TestDHT11(t *testing.T) {
	const temperature, humidity = dht11 + "/in_temp_input", dht11 + "/in_humidityrelative_input"
	timeout, garbled := answer{Err: syscall.ETIMEDOUT}, answer{Err: syscall.EIO}
	for name, c := range map[string]struct {
		answers []answer
		timeout time.Duration
		kind    sensors.Kind // Unknown: it succeeds
		says    string
		took    time.Duration
	}{
		"good":                     {nil, 3 * time.Second, 0, "", 0},
		"too few edges once":       {[]answer{timeout}, 4 * time.Second, 0, "", 2 * time.Second},
		"checksum wrong once":      {[]answer{garbled}, 4 * time.Second, 0, "", 2 * time.Second},
		"twice, and time for both": {[]answer{garbled, timeout}, 6 * time.Second, 0, "", 4 * time.Second},
		"three times":              {[]answer{garbled, garbled, timeout}, time.Minute, sensors.Timeout, "unplugged, or its overlay names another pin", 4 * time.Second},
		"no time to ask again":     {[]answer{timeout}, 3 * time.Second, sensors.Timeout, "unplugged, or its overlay names another pin", 0},
		"nor for a bad checksum":   {[]answer{garbled}, 3 * time.Second, sensors.Checksum, "checksum is wrong or its signal was lost", 0},
	} {
		t.Run(name, func(t *testing.T) {
			for _, file := range []string{temperature, humidity} {
				synctest.Test(t, func(t *testing.T) {
					files, sensor := open(t, "dht11")
					files.Next(file, c.answers...)
					begun := time.Now()
					reading, err := read(t, sensor, c.timeout)
					assert.Equal(t, c.took, time.Since(begun))
					if c.kind == sensors.Unknown {
						require.NoError(t, err)
						assert.Len(t, reading.Values, 2)
						return
					}
					assert.Equal(t, c.kind, sensors.KindOf(err))
					assert.ErrorContains(t, err, c.says)
					assert.Empty(t, reading.Values)
				})
			}
		})
	}
}

func TestFailuresByErrno(t *testing.T) {
	for name, c := range map[string]struct {
		part string
		set  func(*kernelfiletest.Faulty)
		kind sensors.Kind
		says string
	}{
		"skipped, bme680": {"bme680", func(f *kernelfiletest.Faulty) {
			f.Always(bme680+"/in_humidityrelative_input", answer{Err: syscall.EINVAL})
		}, sensors.Implausible, "skipped the measurement"},
		"skipped, bme280": {"bme280", func(f *kernelfiletest.Faulty) {
			f.Always(bme280+"/in_humidityrelative_input", answer{Err: syscall.EIO})
		}, sensors.Checksum, "loss of power"},
		"busy":             {"bme680", func(f *kernelfiletest.Faulty) { f.Always(bme680+"/in_temp_input", answer{Err: syscall.EBUSY}) }, sensors.Busy, "in_temp"},
		"no acknowledge":   {"si7020", func(f *kernelfiletest.Faulty) { f.Always(si7020+"/in_temp_raw", answer{Err: syscall.EREMOTEIO}) }, sensors.Absent, "loose wire"},
		"bus stuck":        {"si7020", func(f *kernelfiletest.Faulty) { f.Always(si7020+"/in_temp_raw", answer{Err: syscall.ETIMEDOUT}) }, sensors.Timeout, "in_temp"},
		"folder gone":      {"bme280", func(f *kernelfiletest.Faulty) { f.Unplug(bme280) }, sensors.Absent, "is it wired, and its overlay loaded?"},
		"no IIO at all":    {"bme280", func(f *kernelfiletest.Faulty) { f.Unplug("bus/iio") }, sensors.Absent, "under bus/iio/devices"},
		"a channel gone":   {"bme280", func(f *kernelfiletest.Faulty) { f.Unplug(bme280 + "/in_pressure_input") }, sensors.Absent, "in_pressure_raw"},
		"no scale":         {"si7020", func(f *kernelfiletest.Faulty) { f.Unplug(si7020 + "/in_temp_scale") }, sensors.Absent, "in_temp_scale"},
		"scale garbled":    {"si7020", func(f *kernelfiletest.Faulty) { f.Always(si7020+"/in_temp_scale", answer{Text: "ten\n"}) }, sensors.Checksum, "garbled"},
		"offset fails":     {"si7020", func(f *kernelfiletest.Faulty) { f.Always(si7020+"/in_temp_offset", answer{Err: syscall.EIO}) }, sensors.Checksum, "in_temp"},
		"value garbled":    {"bme280", func(f *kernelfiletest.Faulty) { f.Always(bme280+"/in_temp_input", answer{Text: "\x00\xff"}) }, sensors.Checksum, "garbled"},
		"value not finite": {"bme280", func(f *kernelfiletest.Faulty) { f.Always(bme280+"/in_temp_input", answer{Text: "nan\n"}) }, sensors.Checksum, "garbled"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				files, sensor := open(t, c.part)
				c.set(files)
				reading, err := read(t, sensor, 3*time.Second)
				require.Error(t, err)
				assert.Equal(t, c.kind, sensors.KindOf(err), err)
				assert.ErrorContains(t, err, c.says)
				assert.ErrorContains(t, err, "reading iio "+c.part)
				assert.Empty(t, reading.Values)
				files.Heal()
				reading, err = read(t, sensor, 3*time.Second)
				require.NoError(t, err)
				assert.True(t, reading.First)
			})
		})
	}
}

// A humidity that does not obey the ABI shows by its size, for a driver that is not in the table.
func TestUnknownDriver(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	files.Always(bme280+"/name", answer{Text: "max99999\n"})
	sensor, err := iio.New(iio.Options{Name: "max99999", Files: files})
	require.NoError(t, err)
	reading, err := read(t, sensor, minutes)
	require.NoError(t, err)
	assert.Len(t, reading.Values, 3, "what the device has")
	for text, good := range map[string]bool{"120000\n": true, "120001\n": false, "5418000\n": false, "-1\n": false} {
		files.Always(bme280+"/in_humidityrelative_input", answer{Text: text})
		again, err := iio.New(iio.Options{Name: "max99999", Files: files})
		require.NoError(t, err)
		reading, err := read(t, again, minutes)
		require.NoError(t, err)
		_, found := reading.Measured(sensors.Humidity)
		assert.Equal(t, good, found, text)
		if !good {
			refused, ok := reading.RefusalOf(sensors.Humidity)
			require.True(t, ok, text)
			assert.Equal(t, sensors.Implausible, sensors.KindOf(refused.Err))
			assert.Len(t, reading.Values, 2, "what else it measures is still there")
		}
	}
}

// A remote thermometer has two temperatures with one scale (IIO ABI: shared by type).
func TestChosenChannelsShareAScale(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	files.Always(si7020+"/name", answer{Text: "mlx90614\n"})
	files.Always(si7020+"/in_temp_object_raw", answer{Text: "14858\n"})
	files.Always(si7020+"/in_temp_offset", answer{Text: "-13657.500000\n"})
	files.Always(si7020+"/in_temp_scale", answer{Text: "20\n"})
	sensor, err := iio.New(iio.Options{Name: "mlx90614", Files: files, Channels: map[sensors.Channel]string{sensors.Temperature: "in_temp_object"}})
	require.NoError(t, err)
	reading, err := read(t, sensor, minutes)
	require.NoError(t, err)
	assert.InDelta(t, 24.01, reading.Values[0].Value, 1e-9)
	assert.EqualValues(t, 14858, reading.Values[0].Raw)
}

// Carbon dioxide is in percent (IIO ABI).
func TestCarbonDioxide(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	files.Always(si7020+"/name", answer{Text: "scd4x\n"})
	files.Always(si7020+"/in_concentration_co2_raw", answer{Text: "612\n"})
	files.Always(si7020+"/in_concentration_co2_scale", answer{Text: "0.000100000\n"})
	sensor, err := iio.New(iio.Options{Name: "scd4x", Files: files})
	require.NoError(t, err)
	reading, err := read(t, sensor, minutes)
	require.NoError(t, err)
	co2, ok := reading.Measured(sensors.CO2)
	require.True(t, ok)
	assert.InDelta(t, 612, co2.Value, 1e-9)
}

// Nothing protects the answer of a BME280, so that a jump has to be confirmed.
func TestJumpOfAnUnprotectedPart(t *testing.T) {
	for _, file := range []string{"in_temp_input", "in_humidityrelative_input", "in_pressure_input"} {
		synctest.Test(t, func(t *testing.T) {
			jump := answer{Text: map[string]string{"in_temp_input": "31000\n", "in_humidityrelative_input": "80000\n", "in_pressure_input": "101.500000000\n"}[file]}
			files, sensor := open(t, "bme280")
			_, err := read(t, sensor, time.Second)
			require.NoError(t, err)
			files.Next(bme280+"/"+file, jump)
			_, err = read(t, sensor, time.Second)
			assert.Equal(t, sensors.Checksum, sensors.KindOf(err))
			assert.ErrorContains(t, err, "altered on its way")
			files.Always(bme280+"/"+file, jump)
			_, err = read(t, sensor, time.Second)
			assert.NoError(t, err, "a change that stays is believed")
		})
	}
}

func TestDiscover(t *testing.T) {
	found, err := iio.Discover(t.Context(), tree)
	require.NoError(t, err)
	require.Len(t, found, 4)
	for i, want := range []sensors.Found{
		{Bus: "i2c-1", Address: "1-0076", Name: "bme280", Part: "BME280", Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure}},
		{Bus: "i2c-1", Address: "1-0077", Name: "bme680", Part: "BME680", Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure}},
		{Bus: "platform", Address: "dht11@11", Name: "dht11", Part: "DHT11 or DHT22", Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity}},
		{Bus: "i2c-1", Address: "1-0040", Name: "si7020", Part: "Si7020, Si7021 or alike", Channels: []sensors.Channel{sensors.Temperature, sensors.Humidity}},
	} {
		want.Driver = "iio"
		want.Notes = found[i].Notes
		assert.Equal(t, want, found[i])

		// What Discover finds, New takes.
		sensor, err := iio.New(iio.Options{Name: want.Name, Device: want.Address, Root: tree})
		require.NoError(t, err)
		assert.Equal(t, found[i].Notes, sensor.Describe().Notes)
		_, err = read(t, sensor, minutes)
		assert.NoError(t, err)
	}
	found, err = iio.Discover(t.Context(), t.TempDir())
	require.NoError(t, err)
	assert.Empty(t, found)
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("6500\n"), []byte("-4368\n"), []byte("10.725097656\n"))
	f.Add([]byte("99999999999999999999999999"), []byte("-0.0"), []byte("7.6"))
	f.Add([]byte(""), []byte("nan"), []byte("1e9"))
	f.Fuzz(func(t *testing.T, raw, offset, scale []byte) {
		files := kernelfiletest.New(kernelfile.Dir(tree))
		files.Always(si7020+"/in_temp_raw", answer{Text: string(raw)})
		files.Always(si7020+"/in_temp_offset", answer{Text: string(offset)})
		files.Always(si7020+"/in_temp_scale", answer{Text: string(scale)})
		sensor, err := iio.New(iio.Options{Name: "si7020", Files: files, Channels: map[sensors.Channel]string{sensors.Temperature: "in_temp"}})
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
		if got := reading.Values[0].Value; !(got >= -40 && got <= 125) {
			t.Fatalf("(%q + %q) × %q was read as %v", raw, offset, scale, got)
		}
	})
}
