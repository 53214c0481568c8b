// Package bme280 reads the sensors BME280 (temperature, pressure, humidity) and BMP280 (temperature, pressure).
//
//	sensor, err := bme280.New(bus, bme280.Options{Address: 0x76})
//	...
//	reading, err := sensor.Read(ctx)
//
// New touches nothing: the sensor may be plugged in later.
//
// The part protects its bytes by no checksum, and after a dip of its supply it goes on answering, with humidity switched
// off and a constant, believable word in its place. So each read writes the settings, and takes them back together with the
// data in one burst; a measurement whose settings are not those that were written is refused. So are the words the part
// holds where nothing was measured, and answers of nothing but ones or zeros. The trimming is read twice. A reading far from
// the one before is taken again, and refused unless the second agrees with the first.
//
// Registers, trimming and formulas are those of the BME280 datasheet 1.6 and the BMP280 datasheet, in part from memory and
// checked against the worked example of the latter and against a published recording of a real part (see the tests).
package bme280

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
)

// The names of this driver in the config: one per part, since only one of them measures humidity.
const (
	Driver       = "bme280"
	DriverBMP280 = "bmp280"
)

// Registers.
const (
	registerTrim1    = 0x88 // 26 bytes, to 0xA1
	registerID       = 0xD0
	registerReset    = 0xE0
	registerTrim2    = 0xE1 // 7 bytes, to 0xE7
	registerHumidity = 0xF2 // ctrl_hum; takes effect with the next write to ctrl_meas
	registerStatus   = 0xF3
	registerMeasure  = 0xF4 // ctrl_meas
	registerConfig   = 0xF5
)

// Values of registers.
const (
	idBME280 = 0x60
	idBMP280 = 0x58
	reset    = 0xB6

	statusMeasuring = 1 << 3
	statusCopying   = 1 << 0 // the trimming is being copied from its memory

	humiditySetting    = 0x07        // mask of ctrl_hum
	oversampleHumidity = 0x01        // once
	oversampleRest     = 1<<5 | 1<<2 // temperature once, pressure once
	forced             = 0x01        // one measurement, then sleep
	settings           = 0xFC        // mask of ctrl_meas without the mode, which falls back to sleep by itself
)

// Waits. A measurement of all three takes 1.25 + 2.3 + (2.3 + 0.575) + (2.3 + 0.575) ms at most (from memory).
const (
	waitMeasure = 10 * time.Millisecond
	waitReset   = 2 * time.Millisecond
	waitMore    = 2 * time.Millisecond
	polls       = 10 // bounded: a stuck status bit must not hang a reader
)

// Changes between two readings that make the second suspect until a third agrees with it (own judgement, no published
// source): more than air does in a few seconds.
const (
	jumpCelsius  = 2
	jumpPercent  = 10
	jumpPascal   = 300
	againCelsius = 0.5 // how closely the repetition must agree
	againPercent = 3
	againPascal  = 100
)

// Options of a sensor. The zero value is a BME280 at 0x76.
type Options struct {
	// Address is 0x76 or 0x77; 0 means 0x76.
	Address uint16
	// BMP280 says that the part is a BMP280, which measures no humidity.
	BMP280 bool
}

// Dev is one sensor.
type Dev struct {
	conn     *chip.Conn
	bmp280   bool
	measures []sensors.Measure
	trim     trimming
	started  bool            // a measurement was started since the device was set up, so it has settings to lose
	last     []sensors.Value // of the last good reading; nil after the device was set up
}

var _ sensors.Sensor = (*Dev)(nil)

// measures holds the part's ranges and typical accuracies (BME280 datasheet 1.6; temperature ±0.5 K at 25 °C and ±1 K over
// the range, pressure ±1 hPa, both from memory). Humidity is not clamped by this driver, so saturation may read above 100.
var measures = []sensors.Measure{
	{Channel: sensors.Temperature, Low: -40, High: 85, Resolution: 0.01, Accuracy: 1},
	{Channel: sensors.Pressure, Low: 30000, High: 110000, Resolution: 2.6, Accuracy: 100},
	{Channel: sensors.Humidity, Low: -10, High: 120, Resolution: 0.01, Accuracy: 3},
}

