package w1_test

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/sensortest/kernelfiletest"
	"dewline/sensors/w1"
)

type answer = kernelfiletest.Answer

// read reads once with the deadline that a poll of a few seconds gives.
func read(t *testing.T, sensor sensors.Sensor) (sensors.Measurement, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
	defer cancel()
	return sensor.Read(ctx)
}

func TestReadsTheTree(t *testing.T) {
	for rom, want := range map[string]struct {
		celsius float64
		raw     uint64
	}{
		"28-00000b3c5d1e": {22.3125, 0x0165},
		"28-00000b3c60a2": {22.125, 0x0162},
		"28-00000B3C6A77": {23.9375, 0x017F}, // a keeper's capitals
		"28-0316a2794bff": {22.75, 0x016C},
	} {
		sensor, err := w1.New(w1.Options{ROM: rom, Root: tree})
		require.NoError(t, err)
		reading, err := read(t, sensor)
		require.NoError(t, err, rom)
		assert.Equal(t, []sensors.Value{{Channel: sensors.Temperature, Value: want.celsius, Raw: want.raw}}, reading.Values)
		assert.True(t, reading.First, "the first conversion after the probe appeared")
		assert.False(t, reading.Reset)
		assert.Len(t, reading.Evidence, 9)
		reading, err = read(t, sensor)
		require.NoError(t, err)
		assert.False(t, reading.First)
	}
}

func TestDescribe(t *testing.T) {
	for rom, want := range map[string]struct {
		part     string
		accuracy float64
		notes    []string
	}{
		// Accuracies: DS18B20 data sheet; 2 K for DS1822 from memory; the ROM pattern of originals and the offsets of copies
		// from the cpetrich/counterfeit_DS18B20 collection.
		"28-00000b3c5d1e": {"DS18B20", 0.5, nil},
		"28-0316a2794bff": {"DS18B20", 2, []string{"a copy of the original part: check it in ice water first"}},
		"28-00ff0b3c5d1e": {"DS18B20", 2, []string{"a copy of the original part: check it in ice water first"}},
		"28-ff000b3c5d1e": {"DS18B20", 2, []string{"a copy of the original part: check it in ice water first"}},
		"10-000802b4c5d6": {"DS18S20", 0.5, nil},
		"22-0000004f1a2b": {"DS1822", 2, nil},
		"3b-0000001d2e3f": {"DS1825", 0.5, nil},
		"42-0000003a4b5c": {"DS28EA00", 0.5, nil},
	} {
		sensor, err := w1.New(w1.Options{ROM: rom, Root: t.TempDir()})
		require.NoError(t, err)
		got := sensor.Describe()
		assert.Equal(t, "w1", got.Driver)
		assert.Equal(t, want.part, got.Part, rom)
		assert.Equal(t, "1-Wire "+rom, got.Where)
		assert.Equal(t, want.accuracy, got.Measures[0].Accuracy, rom)
		assert.Equal(t, want.notes, got.Notes, rom)
		assert.False(t, got.NonCondensing)
	}
}

func TestNewRefusesWhatIsNoThermometer(t *testing.T) {
	for rom, want := range map[string]string{
		"":                "want two hex digits",
		"28":              "want two hex digits",
		"w1_bus_master1":  "want two hex digits",
		"28-0316a2794bf":  "want two hex digits",
		"28-0316a2794bfg": "not hexadecimal",
		"01-0000158a3fd2": "family 01 is no thermometer",
		"zz-0000158a3fd2": "not hexadecimal",
	} {
		_, err := w1.New(w1.Options{ROM: rom})
		assert.ErrorContains(t, err, want, rom)
	}
}

