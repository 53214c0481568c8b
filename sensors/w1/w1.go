// Package w1 reads the 1-Wire thermometers that the Linux kernel's w1_therm driver shows: DS18B20 and its relatives
// DS18S20, DS1822, DS1825 and DS28EA00. They are the sealed probes of most tubs.
//
//	bus := w1.NewBus() // one for all probes of a bus master
//	sensor, err := w1.New(w1.Options{ROM: "28-0316a2794bff", Bus: bus})
//	...
//	reading, err := sensor.Read(ctx) // blocks for a conversion: 750 ms at 12 bit
//
// A probe is its ROM code, never its place in a list: the kernel drops the folder of a probe that misses its searches and
// brings it back later.
//
// # How a read goes
//
// The nine bytes of w1_slave come first, since only they distinguish a true 85 °C from a probe that lost its power. That file is
// empty when anything went wrong, so a second read takes hwmon's temp1_input, which fails with the errno: ENODEV nothing
// answers, EIO the checksum stayed wrong, EINTR the wait was interrupted. Where neither exists, the file temperature has
// to do. A read is repeated at most twice, 50 ms apart, and only if a conversion still fits before the deadline.
//
// On the first read, and whenever a probe has returned, the driver writes 1 to features (3 with external power): the
// kernel then refuses power-on values itself, which shows as EIO. Nothing else is ever written, above all no EEPROM, which
// a copy survives about eight times.
//
// # Copies
//
// The kernel prints the serial number with its highest byte first. Originals have zero in the two highest bytes, so
// "28-00000b3c5d1e" may be one and "28-0316a2794bff" is not. Copies are off by up to 3 °C; they are described with an
// accuracy of 2 K and the note "a copy of the original part: check it in ice water first".
//
// # Not covered
//
// A true 85 °C from a copy that jumps there from more than 5 K away is refused. Two probes with the same ROM code look
// like one. A part of family 3B that measures a thermocouple (MAX31850) is refused.
//
// Sources: Linux Documentation/w1/slaves/w1_therm.rst and drivers/w1/slaves/w1_therm.c (commit 021da53e65fd); DS18B20 data
// sheet (accuracy ±0.5 °C from −10 to 85 °C); the cpetrich/counterfeit_DS18B20 collection for everything about copies.
package w1

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"dewline/sensors"
	"dewline/sensors/internal/scratchpad"
	"dewline/sensors/kernelfile"
)

const (
	devices = "bus/w1/devices"
	// conversion is how long a 12-bit conversion blocks (w1_therm.c, w1_DS18B20_convert_time).
	conversion = 750 * time.Millisecond
	// interval keeps the probe from warming itself: one conversion a second at most (engineering judgement).
	interval = time.Second
)

// Notes for the keeper.
const (
	noteClone     = "a copy of the original part: check it in ice water first"
	noteBehaves   = "the bytes are not those of an original part: calibrate"
	noteParasitic = "runs on parasitic power: with several probes on the line, run three wires"
)

// Options say which probe to read.
type Options struct {
	// ROM is the probe's code in the kernel's notation, such as "28-0316a2794bff".
	ROM string
	// Bus is shared by all probes of one bus master. nil means a bus of its own.
	Bus *Bus
	// Root is where the kernel's files are mounted. "" means "/sys".
	Root string
	// Files replaces the files below Root, for tests.
	Files kernelfile.Files
}

// Sensor is one probe.
type Device struct {
	rom   scratchpad.ROM
	bus   *Bus
	files *kernelfile.Reader

	closed atomic.Bool
	last   memory
	ready  bool // features are set
	seen   bool // has answered at least once
	lost   bool // has been away or without power since it answered last
	notes  []string
}

var _ sensors.Sensor = (*Device)(nil)

// New returns a probe. It touches nothing: the probe may be plugged in later.
func New(options Options) (*Device, error) {
	rom, err := parseROM(options.ROM)
	if err != nil {
		return nil, fmt.Errorf("w1: %w", err)
	}
	s := &Device{rom: rom, bus: options.Bus, files: kernelfile.NewReader(kernelfile.Or(options.Files, options.Root))}
	if s.bus == nil {
		s.bus = NewBus()
	}
	if rom.Clone() {
		s.note(noteClone)
	}
	return s, nil
}

// parseROM also refuses what is no thermometer.
func parseROM(text string) (scratchpad.ROM, error) {
	rom, err := scratchpad.ParseROM(text)
	if err != nil {
		return 0, err
	}
	if !scratchpad.Known(rom.Family()) {
		return 0, fmt.Errorf("ROM code %q: family %02x is no thermometer; those begin with 10, 22, 28, 3b or 42", text, rom.Family())
	}
	return rom, nil
}

