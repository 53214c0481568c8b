// Package i2cscan finds the sensors on an I²C bus and distinguishes parts that share an address.
//
//	found, err := i2cscan.Scan(ctx, bus)
//
// I²C has no way to ask an unknown device what it is, and a byte that one part takes for a question may switch another. So
// each address where a known part may be is asked with as little as will identify it:
//
//   - 0x18 to 0x1F, 0x48 to 0x4F: one byte is read. What answers is not identified, only named as something to look at.
//   - 0x38: seven bytes are read and nothing is written, since the status command of an AHT20 would set the pins of a
//     PCF8574A port expander.
//   - 0x40: one command byte, the measurement of an HTU21D. A part with registers takes it for a register number.
//   - 0x44 to 0x46: the serial number of an SHT4x, one byte; then the maker of an HDC302x and the status of an SHT3x, two bytes
//     each, which only these take.
//   - 0x70 to 0x75: one byte is read. Multiplexers live here, and their channels are buses of their own.
//   - 0x76, 0x77: the chip id in register 0xD0. A multiplexer there would take that for a choice of channels; it gives itself
//     away by returning it, and gets its former choice back.
//
// An address that a kernel driver holds is reported as such and not touched.
package i2cscan

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors"
	"dewline/sensors/aht20"
	"dewline/sensors/bme280"
	"dewline/sensors/htu21"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
	"dewline/sensors/internal/sensirion"
	"dewline/sensors/sht3x"
	"dewline/sensors/sht4x"
)

// question is how the parts at one address are distinguished. It returns nil where nothing answers, or nothing known.
type question func(ctx context.Context, at place) (*sensors.Found, error)

// questions by address, in the order in which they are asked.
var questions = []struct {
	address uint16
	ask     question
}{
	{0x18, askThermometer}, {0x19, askThermometer}, {0x1A, askThermometer}, {0x1B, askThermometer},
	{0x1C, askThermometer}, {0x1D, askThermometer}, {0x1E, askThermometer}, {0x1F, askThermometer},
	{0x38, askAHT20},
	{0x40, askHTU21},
	{0x44, askSensirion}, {0x45, askSensirion}, {0x46, askSensirion},
	{0x48, askThermometer}, {0x49, askThermometer}, {0x4A, askThermometer}, {0x4B, askThermometer},
	{0x4C, askThermometer}, {0x4D, askThermometer}, {0x4E, askThermometer}, {0x4F, askThermometer},
	{0x70, askMux}, {0x71, askMux}, {0x72, askMux}, {0x73, askMux}, {0x74, askMux}, {0x75, askMux},
	{0x76, askBosch}, {0x77, askBosch},
}

// How long a bus may take. A part answers within a tenth of a second; the kernel gives up a transfer after one, and a bus that
// it drives pin by pin on a busy board is slower than that.
const (
	// patience bounds the question at one address.
	patience = 3 * time.Second
	// recovery bounds the wait for a transfer that came back too late.
	recovery = 3 * time.Second
	// maxSilent is how many addresses in a row may run out of time where no address has answered yet, not even that there is
	// nothing: then a line is held low, and the other addresses would only take their time too.
	maxSilent = 3
)

// Search asks the addresses of a bus one after another. An address that takes too long is given up, and the search goes on.
type Search struct {
	bus    *i2cbus.Bus
	late   []string // addresses that were given up
	alive  bool     // an address has answered in time, if only that nothing is there
	silent int      // addresses in a row that were given up
	cause  error    // of the last one given up
}

// Begin begins a search of bus.
func Begin(bus i2c.Bus) *Search { return &Search{bus: i2cbus.Share(bus)} }

// Scan asks every address where a known part may be. Where the error is not nil, what was found before is returned with it:
// ctx has ended, the bus does not work, or some addresses did not answer in time.
func Scan(ctx context.Context, bus i2c.Bus) ([]sensors.Found, error) {
	search := Begin(bus)
	found, err := search.Known(ctx)
	if err == nil {
		err = search.Err()
	}
	return found, err
}

// Known asks every address where this package can name a part. An error ends the search; see [Search.Err] for the addresses
// that were given up.
func (s *Search) Known(ctx context.Context) ([]sensors.Found, error) {
	var all []sensors.Found
	for _, q := range questions {
		var found *sensors.Found
		err := s.Ask(ctx, q.address, func(ctx context.Context) (err error) {
			found, err = answer(ctx, place{s.bus, q.address}, q.ask)
			return err
		})
		if err != nil {
			return all, err
		}
		if found != nil {
			all = append(all, *found)
		}
	}
	return all, nil
}