// What each file says when something is wrong, and what comes of it.
func TestFailuresByFile(t *testing.T) {
	bytesFile := devices + original + "/w1_slave"
	hwmon := devices + original + "/hwmon/hwmon3/temp1_input"
	plain := devices + original + "/temperature"
	for name, c := range map[string]struct {
		set  func(*kernelfiletest.Faulty)
		kind sensors.Kind
		says string
	}{
		"unplugged": {func(f *kernelfiletest.Faulty) { f.Unplug(devices + original) }, sensors.Absent, "not on the bus"},
		"no bus":    {func(f *kernelfiletest.Faulty) { f.Unplug("bus/w1") }, sensors.Absent, "dtoverlay=w1-gpio"},
		"no thermometer driver": {func(f *kernelfiletest.Faulty) {
			f.Unplug(bytesFile)
			f.Unplug(plain)
			f.Unplug(devices + original + "/hwmon")
		}, sensors.Absent, "load the module w1-therm"},
		"line open":            {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Text: ones}) }, sensors.Absent, "all ff"},
		"the kernel says NO":   {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Text: saysNo}) }, sensors.Checksum, "checksum"},
		"NO beside a good sum": {func(f *kernelfiletest.Faulty) { f.Alter(bytesFile, yesToNo) }, sensors.Checksum, "says NO"},
		"YES beside a bad sum": {func(f *kernelfiletest.Faulty) { f.Alter(bytesFile, badSum) }, sensors.Checksum, "checksum"},
		"power-on":             {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Text: powerOn}) }, sensors.Implausible, "power-on"},
		"broken off":           {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Text: brokenOff}) }, sensors.Implausible, "127.9375"},
		"zeros":                {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Text: zeros}) }, sensors.Implausible, "all zero"},
		"impossible config":    {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Text: oddConfig}) }, sensors.Implausible, "configuration byte"},
		"no text":              {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Text: "hello\n"}) }, sensors.Checksum, "garbled"},
		"empty, then ENODEV": {func(f *kernelfiletest.Faulty) {
			f.Always(bytesFile, answer{})
			f.Always(hwmon, answer{Err: syscall.ENODEV})
		}, sensors.Absent, "no presence pulse"},
		"empty, then EIO": {func(f *kernelfiletest.Faulty) {
			f.Always(bytesFile, answer{})
			f.Always(hwmon, answer{Err: syscall.EIO})
		}, sensors.Checksum, "power-on value that the kernel refused"},
		"empty, then EINTR": {func(f *kernelfiletest.Faulty) {
			f.Always(bytesFile, answer{})
			f.Always(hwmon, answer{Err: syscall.EINTR})
		}, sensors.Busy, "interrupted"},
		"empty, no hwmon, empty": {func(f *kernelfiletest.Faulty) {
			f.Always(bytesFile, answer{})
			f.Unplug(devices + original + "/hwmon")
			f.Always(plain, answer{})
		}, sensors.Absent, "empty answer"},
		"no w1_slave, power-on":   {func(f *kernelfiletest.Faulty) { f.Unplug(bytesFile); f.Always(hwmon, answer{Text: "85000\n"}) }, sensors.Implausible, "power-on"},
		"no w1_slave, broken off": {func(f *kernelfiletest.Faulty) { f.Unplug(bytesFile); f.Always(hwmon, answer{Text: "127937\n"}) }, sensors.Implausible, "broke off"},
		"no w1_slave, zero":       {func(f *kernelfiletest.Faulty) { f.Unplug(bytesFile); f.Always(hwmon, answer{Text: "0\n"}) }, sensors.Implausible, "empty scratchpad"},
		"no w1_slave, too hot":    {func(f *kernelfiletest.Faulty) { f.Unplug(bytesFile); f.Always(hwmon, answer{Text: "125063\n"}) }, sensors.Implausible, "outside the part's range"},
		"no w1_slave, garbled":    {func(f *kernelfiletest.Faulty) { f.Unplug(bytesFile); f.Always(hwmon, answer{Text: "22,3\n"}) }, sensors.Checksum, "garbled"},
		"not permitted":           {func(f *kernelfiletest.Faulty) { f.Always(bytesFile, answer{Err: fs.ErrPermission}) }, sensors.Unknown, "permission"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				files, sensor := open(t, original)
				c.set(files)
				reading, err := read(t, sensor)
				require.Error(t, err)
				assert.Equal(t, c.kind, sensors.KindOf(err), err)
				assert.ErrorContains(t, err, c.says)
				assert.ErrorContains(t, err, original)
				assert.Empty(t, reading.Values)

				// The same probe is found again as soon as it is well, reported as first and as reset where it may have been.
				files.Heal()
				reading, err = read(t, sensor)
				require.NoError(t, err)
				assert.Equal(t, 22.3125, reading.Values[0].Value)
				assert.True(t, reading.First)
				assert.False(t, reading.Reset, "it had never answered before")
			})
		})
	}
}

const oddConfig = "65 01 4b 46 00 ff 0b 10 1e : crc=1e YES\n65 01 4b 46 00 ff 0b 10 1e t=22312\n"