// Describe returns what the probe is. Notes may come to know more with the first readings.
func (s *Device) Describe() sensors.Description {
	return sensors.Description{
		Driver: "w1",
		Part:   s.rom.Part(),
		Where:  "1-Wire " + s.rom.String(),
		Measures: []sensors.Measure{{
			Channel:    sensors.Temperature,
			Low:        scratchpad.LowestCelsius,
			High:       scratchpad.HighestCelsius,
			Resolution: 1.0 / 16,
			Accuracy:   accuracyKelvin(s.rom),
		}},
		MinimumInterval: interval,
		Notes:           slices.Clone(s.notes),
	}
}

// accuracyKelvin is 0.5 K for the family (DS18B20 data sheet; DS18S20, DS1825 and DS28EA00 from memory), 2 K for the
// DS1822 (from memory) and for copies until they are calibrated (engineering judgement).
func accuracyKelvin(rom scratchpad.ROM) float64 {
	if rom.Clone() || rom.Family() == scratchpad.FamilyDS1822 {
		return 2
	}
	return 0.5
}

// Close ends the use of the probe. It does not wait for a read that hangs.
func (s *Device) Close() error {
	s.closed.Store(true)
	return nil
}

// Read converts once and returns the temperature. The first reading after the probe (re)appeared has First set: some
// copies repeat an old value, or 25 °C, there.
func (s *Device) Read(ctx context.Context) (sensors.Measurement, error) {
	if s.closed.Load() {
		return sensors.Measurement{}, fmt.Errorf("%s: the sensor was closed: %w", s.doing(), os.ErrClosed)
	}
	giveBack, err := s.bus.take(ctx, s.rom.String())
	if err != nil {
		return sensors.Measurement{}, err
	}
	defer giveBack()

	reading, err := s.repeat(ctx)
	if err != nil {
		switch sensors.KindOf(err) {
		case sensors.Absent: // a folder that returns is a new one to the kernel, with features 0
			s.ready, s.lost = false, true
		case sensors.Implausible:
			s.lost = true
		}
		return sensors.Measurement{Evidence: reading.Evidence}, err
	}
	reading.First = !s.seen || s.lost
	reading.Reset = s.seen && s.lost
	s.seen, s.lost = true, false
	s.last = memory{celsius: reading.Values[0].Value, known: true}
	return reading, nil
}

// errEmpty means a file without content, by which w1_slave and temperature hide every failure.
var errEmpty = errors.New("the kernel gave an empty answer, as it does when nothing answers or the checksum stays wrong")

// repeat reads until it succeeds or nothing more is to be hoped for. An empty answer and an interrupted wait are worth one
// more try, a wrong checksum two.
func (s *Device) repeat(ctx context.Context) (sensors.Measurement, error) {
	var reading sensors.Measurement
	var odd int // empty answers and interrupted waits so far
	fromBytes := true
	worth := func(err error) bool {
		if errors.Is(err, errEmpty) || errors.Is(err, syscall.EINTR) {
			odd++
			fromBytes = false // the other file has the errno
			return odd == 1
		}
		return kernelfile.Passing(err)
	}
	err := kernelfile.Retry{More: 2, Pause: 50 * time.Millisecond, Needs: conversion}.Do(ctx, worth, func() error {
		got, err := s.once(ctx, fromBytes)
		if got.Evidence != nil || err == nil {
			reading = got
		}
		return err
	})
	return reading, err
}

// once converts once.
func (s *Device) once(ctx context.Context, fromBytes bool) (sensors.Measurement, error) {
	if !s.ready {
		if err := s.setUp(ctx); err != nil {
			return sensors.Measurement{}, s.failed(err)
		}
	}
	if fromBytes {
		reading, err := s.readBytes(ctx)
		if !errors.Is(err, fs.ErrNotExist) {
			return reading, err
		}
	}
	return s.readMilli(ctx)
}

// setUp asks the kernel to refuse power-on values itself. It works without, so only a call that hangs is an error.
func (s *Device) setUp(ctx context.Context) error {
	power, err := s.files.ReadFile(ctx, s.path("ext_power"))
	if outlived(err) {
		return err
	}
	const checkResult, andPoll = "1", "3" // w1_therm.rst, features
	want := checkResult
	switch strings.TrimSpace(string(power)) {
	case "1":
		want = andPoll
	case "0":
		s.note(noteParasitic)
	}
	now, err := s.files.ReadFile(ctx, s.path("features"))
	if err == nil && strings.TrimSpace(string(now)) != want {
		err = s.files.WriteFile(ctx, s.path("features"), []byte(want+"\n"))
	}
	if outlived(err) {
		return err
	}
	// A kernel without the file, or one that will not let us write, stays so; any other failure is worth another try.
	s.ready = err == nil || errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission)
	return nil
}

// outlived reports whether a call was left behind in the kernel, or not begun because of one.
func outlived(err error) bool {
	return sensors.KindOf(err) == sensors.Timeout || errors.Is(err, kernelfile.ErrStuck)
}