// Ask asks one question within a bounded time. A question that ran out of it has no error, as the next address may well
// answer: it is noted for [Search.Err]. An error ends the search.
func (s *Search) Ask(ctx context.Context, address uint16, question func(context.Context) error) error {
	limited, cancel := context.WithTimeout(ctx, patience)
	err := question(limited)
	cancel()
	if ctx.Err() != nil {
		return fmt.Errorf("searching %s was ended at address %#02x: %w", s.bus, address,
			&sensors.Error{Kind: sensors.Timeout, Err: ctx.Err()})
	}
	if sensors.KindOf(err) != sensors.Timeout {
		if err != nil {
			return fmt.Errorf("searching %s: %w", s.bus, err)
		}
		s.alive, s.silent = true, 0
		return nil
	}
	if at := fmt.Sprintf("%#02x", address); !slices.Contains(s.late, at) {
		s.late = append(s.late, at)
		s.silent++
	}
	s.cause = err
	waiting, cancel := context.WithTimeout(ctx, recovery)
	defer cancel()
	if s.bus.Idle(waiting) != nil || !s.alive && s.silent >= maxSilent {
		return fmt.Errorf("searching %s: %w: the bus does not work: a device holds the data line low, or the pull-up resistors are missing: "+
			"take the devices off one by one, each with its power away for a moment", s.bus, err)
	}
	return nil
}

// Err returns nil, or an error that names the addresses without an answer in time.
func (s *Search) Err() error {
	if len(s.late) == 0 {
		return nil
	}
	return fmt.Errorf("searching %s: no answer in time at %s, all other addresses were asked: look again, or read what is there by naming it in "+
		"the configuration: %w", s.bus, strings.Join(s.late, ", "), s.cause)
}

func answer(ctx context.Context, at place, ask question) (*sensors.Found, error) {
	found, err := ask(ctx, at)
	switch {
	case err == nil:
		return found, nil
	case errors.Is(err, i2cbus.ErrMuxAddress):
		return nil, nil // it is the multiplexer by which we came
	case errors.Is(err, syscall.EBUSY):
		return at.found("", "a part that a kernel driver reads", nil,
			"a kernel driver holds this address: read it with the driver hwmon or iio"), nil
	}
	return nil, err
}

// place is an address on a bus.
type place struct {
	bus     *i2cbus.Bus
	address uint16
}

func (at place) found(driver, part string, channels []sensors.Channel, notes ...string) *sensors.Found {
	return &sensors.Found{
		Driver:   driver,
		Bus:      at.bus.String(),
		Address:  fmt.Sprintf("%#02x", at.address),
		Part:     part,
		Channels: channels,
		Notes:    notes,
	}
}

// exchange writes w where it is not empty, waits, and reads n bytes. It returns nil where nothing answers, or not to that;
// a bus that garbles or loses arbitration is taken for the same, as the address may be asked again.
func (at place) exchange(ctx context.Context, wait time.Duration, n int, w ...byte) ([]byte, error) {
	answer := make([]byte, n)
	err := error(nil)
	if len(w) > 0 {
		err = at.bus.TxContext(ctx, at.address, w, nil)
	}
	if err == nil {
		err = i2cbus.Sleep(ctx, wait)
	}
	if err == nil {
		err = at.bus.TxContext(ctx, at.address, nil, answer)
	}
	switch {
	case err == nil:
		return answer, nil
	case errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.EREMOTEIO), errors.Is(err, syscall.EIO),
		errors.Is(err, syscall.EAGAIN):
		return nil, nil
	}
	return nil, err
}

var (
	both        = []sensors.Channel{sensors.Temperature, sensors.Humidity}
	notHumidity = []sensors.Channel{sensors.Temperature, sensors.Pressure}
	allThree    = []sensors.Channel{sensors.Temperature, sensors.Pressure, sensors.Humidity}
)

// askThermometer reports what answers where several parts are possible that no harmless question distinguishes.
func askThermometer(ctx context.Context, at place) (*sensors.Found, error) {
	answer, err := at.exchange(ctx, 0, 1)
	if err != nil || answer == nil {
		return nil, err
	}
	note := "look at the part: it may be an MCP9808 (driver mcp9808), a 1-Wire bridge DS2482 (driver ds248x) or something else"
	if at.address >= 0x48 {
		note = "look at the part: it may be a TMP102 (driver tmp102), an LM75, TMP75, TMP105 (driver lm75) or something else"
	}
	return at.found("", "unknown part", nil, note), nil
}