func yesToNo(text string) string { return strings.Replace(text, "YES", "NO", 1) }
func badSum(text string) string  { return strings.Replace(text, "10 2c", "10 2e", 1) }

// One bad answer is ridden over: an empty or interrupted one once, a wrong checksum twice.
func TestRepeats(t *testing.T) {
	bytesFile := devices + original + "/w1_slave"
	hwmon := devices + original + "/hwmon/hwmon3/temp1_input"
	for name, c := range map[string]struct {
		set   func(*kernelfiletest.Faulty)
		good  bool
		reads [2]int // of w1_slave and temp1_input
	}{
		"one empty":       {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{}) }, true, [2]int{1, 1}},
		"two empty":       {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{}); f.Next(hwmon, answer{}) }, false, [2]int{1, 1}},
		"one interrupted": {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{Err: syscall.EINTR}) }, true, [2]int{1, 1}},
		"two interrupted": {func(f *kernelfiletest.Faulty) {
			f.Next(bytesFile, answer{Err: syscall.EINTR})
			f.Next(hwmon, answer{Err: syscall.EINTR})
		}, false, [2]int{1, 1}},
		"two NO": {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{Text: saysNo}, answer{Text: saysNo}) }, true, [2]int{3, 0}},
		"three NO": {func(f *kernelfiletest.Faulty) {
			f.Next(bytesFile, answer{Text: saysNo}, answer{Text: saysNo}, answer{Text: saysNo})
		}, false, [2]int{3, 0}},
		"empty, then EIO":         {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{}); f.Next(hwmon, answer{Err: syscall.EIO}) }, true, [2]int{1, 2}},
		"bus held":                {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{Err: syscall.EAGAIN}) }, true, [2]int{2, 0}},
		"power-on is reported":    {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{Text: powerOn}) }, false, [2]int{1, 0}},
		"no presence is reported": {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{Err: syscall.ENODEV}) }, false, [2]int{1, 0}},
		"unknown errors are too":  {func(f *kernelfiletest.Faulty) { f.Next(bytesFile, answer{Err: syscall.EPERM}) }, false, [2]int{1, 0}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				files, sensor := open(t, original)
				c.set(files)
				_, err := read(t, sensor)
				assert.Equal(t, c.good, err == nil, "%v", err)
				assert.Equal(t, c.reads, [2]int{files.Reads(bytesFile), files.Reads(hwmon)})
			})
		})
	}
}

// A repetition that could not end in time is not begun: the error stays that of the bus.
func TestNoRepetitionPastTheDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files, sensor := open(t, original)
		files.Always(devices+original+"/w1_slave", answer{Text: saysNo})
		ctx, cancel := context.WithTimeout(t.Context(), 800*time.Millisecond) // 50 ms and a conversion of 750 ms do not fit
		defer cancel()
		_, err := sensor.Read(ctx)
		assert.Equal(t, sensors.Checksum, sensors.KindOf(err))
		assert.Equal(t, 1, files.Reads(devices+original+"/w1_slave"))
	})
}

// 85 °C is the power-on value, and water in a kettle. Sources: byte 6 rule from cpetrich/counterfeit_DS18B20; the
// scratchpads with their checksums are the test vectors of the same collection.
func TestTrueAndFalse85(t *testing.T) {
	const true85 = "50 05 4b 46 7f ff 10 10 bd : crc=bd YES\n50 05 4b 46 7f ff 10 10 bd t=85000\n"
	true84 := shown(slaveOf(0x0540))
	always0B85 := withCRC(t, "50 05 4b 46 7f ff 0b 10")
	for name, c := range map[string]struct {
		rom     string
		answers []string
		good    []bool
	}{
		"an original's byte 6 proves it":            {original, []string{true85}, []bool{true}},
		"an original's byte 6 disproves it":         {original, []string{true84, powerOn, true84}, []bool{true, false, true}},
		"a copy's byte 6 proves nothing":            {clone, []string{true85}, []bool{false}},
		"a copy that warmed up to it is believed":   {clone, []string{true84, true85}, []bool{true, true}},
		"an original that behaves as none is not":   {original, []string{always0B85}, []bool{false}},
		"unless it warmed up to it":                 {original, []string{true84, always0B85}, []bool{true, true}},
		"a copy that holds 0c is not believed ever": {clone, []string{true84, powerOn}, []bool{true, false}},
	} {
		t.Run(name, func(t *testing.T) {
			files, sensor := open(t, c.rom)
			for _, text := range c.answers {
				files.Next(devices+c.rom+"/w1_slave", answer{Text: text})
			}
			for i, good := range c.good {
				_, err := read(t, sensor)
				assert.Equal(t, good, err == nil, "read %d: %v", i+1, err)
			}
		})
	}
}