// New returns a sensor on bus. It does not touch the bus.
func New(bus i2c.Bus, options Options) (*Dev, error) {
	d := &Dev{bmp280: options.BMP280, measures: measures}
	if d.bmp280 {
		d.measures = measures[:2]
	}
	conn, err := chip.Connect(d.driver(), bus, options.Address, 0x76, 0x77)
	if err != nil {
		return nil, err
	}
	d.conn = conn
	return d, nil
}

func (d *Dev) driver() string {
	if d.bmp280 {
		return DriverBMP280
	}
	return Driver
}

func (d *Dev) part() string {
	if d.bmp280 {
		return "BMP280"
	}
	return "BME280"
}

// Describe returns what the sensor is.
func (d *Dev) Describe() sensors.Description {
	description := sensors.Description{
		Driver:          d.driver(),
		Part:            d.part(),
		Where:           d.conn.Where(),
		Measures:        slices.Clone(d.measures),
		MinimumInterval: time.Second, // against self-heating
		NonCondensing:   true,
	}
	if !d.bmp280 {
		description.Notes = []string{"humidity is specified for 20 to 80 %RH in non-condensing air; after long wet spells it needs drying out"}
	}
	return description
}

// Read makes one measurement of all channels. Where it lies far from the last one, and on the first, a second one must
// confirm it.
func (d *Dev) Read(ctx context.Context) (sensors.Measurement, error) {
	reading, err := d.conn.Read(ctx, d.once)
	if err != nil {
		return reading, err
	}
	d.last = reading.Values
	return reading, nil
}

func (d *Dev) once(ctx context.Context) (reading sensors.Measurement, err error) {
	if d.conn.SetUp() && d.started {
		kept, err := d.register(ctx, "reading the settings", registerHumidity, 3)
		if err != nil {
			return sensors.Measurement{}, err
		}
		if !d.kept(kept[0], kept[2]) {
			d.conn.WasReset()
		}
	}
	if !d.conn.SetUp() {
		if evidence, err := d.setUp(ctx); err != nil {
			return sensors.Measurement{Evidence: evidence}, err
		}
	}
	reading, err = d.measure(ctx)
	if err != nil || (d.last != nil && agree(d.last, reading.Values, jumpCelsius, jumpPercent, jumpPascal)) {
		return reading, err
	}
	again, err := d.measure(ctx)
	if err != nil {
		return again, err
	}
	if !agree(reading.Values, again.Values, againCelsius, againPercent, againPascal) {
		return sensors.Measurement{Evidence: append(reading.Evidence, again.Evidence...)},
			sensors.Errorf(sensors.Implausible, "two measurements in a row do not agree: %s, then %s",
				text(reading.Values), text(again.Values))
	}
	return again, nil
}

// agree reports whether no channel differs by more than its bound.
func agree(a, b []sensors.Value, celsius, percent, pascal float64) bool {
	bound := map[sensors.Channel]float64{sensors.Temperature: celsius, sensors.Humidity: percent, sensors.Pressure: pascal}
	for i := range a {
		if math.Abs(a[i].Value-b[i].Value) > bound[a[i].Channel] {
			return false
		}
	}
	return true
}

func text(values []sensors.Value) string {
	all := ""
	for i, v := range values {
		if i > 0 {
			all += ", "
		}
		all += fmt.Sprintf("%.2f %s", v.Value, v.Channel.Unit())
	}
	return all
}

// setUp identifies the part, resets it and learns its trimming.
func (d *Dev) setUp(ctx context.Context) (evidence []byte, err error) {
	d.last, d.started = nil, false
	id, err := d.register(ctx, "reading the chip id", registerID, 1)
	if err != nil {
		return nil, err
	}
	if err := d.expect(id[0]); err != nil {
		return id, err
	}
	if err := d.conn.Tx(ctx, "resetting", []byte{registerReset, reset}, nil); err != nil {
		return id, err
	}
	if err := i2cbus.Sleep(ctx, waitReset); err != nil {
		return id, err
	}
	if status, err := d.await(ctx, statusCopying); err != nil {
		return status, err
	}
	first, err := d.readTrim(ctx)
	if err != nil {
		return id, err
	}
	second, err := d.readTrim(ctx)
	if err != nil {
		return first, err
	}
	if !slices.Equal(first, second) {
		return append(first, second...), sensors.Errorf(sensors.Checksum, "the trimming was read twice and differs")
	}
	if d.trim, err = parseTrimming(first); err != nil {
		return first, err
	}
	d.conn.Begun()
	return nil, nil
}

