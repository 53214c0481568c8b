package board_test

import (
	"context"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/board"
	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest"
	"dewline/sensors/sensortest/kernelfiletest"
)

const (
	tree     = "../../testdata/sys/north-loft"
	zone     = "class/thermal/thermal_zone0"
	alarm    = "class/hwmon/hwmon2/in0_lcrit_alarm"
	firmware = "devices/platform/soc/soc:firmware/get_throttled"
)

type answer = kernelfiletest.Answer

func open(t *testing.T, options board.Options) (*kernelfiletest.Faulty, *board.Board) {
	t.Helper()
	files := kernelfiletest.New(kernelfile.Dir(tree))
	options.Files = files
	b, err := board.New(options)
	require.NoError(t, err)
	return files, b
}

func TestConformance(t *testing.T) {
	sensortest.Run(t, sensortest.Rig{
		NoChecksum: true, // the text of a number has none
		Exempt:     map[sensortest.Fault]string{sensortest.Reset: "a board that resets takes dewline with it"},
		Open: func(t *testing.T) sensortest.Bench {
			files, b := open(t, board.Options{})
			return sensortest.Bench{
				Sensor: b,
				Want:   map[sensors.Channel]float64{sensors.Temperature: 48.692},
				Heal:   files.Heal,
				Absent: func() { files.Unplug(zone) },
				Silent: files.Hang,
				Slow:   files.Delay,
				Garbled: sensortest.Flips(8*6, func(bit int) {
					files.Alter(zone+"/temp", func(text string) string {
						altered := []byte(text)
						altered[bit/8] ^= 1 << (bit % 8)
						return string(altered)
					})
				}),
				Implausible: map[string]func(){
					"molten":        func() { files.Always(zone+"/temp", answer{Text: "2147483\n"}) },
					"absolute zero": func() { files.Always(zone+"/temp", answer{Text: "-274000\n"}) },
				},
				FailAt: files.FailAt,
			}
		},
	})
}

func TestDescribe(t *testing.T) {
	_, b := open(t, board.Options{Zone: "cpu-thermal"})
	got := b.Describe()
	assert.Equal(t, "board", got.Driver)
	assert.Equal(t, "thermal zone cpu-thermal", got.Where)
	assert.Equal(t, []string{"the temperature of the processor, not of the room"}, got.Notes)
	assert.Equal(t, sensors.Temperature, got.Measures[0].Channel)
}

func TestWhichZone(t *testing.T) {
	root := t.TempDir()
	for name, text := range map[string]string{
		"thermal_zone0": "nvme", "thermal_zone1": "x86_pkg_temp", "thermal_zone2": "soc-thermal", "thermal_zone10": "battery",
	} {
		folder := filepath.Join(root, "class/thermal", name)
		require.NoError(t, os.MkdirAll(folder, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(folder, "type"), []byte(text+"\n"), 0o644))
		celsius := name[len("thermal_zone"):]
		require.NoError(t, os.WriteFile(filepath.Join(folder, "temp"), []byte(celsius+"000\n"), 0o644))
	}
	for wanted, celsius := range map[string]float64{"": 2, "battery": 10, "nvme": 0} {
		b, err := board.New(board.Options{Root: root, Zone: wanted})
		require.NoError(t, err)
		reading, err := b.Read(t.Context())
		require.NoError(t, err)
		assert.Equal(t, celsius, reading.Values[0].Value, wanted)
	}
	b, err := board.New(board.Options{Root: root, Zone: "gpu"})
	require.NoError(t, err)
	_, err = b.Read(t.Context())
	assert.Equal(t, sensors.Absent, sensors.KindOf(err))
	assert.ErrorContains(t, err, `no thermal zone "gpu"; this board has ["nvme" "x86_pkg_temp" "soc-thermal" "battery"]`)

	none, err := board.New(board.Options{Root: t.TempDir()})
	require.NoError(t, err)
	_, err = none.Read(t.Context())
	assert.Equal(t, sensors.Absent, sensors.KindOf(err))
	assert.EqualError(t, err, "reading board thermal zone of the processor: the kernel shows no thermal zone on this board: absent")

	// Without a zone of the processor's the first has to do.
	require.NoError(t, os.RemoveAll(filepath.Join(root, "class/thermal/thermal_zone1")))
	require.NoError(t, os.RemoveAll(filepath.Join(root, "class/thermal/thermal_zone2")))
	b, err = board.New(board.Options{Root: root})
	require.NoError(t, err)
	reading, err := b.Read(t.Context())
	require.NoError(t, err)
	assert.Zero(t, reading.Values[0].Value)
}