// Without the bytes, the last reading decides on 85 and 0 °C.
func TestJumpWithoutBytes(t *testing.T) {
	hwmon := devices + original + "/hwmon/hwmon3/temp1_input"
	for name, c := range map[string]struct {
		milli []string
		good  []bool
	}{
		"ice bath":            {[]string{"4000", "0"}, []bool{true, true}},
		"5 K is near":         {[]string{"5000", "0"}, []bool{true, true}},
		"more is not":         {[]string{"5062", "0", "5000"}, []bool{true, false, true}},
		"hot bath":            {[]string{"82000", "85000"}, []bool{true, true}},
		"power lost":          {[]string{"22312", "85000", "22312"}, []bool{true, false, true}},
		"nothing to judge by": {[]string{"85000", "0", "22312"}, []bool{false, false, true}},
	} {
		t.Run(name, func(t *testing.T) {
			files, sensor := open(t, original)
			files.Unplug(devices + original + "/w1_slave")
			for i, text := range c.milli {
				files.Always(hwmon, answer{Text: text + "\n"})
				_, err := read(t, sensor)
				assert.Equal(t, c.good[i], err == nil, "%s: %v", text, err)
			}
		})
	}
}

// Millidegrees are cut off by the kernel; the word comes back all the same. Words and temperatures are the table of the
// DS18B20 data sheet.
func TestDataSheetTable(t *testing.T) {
	for _, c := range []struct {
		word    uint16
		celsius float64
		milli   string
	}{
		{0x07D0, 125, "125000"}, {0x0191, 25.0625, "25062"}, {0x00A2, 10.125, "10125"}, {0x0008, 0.5, "500"},
		{0xFFF8, -0.5, "-500"}, {0xFF5E, -10.125, "-10125"}, {0xFE6F, -25.0625, "-25062"}, {0xFC90, -55, "-55000"},
	} {
		want := []sensors.Value{{Channel: sensors.Temperature, Value: c.celsius, Raw: uint64(c.word)}}
		files, sensor := open(t, original)
		files.Always(devices+original+"/w1_slave", answer{Text: shown(slaveOf(c.word))})
		reading, err := read(t, sensor)
		require.NoError(t, err)
		assert.Equal(t, want, reading.Values)

		files.Unplug(devices + original + "/w1_slave")
		files.Always(devices+original+"/hwmon/hwmon3/temp1_input", answer{Text: c.milli + "\n"})
		reading, err = read(t, sensor)
		require.NoError(t, err)
		assert.Equal(t, want, reading.Values, "without the bytes")
	}
}

// Field samples and computed scratchpads with their checksums (cpetrich/counterfeit_DS18B20 issue 22, and the table beside).
func TestPublishedScratchpads(t *testing.T) {
	for text, celsius := range map[string]float64{
		"91 01 4b 46 7f ff 0f 10 25": 25.0625,
		"5e ff 4b 46 7f ff 02 10 b6": -10.125,
		"00 00 4b 46 7f ff 10 10 69": 0,
		"f4 00 4b 46 7f ff 0c 10 fa": 15.25,
		"f3 00 4b 46 7f ff 0d 10 ee": 15.1875,
	} {
		files, sensor := open(t, original)
		files.Always(devices+original+"/w1_slave", answer{Text: text + " : crc=" + text[24:] + " YES\n" + text + " t=0\n"})
		reading, err := read(t, sensor)
		require.NoError(t, err)
		assert.Equal(t, celsius, reading.Values[0].Value)
		assert.Empty(t, sensor.Describe().Notes, "these are the bytes of originals")
	}
}

func TestBytesBetrayACopyWithAnOriginalsROM(t *testing.T) {
	files, sensor := open(t, original)
	files.Next(devices+original+"/w1_slave", answer{Text: "6c 01 4b 46 7f ff 0c 10 2b : crc=2b YES\n6c 01 4b 46 7f ff 0c 10 2b t=22750\n"})
	_, err := read(t, sensor)
	require.NoError(t, err)
	assert.Equal(t, []string{"the bytes are not those of an original part: calibrate"}, sensor.Describe().Notes)
}