// expect refuses a part that is not the configured one.
func (d *Dev) expect(id byte) error {
	want := byte(idBME280)
	if d.bmp280 {
		want = idBMP280
	}
	switch {
	case id == want:
		return nil
	case id == idBMP280:
		return sensors.Errorf(sensors.Implausible, "the part is a BMP280 (id %#02x), which measures no humidity: use the driver %s",
			id, DriverBMP280)
	case id == idBME280:
		return sensors.Errorf(sensors.Implausible, "the part is a BME280 (id %#02x): use the driver %s", id, Driver)
	}
	return sensors.Errorf(sensors.Implausible, "chip id %#02x, want %#02x for a %s", id, want, d.part())
}

// readTrim reads the trimming: 26 bytes, and 7 more where humidity is measured.
func (d *Dev) readTrim(ctx context.Context) ([]byte, error) {
	bytes, err := d.register(ctx, "reading the trimming", registerTrim1, 26)
	if err != nil || d.bmp280 {
		return bytes, err
	}
	more, err := d.register(ctx, "reading the trimming of humidity", registerTrim2, 7)
	return append(bytes, more...), err
}

// await waits until a status bit falls, a bounded time.
func (d *Dev) await(ctx context.Context, bit byte) (status []byte, err error) {
	for range polls {
		status, err = d.register(ctx, "reading the status", registerStatus, 1)
		if err != nil || status[0]&bit == 0 {
			return status, err
		}
		if err := i2cbus.Sleep(ctx, waitMore); err != nil {
			return status, err
		}
	}
	return status, sensors.Errorf(sensors.Busy, "the status stays at %#02x", status[0])
}

func (d *Dev) register(ctx context.Context, doing string, register byte, n int) ([]byte, error) {
	answer := make([]byte, n)
	if err := d.conn.Tx(ctx, doing, []byte{register}, answer); err != nil {
		return nil, err
	}
	return answer, nil
}

// measure makes one measurement in forced mode: settings, wait, and one burst of settings and data.
func (d *Dev) measure(ctx context.Context) (sensors.Measurement, error) {
	writes := []byte{registerConfig, 0, registerHumidity, oversampleHumidity, registerMeasure, oversampleRest | forced}
	if d.bmp280 {
		writes = slices.Delete(writes, 2, 4)
	}
	if err := d.conn.Tx(ctx, "starting a measurement", writes, nil); err != nil {
		return sensors.Measurement{}, err
	}
	d.started = true
	if err := i2cbus.Sleep(ctx, waitMeasure); err != nil {
		return sensors.Measurement{}, err
	}
	if status, err := d.await(ctx, statusMeasuring); err != nil {
		return sensors.Measurement{Evidence: status}, err
	}
	length := burstLength
	if d.bmp280 {
		length = burstLengthBMP280
	}
	burst, err := d.register(ctx, "reading the measurement", burstStart, length)
	if err != nil {
		return sensors.Measurement{}, err
	}
	values, err := d.trim.convert(burst)
	if errors.Is(err, errSettings) {
		d.conn.WasReset()
		err = sensors.Errorf(sensors.Implausible, "ctrl_hum %#02x and ctrl_meas %#02x are not what was written: the part was reset, as by a dip of its supply",
			burst[atHumidity], burst[atMeasure])
	}
	if err != nil {
		return sensors.Measurement{Evidence: burst}, err
	}
	return sensors.Measurement{Values: values, Evidence: burst}, nil
}

// kept reports whether the part still has the settings it was given.
func (d *Dev) kept(humidity, measure byte) bool {
	return measure&settings == oversampleRest && (d.bmp280 || humidity&humiditySetting == oversampleHumidity)
}

// Close ends the use of the sensor; the bus stays open.
func (d *Dev) Close() error { return d.conn.Close() }
