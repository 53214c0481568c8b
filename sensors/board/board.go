// Package board watches the computer that dewline runs on: the temperature of its processor, and whether its supply sags.
//
//	b, err := board.New(board.Options{})
//	...
//	reading, err := b.Read(ctx)  // processor temperature
//	supply, err := b.Supply(ctx) // under-voltage
//
// Neither is about animals. They explain faults of the sensors: a sagging 5 V rail resets BME280s and DS18B20s first
// (engineering judgement), so ask [Board.Supply] whenever a sensor fails, and log the two together.
//
// Sources: Linux Documentation/ABI/testing/sysfs-class-thermal (temp in milli-degree) and drivers/hwmon/raspberrypi-hwmon.c.
package board

import (
	"bytes"
	"cmp"
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

// Options of the board. The zero value is usable.
type Options struct {
	// Zone is the type of the thermal zone to read, such as "cpu-thermal". "" means that of the processor, else the first.
	Zone string
	// Root is where the kernel's files are mounted. "" means "/sys".
	Root string
	// Files replaces the files below Root, for tests.
	Files kernelfile.Files
}

// Board is the computer itself. Its one channel is the temperature of the processor.
type Board struct {
	*kerneldevice.Device

	zone   string
	files  *kernelfile.Reader
	supply *kernelfile.Reader // its own, so that a thermal zone that hangs does not hide a sagging supply
}

var _ sensors.Sensor = (*Board)(nil)

// processorZones are what boards call the thermal zone of the processor.
var processorZones = []string{"cpu-thermal", "cpu_thermal", "cpu0-thermal", "soc-thermal", "soc_thermal", "x86_pkg_temp"}

// New returns the board. It touches nothing.
func New(options Options) (*Board, error) {
	b := &Board{zone: options.Zone, files: kernelfile.NewReader(kernelfile.Or(options.Files, options.Root)), supply: kernelfile.NewReader(kernelfile.Or(options.Files, options.Root))}
	b.Device = kerneldevice.New(kerneldevice.Options{
		Description: sensors.Description{
			Driver: "board",
			Part:   "processor",
			Where:  "thermal zone " + cmp.Or(options.Zone, "of the processor"),
			// Bounds that no running processor leaves; accuracy is not specified by anybody (engineering judgement).
			Measures:        []sensors.Measure{kerneldevice.Temperature(-40, 130, 0.001, 5)},
			MinimumInterval: 2 * time.Second, // as often as the kernel looks at the supply
			Notes:           []string{"the temperature of the processor, not of the room"},
		},
		Once:  b.once,
		Retry: kernelfile.Retry{More: 2, Pause: 50 * time.Millisecond},
		Worth: kernelfile.Passing,
	})
	return b, nil
}

// once reads the thermal zone.
func (b *Board) once(ctx context.Context) (sensors.Measurement, error) {
	zones, err := b.files.Entries(ctx, kernelfile.Thermal)
	if err != nil {
		return sensors.Measurement{}, err
	}
	zone, err := choose(zones, b.zone)
	if err != nil {
		return sensors.Measurement{}, err
	}
	text, err := b.files.ReadFile(ctx, path.Join(zone.Path, "temp"))
	if err != nil {
		return sensors.Measurement{}, err
	}
	reading := sensors.Measurement{Evidence: fmt.Appendf(nil, "temp=%s\n", bytes.TrimSpace(text))}
	n, err := kernelfile.ParseInteger(text)
	if err != nil {
		return reading, err
	}
	reading.Values = []sensors.Value{{Channel: sensors.Temperature, Value: float64(n) / 1000, Raw: uint64(n)}}
	return reading, nil
}

// choose returns the zone of a type, or the processor's, or the first.
func choose(zones []kernelfile.Entry, wanted string) (kernelfile.Entry, error) {
	names := processorZones
	if wanted != "" {
		names = []string{wanted}
	}
	for _, name := range names {
		if at := slices.IndexFunc(zones, func(z kernelfile.Entry) bool { return z.Name == name }); at >= 0 {
			return zones[at], nil
		}
	}
	if wanted == "" && len(zones) > 0 {
		return zones[0], nil
	}
	if len(zones) == 0 {
		return kernelfile.Entry{}, sensors.Errorf(sensors.Absent, "the kernel shows no thermal zone on this board")
	}
	var types []string
	for _, z := range zones {
		types = append(types, z.Name)
	}
	return kernelfile.Entry{}, sensors.Errorf(sensors.Absent, "no thermal zone %q; this board has %q", wanted, types)
}

// Supply is what the board knows of its own supply.
type Supply struct {
	// UnderVoltage means that the supply was too low within the last seconds.
	UnderVoltage bool
	// Word is the firmware's word, where the kernel shows it.
	Word    Throttled
	HasWord bool
}

// String returns the state of the supply in words.
func (s Supply) String() string {
	var all []string
	if s.UnderVoltage && !s.Word.Has(UnderVoltage|WasUnderVoltage) {
		all = append(all, "under-voltage within the last seconds")
	}
	if s.Word != 0 {
		all = append(all, s.Word.String())
	}
	return cmp.Or(strings.Join(all, ", "), "in order")
}

// Supply asks for the state of the supply. A board that does not watch it gives an error of kind Absent. The kernel looks
// every two seconds, so a dip is seen a moment later and stays visible as long.
func (b *Board) Supply(ctx context.Context) (Supply, error) {
	var s Supply
	alarm, err := b.alarm(ctx)
	if err != nil && sensors.KindOf(err) != sensors.Absent {
		return Supply{}, supplyError(err)
	}
	s.UnderVoltage = alarm
	word, wordErr := b.word(ctx)
	switch {
	case wordErr == nil:
		s.Word, s.HasWord = word, true
		// The bit for "before" may be days old, so it says nothing of now.
		s.UnderVoltage = s.UnderVoltage || word.Has(UnderVoltage)
	case sensors.KindOf(wordErr) != sensors.Absent:
		return Supply{}, supplyError(wordErr)
	case err != nil:
		return Supply{}, supplyError(sensors.Errorf(sensors.Absent, "this board does not watch its supply"))
	}
	return s, nil
}

func supplyError(err error) error {
	return kernelfile.Doing("reading the supply of the board", err)
}

// alarm reads the kernel's under-voltage alarm.
func (b *Board) alarm(ctx context.Context) (bool, error) {
	entry, err := b.supply.Find(ctx, kernelfile.Hwmon, "rpi_volt", "")
	if err != nil {
		return false, err
	}
	text, err := b.supply.ReadFile(ctx, path.Join(entry.Path, "in0_lcrit_alarm"))
	if err != nil {
		return false, err
	}
	n, err := kernelfile.ParseInteger(text)
	return n != 0, err
}

// word reads the firmware's word. Its file hangs below the system on chip, whose name carries an address on some boards.
func (b *Board) word(ctx context.Context) (Throttled, error) {
	const platform = "devices/platform"
	names, err := b.supply.ReadDir(ctx, platform)
	if err != nil {
		return 0, err
	}
	for _, name := range names {
		if name != "soc" && !strings.HasPrefix(name, "soc@") && !strings.HasPrefix(name, "soc:") {
			continue
		}
		for _, file := range []string{"soc:firmware/get_throttled", "get_throttled"} {
			text, err := b.supply.ReadFile(ctx, path.Join(platform, name, file))
			if errors.Is(err, fs.ErrNotExist) {
				continue
			}
			if err != nil {
				return 0, err
			}
			return ParseThrottled(string(text))
		}
	}
	return 0, sensors.Errorf(sensors.Absent, "no firmware word")
}