func TestResetIsReportedOnce(t *testing.T) {
	files, sensor := open(t, original)
	_, err := read(t, sensor)
	require.NoError(t, err)
	files.Next(devices+original+"/w1_slave", answer{Text: powerOn})
	reading, err := read(t, sensor)
	require.Equal(t, sensors.Implausible, sensors.KindOf(err))
	assert.Equal(t, []byte{0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10, 0x1c}, reading.Evidence)
	for _, first := range []bool{true, false} {
		reading, err = read(t, sensor)
		require.NoError(t, err)
		assert.Equal(t, first, reading.Reset)
		assert.Equal(t, first, reading.First)
	}
}

func TestFeaturesAreSetWhenAProbeAppears(t *testing.T) {
	for name, c := range map[string]struct {
		power, before, after string
		notes                []string
	}{
		"external power":  {"1\n", "0\n", "3\n", nil},
		"parasitic power": {"0\n", "0\n", "1\n", []string{"runs on parasitic power: with several probes on the line, run three wires"}},
		"no answer":       {"", "0\n", "1\n", nil},
		"set already":     {"1\n", "3\n", "3\n", nil},
	} {
		t.Run(name, func(t *testing.T) {
			root := kernelfiletest.Copy(t, tree)
			probe := filepath.Join(root, devices, original)
			write := func(file, text string) {
				require.NoError(t, os.WriteFile(filepath.Join(probe, file), []byte(text), 0o644))
			}
			write("ext_power", c.power)
			write("features", c.before)
			eeprom := filepath.Join(probe, "eeprom")
			write("eeprom", "untouched")
			sensor, err := w1.New(w1.Options{ROM: original, Root: root})
			require.NoError(t, err)
			after := func() string {
				text, err := os.ReadFile(filepath.Join(probe, "features"))
				require.NoError(t, err)
				return string(text)
			}
			assert.Equal(t, c.before, after(), "New touches nothing")
			_, err = read(t, sensor)
			require.NoError(t, err)
			assert.Equal(t, c.after, after())
			assert.Equal(t, c.notes, sensor.Describe().Notes)

			// The kernel forgets with the folder, so a probe that returns is set up again.
			require.NoError(t, os.Rename(filepath.Join(root, devices, original), filepath.Join(root, "away")))
			_, err = read(t, sensor)
			require.Equal(t, sensors.Absent, sensors.KindOf(err))
			require.NoError(t, os.Rename(filepath.Join(root, "away"), filepath.Join(root, devices, original)))
			write("features", "0\n")
			reading, err := read(t, sensor)
			require.NoError(t, err)
			assert.True(t, reading.First && reading.Reset)
			if c.before != c.after {
				assert.Equal(t, c.after, after())
			}
			text, err := os.ReadFile(eeprom)
			require.NoError(t, err)
			assert.Equal(t, "untouched", string(text))
		})
	}
}

func TestFeaturesThatCannotBeSetDoNotMatter(t *testing.T) {
	for name, set := range map[string]func(*kernelfiletest.Faulty){
		"old kernel": func(f *kernelfiletest.Faulty) {
			f.Unplug(devices + original + "/features")
			f.Unplug(devices + original + "/ext_power")
		},
		"not permitted": func(f *kernelfiletest.Faulty) { f.Always(devices+original+"/features", answer{Err: fs.ErrPermission}) },
		"refused":       func(f *kernelfiletest.Faulty) { f.Always(devices+original+"/features", answer{Err: syscall.EINVAL}) },
	} {
		t.Run(name, func(t *testing.T) {
			files, sensor := open(t, original)
			set(files)
			_, err := read(t, sensor)
			assert.NoError(t, err)
		})
	}
}

