// Package iio reads thermometers, hygrometers and barometers for which the Linux kernel has an industrial I/O driver:
// DHT11 and DHT22, BME280, BME680, Si7021, HTU21D, HDC1080, SCD4x, TMP117, PT100 front ends and others.
//
//	sensor, err := iio.New(iio.Options{Name: "bme280", Device: "1-0076"})
//	...
//	reading, err := sensor.Read(ctx)
//
// A device is known by the name its kernel driver gives it, without what a device tree adds ("dht11@11" is a dht11), and,
// where there are several, by its place in the device tree. Some drivers give the address as the name; then the bus is
// asked for it.
//
// # Units
//
// The value of a channel is its _input file, or else (_raw + _offset) × _scale; the unit is then milli-degree,
// milli-percent or kilopascal. Not every driver obeys: bme680 prints percent, and hectopascal on older kernels. A table
// keeps the exceptions. For a driver that is not in it the ABI is taken at its word, and a humidity outside 0 to 120 %
// after scaling is refused, since it shows that the driver does not obey.
//
// # What goes wrong
//
// A dht11 fails now and then: ETIMEDOUT when too few edges came, as when it is unplugged or on another pin, EIO when its
// checksum is wrong. It is asked again after two seconds, which is how long the kernel holds on to an answer, if that fits
// before the deadline. Parts whose answer nothing protects have to confirm a jump of more than 5 K, 15 %RH or 500 Pa by a
// second measurement (engineering judgement).
//
// Sources: Linux Documentation/ABI/testing/sysfs-bus-iio and the kernel drivers named in the table.
package iio

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path"
	"slices"
	"strings"
	"syscall"
	"time"

	"dewline/sensors"
	"dewline/sensors/internal/kerneldevice"
	"dewline/sensors/kernelfile"
)

// Options say which device to read.
type Options struct {
	// Name is what the kernel driver calls the device, such as "bme280" or "dht11".
	Name string
	// Device selects one of several of that name: the device's path, the last part of it ("1-0076", "dht11@11"), or as a
	// hint that a reboot may spoil, "iio:device2". "" means there is only one.
	Device string
	// Channels says which item feeds which channel, such as {Temperature: "in_temp_object"}. nil means in_temp,
	// in_humidityrelative, in_pressure and in_concentration_co2, as far as the part has them; for a driver that is in no
	// table, as far as the device shows them when [New] is called.
	Channels map[sensors.Channel]string
	// Root is where the kernel's files are mounted. "" means "/sys".
	Root string
	// Files replaces the files below Root, for tests.
	Files kernelfile.Files
}

// Sensor is one IIO device.
type Device struct {
	*kerneldevice.Device
	name  string
	facts facts
	files *kernelfile.Reader
}

var _ sensors.Sensor = (*Device)(nil)

