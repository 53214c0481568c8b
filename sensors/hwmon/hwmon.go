// Package hwmon reads thermometers and hygrometers for which the Linux kernel has a hwmon driver: SHT4x, SHT3x, SHTC3,
// SHT21, LM75, TMP102, MCP9808 and whatever else shows temp1_input or humidity1_input.
//
//	sensor, err := hwmon.New(hwmon.Options{Name: "sht4x", Device: "1-0044"})
//	...
//	reading, err := sensor.Read(ctx)
//
// A device is known by the name its kernel driver gives it and, where there are several, by its place in the device tree.
// The number in "hwmon2" changes from boot to boot; it is looked up for each read.
//
// # What is checked
//
//   - Values outside the part's range are refused, so is a channel whose fault file says that its element is open.
//   - Where the kernel passes an answer on without checking its checksum, or the part sends none, a jump of more than 5 K
//     or 15 %RH must be confirmed by a second measurement before it is believed (engineering judgement).
//   - A heater that runs marks this reading and those of the five minutes after it. One that was switched on and off
//     again between two reads leaves no trace in the kernel's files.
//
// Humidity is not clamped: a saturated SHT4x says up to 119 %RH.
//
// Sources: Linux Documentation/ABI/testing/sysfs-class-hwmon (units), Documentation/hwmon/sysfs-interface, and the kernel
// drivers named in the table.
package hwmon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"time"

	"dewline/sensors"
	"dewline/sensors/internal/kerneldevice"
	"dewline/sensors/kernelfile"
)

const (
	// interval is the shortest that the sht4x driver measures again in; between, it repeats the last value.
	interval = 2 * time.Second
	// afterHeat is how long a heater pulse spoils temperature and humidity (engineering judgement).
	afterHeat = 5 * time.Minute
)

// Options say which device to read.
type Options struct {
	// Name is what the kernel driver calls the device (file "name"), such as "sht4x".
	Name string
	// Device selects one of several of that name: the device's path, the last part of it ("1-0044"), or as a hint that a
	// reboot may spoil, "hwmon2". "" means there is only one.
	Device string
	// Channels says which item feeds which channel, such as {Temperature: "temp2"}. nil means temp1 and humidity1, as far
	// as the part has them; for a driver that is in no table, as far as the device shows them when [New] is called.
	Channels map[sensors.Channel]string
	// Root is where the kernel's files are mounted. "" means "/sys".
	Root string
	// Files replaces the files below Root, for tests.
	Files kernelfile.Files
}

// Sensor is one hwmon device.
type Device struct {
	*kerneldevice.Device
	files  *kernelfile.Reader
	heated time.Time // when the heater was seen running
}

var _ sensors.Sensor = (*Device)(nil)

// New returns a sensor. The device may be absent yet; if it is there, and the name fits several, that is an error.
func New(options Options) (*Device, error) {
	s := &Device{files: kernelfile.NewReader(kernelfile.Or(options.Files, options.Root))}
	var err error
	s.Device, err = kernel.Open(s.files, options.Name, options.Device, options.Channels, interval, kerneldevice.Options{
		Value:           s.value,
		Heated:          s.heater,
		Retry:           kernelfile.Retry{More: 2, Pause: 50 * time.Millisecond},
		Worth:           kernelfile.Passing,
		RefreshInterval: s.updateInterval,
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}

// Discover lists the hwmon devices that measure air or water, without measuring. Those of the board and the 1-Wire probes
// are left out: packages board and w1 list them. root is as in [Options]. Name and Address of a find are the Name and
// Device of [Options].
func Discover(ctx context.Context, root string) ([]sensors.Found, error) {
	return kernel.Discover(ctx, kernelfile.NewReader(kernelfile.Or(nil, root)))
}

// kernel is the kernel's hwmon interface. A voltage says nothing about air or water, so it is read only where asked for.
var kernel = kerneldevice.Interface{
	Driver: "hwmon",
	Class:  kernelfile.Hwmon,
	Items: []kerneldevice.Item{
		{Channel: sensors.Temperature, Name: "temp1"},
		{Channel: sensors.Humidity, Name: "humidity1"},
		{Channel: sensors.Voltage, Name: "in0"},
	},
	Fits: func(name string, instead kerneldevice.Item) bool {
		const digits = "0123456789"
		number, ok := strings.CutPrefix(name, strings.TrimRight(instead.Name, digits))
		return ok && number != "" && strings.Trim(number, digits) == ""
	},
	In: func(files []string) []kerneldevice.Item {
		var all []kerneldevice.Item
		if slices.Contains(files, "temp1_input") {
			all = append(all, kerneldevice.Item{Channel: sensors.Temperature, Name: "temp1"})
		}
		if slices.Contains(files, "humidity1_input") {
			all = append(all, kerneldevice.Item{Channel: sensors.Humidity, Name: "humidity1"})
		}
		return all
	},
	Facts:     factsOf,
	Elsewhere: func(name string) bool { return elsewhere[name] },
}

// value reads one channel. All units of hwmon are thousandths of ours (sysfs-class-hwmon).
func (s *Device) value(ctx context.Context, entry kernelfile.Entry, i kerneldevice.Item, evidence *[]byte) (sensors.Value, error) {
	text, err := s.files.ReadFile(ctx, path.Join(entry.Path, i.Name+"_input"))
	if err != nil {
		return sensors.Value{}, err
	}
	*evidence = fmt.Appendf(*evidence, "%s_input=%s\n", i.Name, bytes.TrimSpace(text))
	fault, err := s.flag(ctx, entry, i.Name+"_fault")
	if err != nil {
		return sensors.Value{}, err
	}
	if fault {
		return sensors.Value{}, sensors.Errorf(sensors.Absent, "the chip says that the sensing element is open: check its wires")
	}
	n, err := kernelfile.ParseInteger(text)
	if err != nil {
		return sensors.Value{}, err
	}
	return sensors.Value{Channel: i.Channel, Value: float64(n) / 1000, Raw: uint64(n)}, nil
}

// heater reports whether a heater runs or ran shortly before. Its file is asked first: the sht4x driver holds a read back
// until the heater is off, and then returns what was measured while hot.
func (s *Device) heater(ctx context.Context, entry kernelfile.Entry) (bool, error) {
	on, err := s.flag(ctx, entry, "heater_enable")
	if err != nil {
		return false, err
	}
	if on {
		s.heated = time.Now()
	}
	return !s.heated.IsZero() && time.Since(s.heated) < afterHeat, nil
}

// flag reports whether a file holds 1. A device without the file has no such flag.
func (s *Device) flag(ctx context.Context, entry kernelfile.Entry, name string) (bool, error) {
	text, err := s.files.ReadFile(ctx, path.Join(entry.Path, name))
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return string(bytes.TrimSpace(text)) == "1", err
}

// updateInterval returns how long the kernel repeats a value before it measures again.
func (s *Device) updateInterval(ctx context.Context, entry kernelfile.Entry) (time.Duration, error) {
	text, err := s.files.ReadFile(ctx, path.Join(entry.Path, "update_interval"))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	milliseconds, err := kernelfile.ParseInteger(text)
	if err != nil || milliseconds < 0 || milliseconds > time.Hour.Milliseconds() {
		return 0, sensors.Errorf(sensors.Checksum, "garbled update_interval %q", text)
	}
	return time.Duration(milliseconds) * time.Millisecond, nil
}