func askAHT20(ctx context.Context, at place) (*sensors.Found, error) {
	frame, err := at.exchange(ctx, 0, 7)
	if err != nil || frame == nil {
		return nil, err
	}
	if slices.ContainsFunc(frame, func(b byte) bool { return b != frame[0] }) {
		if _, err := aht20.Decode(frame); err == nil {
			return at.found(aht20.Driver, "AHT20", both), nil
		}
		return at.found(aht20.Driver, "probably AHT20", both,
			"an AHT20 cannot be identified for certain before its first measurement"), nil
	}
	return at.found("", "unknown part", nil,
		fmt.Sprintf("answers %#02x to everything, as a port expander PCF8574A does; if it is an AHT20, name the driver %s", frame[0], aht20.Driver)), nil
}

func askHTU21(ctx context.Context, at place) (*sensors.Found, error) {
	frame, err := at.exchange(ctx, 55*time.Millisecond, 3, 0xF3)
	if err != nil || frame == nil {
		return nil, err
	}
	if words, err := chip.Words(0x00, frame); err == nil && words[0] != 0 {
		return at.found(htu21.Driver, "HTU21D, Si7021 or SHT21", both, "the accuracy depends on the part: name it in the config"), nil
	}
	return at.found("", "unknown part", nil, "many parts use this address, such as HDC1080, INA219 and PCA9685"), nil
}

func askSensirion(ctx context.Context, at place) (*sensors.Found, error) {
	frame, err := at.exchange(ctx, time.Millisecond, 6, 0x89)
	if err != nil {
		return nil, err
	}
	if pair, err := sensirion.Decode(frame); err == nil {
		return at.found(sht4x.Driver, fmt.Sprintf("SHT4x serial 0x%04x%04x", pair.First, pair.Second), both,
			"the accuracy depends on the part (SHT40, SHT41, SHT45): name it in the config"), nil
	}
	answered := frame != nil
	for _, q := range []struct {
		command []byte
		match   func(word uint16) bool
		result  func() *sensors.Found
	}{
		{[]byte{0x37, 0x81}, func(word uint16) bool { return word == 0x3000 }, func() *sensors.Found {
			return at.found("hdc302x", "HDC302x", both)
		}},
		{[]byte{0xF3, 0x2D}, func(uint16) bool { return true }, func() *sensors.Found {
			return at.found(sht3x.Driver, "SHT3x", both, "the accuracy depends on the part (SHT30, SHT31, SHT35): name it in the config")
		}},
	} {
		frame, err := at.exchange(ctx, 2*time.Millisecond, 3, q.command...)
		if err != nil {
			return nil, err
		}
		if words, err := chip.Words(sensirion.CRCInitial, frame); err == nil && q.match(words[0]) {
			return q.result(), nil
		}
		answered = answered || frame != nil
	}
	if answered {
		return at.found("", "unknown part", nil, "neither SHT4x, SHT3x nor HDC302x"), nil
	}
	return nil, nil
}

func askMux(ctx context.Context, at place) (*sensors.Found, error) {
	control, err := at.exchange(ctx, 0, 1)
	if err != nil || control == nil {
		return nil, err
	}
	return at.found("", "probably a multiplexer PCA9548A or TCA9548A", nil,
		fmt.Sprintf("if it is one, search its channels as the buses %s/%#02x:0 to :7", at.bus, at.address)), nil
}

// Chip ids of Bosch parts in register 0xD0.
const (
	registerID = 0xD0
	idBMP280   = 0x58
	idBME280   = 0x60
	idBME680   = 0x61
)

func askBosch(ctx context.Context, at place) (*sensors.Found, error) {
	before, err := at.exchange(ctx, 0, 1)
	if err != nil || before == nil {
		return nil, err
	}
	id, err := at.exchange(ctx, 0, 1, registerID)
	if err != nil || id == nil {
		return nil, err
	}
	switch id[0] {
	case idBMP280:
		return at.found(bme280.DriverBMP280, "BMP280", notHumidity, "measures no humidity, whatever the module is sold as"), nil
	case idBME280:
		return at.found(bme280.Driver, "BME280", allThree, "rated for non-condensing air"), nil
	case idBME680:
		return at.found("", "BME680", nil, "no driver here: use the kernel's (overlay i2c-sensor,bme680) and read it with the driver iio"), nil
	case registerID:
		if err := at.bus.TxContext(ctx, at.address, before, nil); err != nil {
			return nil, fmt.Errorf("giving the multiplexer at %#02x its channels back: %w", at.address, err)
		}
		return askMux(ctx, at)
	}
	return at.found("", "unknown part", nil, fmt.Sprintf("chip id %#02x is neither BMP280, BME280 nor BME680", id[0])), nil
}