// readBytes reads w1_slave. A missing file is returned as it is.
func (s *Device) readBytes(ctx context.Context) (sensors.Measurement, error) {
	text, err := s.files.ReadFile(ctx, s.path("w1_slave"))
	if errors.Is(err, fs.ErrNotExist) {
		return sensors.Measurement{}, err
	}
	if err != nil {
		return sensors.Measurement{}, s.failed(err)
	}
	if empty(text) {
		return sensors.Measurement{}, &sensors.Error{Kind: sensors.Absent, Doing: s.doing(), Err: errEmpty}
	}
	slave, err := ParseSlave(text)
	if err != nil {
		return sensors.Measurement{Evidence: text}, s.failed(err)
	}
	reading := sensors.Measurement{Evidence: slave.Scratchpad[:]}
	value, err := judgeBytes(s.rom, slave.Scratchpad[:], s.last)
	if err == nil && !slave.Good {
		err = sensors.Errorf(sensors.Checksum, "the kernel says NO to the checksum %02x of % x", slave.CRC, slave.Scratchpad)
	}
	if err != nil {
		return reading, s.failed(err)
	}
	if s.rom.Family() == scratchpad.FamilyDS18B20 && !s.rom.Clone() && !original(slave.Scratchpad[:], 9+int(slave.Scratchpad[4]>>5&3)) {
		s.note(noteBehaves)
	}
	reading.Values = []sensors.Value{value}
	return reading, nil
}

// readMilli reads temp1_input, whose failures carry an errno, or else temperature, whose failures are empty.
func (s *Device) readMilli(ctx context.Context) (sensors.Measurement, error) {
	name, err := s.hwmon(ctx)
	if err != nil {
		return sensors.Measurement{}, s.failed(err)
	}
	text, err := s.files.ReadFile(ctx, name)
	if errors.Is(err, fs.ErrNotExist) {
		return sensors.Measurement{}, s.absent(ctx, err)
	}
	if err != nil {
		return sensors.Measurement{}, s.failed(err)
	}
	if empty(text) {
		return sensors.Measurement{}, &sensors.Error{Kind: sensors.Absent, Doing: s.doing(), Err: errEmpty}
	}
	reading := sensors.Measurement{Evidence: text}
	milli, err := kernelfile.ParseInteger(text)
	if err != nil {
		return reading, s.failed(err)
	}
	value, err := judgeMilli(milli, s.last)
	if err != nil {
		return reading, s.failed(err)
	}
	reading.Values = []sensors.Value{value}
	return reading, nil
}

// hwmon returns the file to read millidegrees from. The number of the hwmon folder changes from boot to boot.
func (s *Device) hwmon(ctx context.Context) (string, error) {
	names, err := s.files.ReadDir(ctx, s.path("hwmon"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	for _, name := range names {
		if strings.HasPrefix(name, "hwmon") {
			return s.path("hwmon/" + name + "/temp1_input"), nil
		}
	}
	return s.path("temperature"), nil
}

func empty(text []byte) bool { return len(strings.TrimSpace(string(text))) == 0 }

// failed says what was being done and, where the errno has a meaning of its own here, what to do.
func (s *Device) failed(err error) error {
	doing := s.doing()
	switch {
	case errors.Is(err, syscall.ENODEV):
		doing += ": no presence pulse, look for a loose plug or a broken wire"
	case errors.Is(err, syscall.EIO):
		doing += ": the checksum stayed wrong, or it was a power-on value that the kernel refused"
	case errors.Is(err, syscall.EINTR):
		doing += ": the wait for the conversion was interrupted"
	}
	return kernelfile.Doing(doing, err)
}

// absent finds out what is missing: the probe, the thermometer driver or the whole bus.
func (s *Device) absent(ctx context.Context, cause error) error {
	advice := "the probe is not on the bus: unplugged, or another ROM code"
	if _, err := s.files.ReadDir(ctx, s.path("")); err == nil {
		advice = "the kernel shows the probe but no temperature: load the module w1-therm"
	} else if outlived(err) {
		return s.failed(err)
	} else if _, err := s.files.ReadDir(ctx, devices); errors.Is(err, fs.ErrNotExist) {
		advice = "the kernel has no 1-Wire bus: enable its overlay (dtoverlay=w1-gpio)"
	}
	return &sensors.Error{Kind: sensors.Absent, Doing: s.doing() + ": " + advice, Err: cause}
}

func (s *Device) path(name string) string { return path.Join(devices, s.rom.String(), name) }

func (s *Device) doing() string { return "reading w1 " + s.rom.String() }

func (s *Device) note(text string) {
	if !slices.Contains(s.notes, text) {
		s.notes = append(s.notes, text)
	}
}