// New returns a sensor. The device may be absent yet; if it is there, and the name fits several, that is an error.
func New(options Options) (*Device, error) {
	s := &Device{name: options.Name, facts: factsOf(options.Name), files: kernelfile.NewReader(kernelfile.Or(options.Files, options.Root))}
	var err error
	s.Device, err = kernel.Open(s.files, options.Name, options.Device, options.Channels, cmp.Or(s.facts.interval, time.Second), kerneldevice.Options{
		Value:  s.value,
		Retry:  kernelfile.Retry{More: 2, Pause: cmp.Or(s.facts.again, 50*time.Millisecond), Needs: s.facts.needs},
		Worth:  worth,
		Advice: s.advice,
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}

// Discover lists the IIO devices that measure air or water, without measuring. root is as in [Options]. Name and Address of
// a find are the Name and Device of [Options].
func Discover(ctx context.Context, root string) ([]sensors.Found, error) {
	return kernel.Discover(ctx, kernelfile.NewReader(kernelfile.Or(nil, root)))
}

// items are the channels of IIO, in the order in which they are read.
var items = []kerneldevice.Item{
	{Channel: sensors.Temperature, Name: "in_temp"},
	{Channel: sensors.Humidity, Name: "in_humidityrelative"},
	{Channel: sensors.Pressure, Name: "in_pressure"},
	{Channel: sensors.CO2, Name: "in_concentration_co2"},
}

// kernel is the kernel's IIO interface.
var kernel = kerneldevice.Interface{
	Driver: "iio",
	Class:  kernelfile.IIO,
	Items:  items,
	// A second item of a channel has a number or a word of its own: in_temp1, in_temp_object.
	Fits: func(name string, instead kerneldevice.Item) bool {
		more, ok := strings.CutPrefix(name, instead.Name)
		return ok && !strings.Contains(more, "/") && (strings.HasPrefix(more, "_") || strings.Trim(more, "0123456789") == "")
	},
	In: func(files []string) []kerneldevice.Item {
		return slices.DeleteFunc(slices.Clone(items), func(i kerneldevice.Item) bool {
			return !slices.Contains(files, i.Name+"_input") && !slices.Contains(files, i.Name+"_raw")
		})
	},
	Facts: func(name string) (kerneldevice.Facts, bool) {
		_, ok := known[name]
		return factsOf(name).Facts, ok
	},
}

// worth says after which failures to read again. A timeout of the kernel's, as of a dht11, may pass; one of ours may not.
func worth(err error) bool {
	return kernelfile.Passing(err) || errors.Is(err, syscall.ETIMEDOUT)
}

// advice says what an errno means here.
func (s *Device) advice(err error) string {
	switch {
	case s.name == "dht11" && errors.Is(err, syscall.ETIMEDOUT):
		return "the part does not answer: unplugged, or its overlay names another pin"
	case s.name == "dht11" && errors.Is(err, syscall.EIO):
		return "the part's checksum is wrong or its signal was lost"
	case (s.name == "bme280" || s.name == "bmp280") && errors.Is(err, syscall.EIO):
		return "the bus failed, or the part skipped the measurement as after a loss of power"
	}
	return ""
}

// value reads one channel, in the way that its driver offers.
func (s *Device) value(ctx context.Context, entry kernelfile.Entry, i kerneldevice.Item, evidence *[]byte) (sensors.Value, error) {
	number, err := s.number(ctx, entry, i.Name+"_input", evidence)
	if err == nil {
		return s.inUnits(i.Channel, number, number*1000), nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return sensors.Value{}, err
	}
	raw, err := s.number(ctx, entry, i.Name+"_raw", evidence)
	if err != nil {
		return sensors.Value{}, err
	}
	offset, err := s.shared(ctx, entry, i, "_offset", evidence)
	if errors.Is(err, fs.ErrNotExist) {
		offset, err = 0, nil
	}
	if err != nil {
		return sensors.Value{}, err
	}
	scale, err := s.shared(ctx, entry, i, "_scale", evidence)
	if err != nil {
		return sensors.Value{}, err
	}
	return s.inUnits(i.Channel, (raw+offset)*scale, raw), nil
}

// inUnits makes the value of what a driver printed. word is what a test for a stuck sensor compares.
func (s *Device) inUnits(channel sensors.Channel, printed, word float64) sensors.Value {
	word = max(math.MinInt64/2, min(math.MaxInt64/2, math.Round(word))) // a conversion of what does not fit is undefined
	return sensors.Value{Channel: channel, Value: s.facts.unit(channel, printed), Raw: uint64(int64(word))}
}

// shared reads an attribute that several items of a channel may have in common: in_temp_scale for in_temp_object.
func (s *Device) shared(ctx context.Context, entry kernelfile.Entry, i kerneldevice.Item, suffix string, evidence *[]byte) (float64, error) {
	number, err := s.number(ctx, entry, i.Name+suffix, evidence)
	if !errors.Is(err, fs.ErrNotExist) {
		return number, err
	}
	for _, common := range items {
		if common.Channel == i.Channel && common.Name != i.Name {
			return s.number(ctx, entry, common.Name+suffix, evidence)
		}
	}
	return 0, err
}

// number reads one file and keeps its text as evidence.
func (s *Device) number(ctx context.Context, entry kernelfile.Entry, name string, evidence *[]byte) (float64, error) {
	text, err := s.files.ReadFile(ctx, path.Join(entry.Path, name))
	if err != nil {
		return 0, err
	}
	*evidence = fmt.Appendf(*evidence, "%s=%s\n", name, bytes.TrimSpace(text))
	return kernelfile.ParseDecimal(text)
}