func TestSupply(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*kernelfiletest.Faulty)
		want board.Supply
		says string
	}{
		"in order":               {func(*kernelfiletest.Faulty) {}, board.Supply{HasWord: true}, "in order"},
		"alarm of the kernel":    {func(f *kernelfiletest.Faulty) { f.Always(alarm, answer{Text: "1\n"}) }, board.Supply{UnderVoltage: true, HasWord: true}, "under-voltage within the last seconds"},
		"alarm alone":            {func(f *kernelfiletest.Faulty) { f.Always(alarm, answer{Text: "1\n"}); f.Unplug(firmware) }, board.Supply{UnderVoltage: true}, "under-voltage within the last seconds"},
		"kernel alone, in order": {func(f *kernelfiletest.Faulty) { f.Unplug(firmware) }, board.Supply{}, "in order"},
		"under-voltage now":      {func(f *kernelfiletest.Faulty) { f.Always(firmware, answer{Text: "50005\n"}) }, board.Supply{UnderVoltage: true, Word: 0x50005, HasWord: true}, "under-voltage now, slowed down now"},
		"under-voltage before":   {func(f *kernelfiletest.Faulty) { f.Always(firmware, answer{Text: "50000\n"}) }, board.Supply{Word: 0x50000, HasWord: true}, "under-voltage before, slowed down before"},
		"alarm beside another": {func(f *kernelfiletest.Faulty) {
			f.Always(alarm, answer{Text: "1\n"})
			f.Always(firmware, answer{Text: "2\n"})
		}, board.Supply{UnderVoltage: true, Word: 2, HasWord: true}, "under-voltage within the last seconds, frequency capped now"},
		"firmware alone": {func(f *kernelfiletest.Faulty) { f.Always(firmware, answer{Text: "1\n"}); f.Unplug("class/hwmon") }, board.Supply{UnderVoltage: true, Word: 1, HasWord: true}, "under-voltage now"},
	} {
		t.Run(name, func(t *testing.T) {
			files, b := open(t, board.Options{})
			c.set(files)
			got, err := b.Supply(t.Context())
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
			assert.Equal(t, c.says, got.String())
		})
	}
}

func TestSupplyFailures(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*kernelfiletest.Faulty)
		kind sensors.Kind
	}{
		"not watched":     {func(f *kernelfiletest.Faulty) { f.Unplug("class/hwmon"); f.Unplug("devices/platform") }, sensors.Absent},
		"not by this one": {func(f *kernelfiletest.Faulty) { f.Unplug("class/hwmon/hwmon2"); f.Unplug(firmware) }, sensors.Absent},
		"alarm garbled":   {func(f *kernelfiletest.Faulty) { f.Always(alarm, answer{Text: "yes\n"}) }, sensors.Checksum},
		"word garbled":    {func(f *kernelfiletest.Faulty) { f.Always(firmware, answer{Text: "none\n"}) }, sensors.Checksum},
		"alarm fails":     {func(f *kernelfiletest.Faulty) { f.Always(alarm, answer{Err: syscall.EIO}) }, sensors.Checksum},
		"word fails":      {func(f *kernelfiletest.Faulty) { f.Always(firmware, answer{Err: syscall.ETIMEDOUT}) }, sensors.Timeout},
	} {
		t.Run(name, func(t *testing.T) {
			files, b := open(t, board.Options{})
			c.set(files)
			got, err := b.Supply(t.Context())
			assert.Equal(t, c.kind, sensors.KindOf(err), err)
			assert.ErrorContains(t, err, "reading the supply of the board")
			assert.Zero(t, got)
			files.Heal()
			_, err = b.Supply(t.Context())
			assert.NoError(t, err)
		})
	}
}

// A thermal zone that hangs hides no sagging supply, and neither is waited for past its deadline.
func TestSupplyBesideAHungZone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files, b := open(t, board.Options{})
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		files.Hang()
		_, err := b.Read(ctx)
		assert.Equal(t, sensors.Timeout, sensors.KindOf(err))
		_, err = b.Read(t.Context())
		assert.Equal(t, sensors.Busy, sensors.KindOf(err))

		soon, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err = b.Supply(soon)
		assert.Equal(t, sensors.Timeout, sensors.KindOf(err), "its own call, outlived by itself")
		files.Heal()
		synctest.Wait()
		_, err = b.Supply(t.Context())
		assert.NoError(t, err)
	})
}

func TestDiscover(t *testing.T) {
	found, err := board.Discover(t.Context(), tree)
	require.NoError(t, err)
	assert.Equal(t, []sensors.Found{{Driver: "board", Bus: "board", Address: "cpu-thermal", Name: "thermal_zone0",
		Part: "Raspberry Pi 4 Model B Rev 1.4", Channels: []sensors.Channel{sensors.Temperature}, Notes: []string{"supply: in order"}}}, found)
	found, err = board.Discover(t.Context(), t.TempDir())
	require.NoError(t, err)
	assert.Empty(t, found)

	root := kernelfiletest.Copy(t, tree)
	require.NoError(t, os.RemoveAll(filepath.Join(root, "firmware")))
	require.NoError(t, os.RemoveAll(filepath.Join(root, "devices/platform")))
	found, err = board.Discover(t.Context(), root)
	require.NoError(t, err)
	assert.Equal(t, "processor", found[0].Part)
	assert.Equal(t, []string{"this board does not watch its supply"}, found[0].Notes)
}