// A hung probe is outlived, its next read starts nothing, and the others on the bus go on.
func TestHungProbeDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := w1.NewBus()
		files, _ := open(t, original)
		hung, err := w1.New(w1.Options{ROM: original, Files: files, Bus: bus})
		require.NoError(t, err)
		other, err := w1.New(w1.Options{ROM: clone, Root: tree, Bus: bus})
		require.NoError(t, err)

		files.Hang()
		_, err = read(t, hung)
		assert.Equal(t, sensors.Timeout, sensors.KindOf(err))
		calls := files.Calls()
		before := time.Now()
		_, err = read(t, hung)
		assert.Equal(t, sensors.Busy, sensors.KindOf(err))
		assert.Equal(t, before, time.Now(), "at once")
		assert.Equal(t, calls, files.Calls(), "no second call beside the first")
		_, err = read(t, other)
		assert.NoError(t, err)

		files.Heal()
		synctest.Wait()
		_, err = read(t, hung)
		assert.NoError(t, err)
	})
}

// Conversions on one bus follow one another; who waits too long gives up with Timeout.
func TestBusGivesTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := w1.NewBus()
		var atWork, most int
		var mu sync.Mutex
		var wg sync.WaitGroup
		took := make(chan time.Duration, 3)
		for range 3 {
			files, _ := open(t, original)
			slow := &counting{Faulty: files, enter: func(by int) {
				mu.Lock()
				defer mu.Unlock()
				atWork += by
				most = max(most, atWork)
			}}
			sensor, err := w1.New(w1.Options{ROM: original, Files: slow, Bus: bus})
			require.NoError(t, err)
			wg.Go(func() {
				begun := time.Now()
				_, err := read(t, sensor)
				assert.NoError(t, err)
				took <- time.Since(begun)
			})
		}
		wg.Wait()
		assert.Equal(t, 1, most)
		for _, want := range []time.Duration{750, 1500, 2250} {
			assert.Equal(t, want*time.Millisecond, <-took)
		}

		files, _ := open(t, original)
		blocking, err := w1.New(w1.Options{ROM: original, Files: files, Bus: bus})
		require.NoError(t, err)
		files.Hang()
		wg.Go(func() { _, _ = read(t, blocking) })
		synctest.Wait()
		waiting, err := w1.New(w1.Options{ROM: clone, Root: tree, Bus: bus})
		require.NoError(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err = waiting.Read(ctx)
		assert.Equal(t, sensors.Timeout, sensors.KindOf(err))
		assert.ErrorContains(t, err, "no turn on the 1-Wire bus")
		wg.Wait()
		files.Heal()
	})
}

// counting takes the time of a conversion for each read of w1_slave and counts those at work.
type counting struct {
	*kernelfiletest.Faulty
	enter func(by int)
}

func (c *counting) ReadFile(name string) ([]byte, error) {
	if strings.HasSuffix(name, "w1_slave") {
		c.enter(1)
		defer c.enter(-1)
		time.Sleep(750 * time.Millisecond)
	}
	return c.Faulty.ReadFile(name)
}

func TestDiscover(t *testing.T) {
	found, err := w1.Discover(t.Context(), tree)
	require.NoError(t, err)
	probe := func(rom string, notes ...string) sensors.Found {
		return sensors.Found{Driver: "w1", Bus: "w1_bus_master1", Address: rom, Name: rom, Part: "DS18B20",
			Channels: []sensors.Channel{sensors.Temperature}, Notes: notes}
	}
	assert.Equal(t, []sensors.Found{
		probe("28-00000b3c5d1e"), probe("28-00000b3c60a2"), probe("28-00000b3c6a77"), probe("28-0316a2794bff", "a copy of the original part: check it in ice water first"),
	}, found)

	found, err = w1.Discover(t.Context(), t.TempDir())
	require.NoError(t, err)
	assert.Empty(t, found, "a kernel without 1-Wire")

	_, err = w1.Discover(t.Context(), filepath.Join(tree, "README"))
	assert.NoError(t, err, "no root at all is a kernel without 1-Wire too")
}

// An original of the simpler DS18S20: data sheet's formula, by way of Linux w1_therm.c.
func TestDS18S20(t *testing.T) {
	const rom = "10-000802b4c5d6"
	files, sensor := open(t, rom)
	for text, want := range map[string]float64{
		"2d 00 4b 46 ff ff 04 10": 22.5, // 22 - 0.25 + 12/16
		"ff ff 4b 46 ff ff 0c 10": -1,   // -1 - 0.25 + 4/16
	} {
		files.Always(devices+rom+"/w1_slave", answer{Text: withCRC(t, text)})
		reading, err := read(t, sensor)
		require.NoError(t, err)
		assert.Equal(t, want, reading.Values[0].Value)
	}
}
