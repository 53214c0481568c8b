// Package ds248x reads DS18B20 probes behind a 1-Wire master on an I²C bus: DS2482-100, DS2482-800 or DS2483. Such a master
// drives long lines better than a bare pin of the board.
//
//	master, err := ds248x.New(bus, ds248x.Options{Address: 0x18})
//	...
//	roms, err := master.Search(ctx, 0)
//	probe, err := master.Probe(ds248x.ProbeOptions{ROM: "28-0316a2794bff"})
//	...
//	reading, err := probe.Read(ctx)
//
// Make one Master per chip: its probes take turns. One probe converts at a time, under the strong pull-up, so probes
// without a supply wire of their own work too; a read takes 0.8 s. The probe's EEPROM is never written: clones bear about
// eight writes.
//
// Master and probe are drivers of our own inside [guard]. Those in periph.io/x/devices cannot be contained: the master
// driver refuses 0x1A and 0x1B, stays deaf after any error and takes a shorted line for a wrong chip; the probe driver
// returns the power-on value of 85 °C, nine zero bytes and the mark of a broken-off conversion as temperatures, writes
// the EEPROM whenever the resolution differs from what it wants, and lets another transfer end the strong pull-up. The
// search algorithm is that of periph.io/x/conn.
//
// Sources: command and status codes as in the periph driver; timing and the other addresses: DS2482 data sheet, from
// memory; DS18B20 data sheet for the probes (conversion 750 ms at 12 bits, ±0.5 °C); clones: the
// cpetrich/counterfeit_DS18B20 collection, and 2 K until calibrated by own judgement.
package ds248x

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"

	"dewline/sensors"
	"dewline/sensors/guard"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/scratchpad"
)

// Addresses of the masters: DS2483 at the lowest only, DS2482-100 at the first four, DS2482-800 at all.
const (
	LowestAddress  = 0x18
	HighestAddress = 0x1F
)

// Options of a master.
type Options struct {
	Address uint16 // 0 means 0x18
	// Lines is 8 for a DS2482-800. 0 means 1, as the other masters have.
	Lines int
}

// Master is one 1-Wire master with all its lines.
type Master struct {
	bus     i2c.Bus
	address uint16
	lines   int
	turn    guard.Lock
}

// New returns a master. No device needs to be present yet.
func New(bus i2c.Bus, options Options) (*Master, error) {
	if bus == nil {
		return nil, errors.New("ds248x: no bus given")
	}
	m := &Master{bus: bus, address: options.Address, lines: options.Lines, turn: guard.NewTurn()}
	m.address = cmp.Or(m.address, LowestAddress)
	m.lines = cmp.Or(m.lines, 1)
	if m.address < LowestAddress || m.address > HighestAddress {
		return nil, fmt.Errorf("ds248x: address %#02x: the masters answer at %#02x to %#02x only", m.address, LowestAddress, HighestAddress)
	}
	if m.lines != 1 && m.lines != 8 {
		return nil, fmt.Errorf("ds248x: %d lines: a master has 1, or 8 as DS2482-800", m.lines)
	}
	return m, nil
}

// ProbeOptions name one probe.
type ProbeOptions struct {
	ROM  string // in the kernel's notation, such as "28-0316a2794bff"
	Line int    // of a DS2482-800: 0 to 7
}

// conversion is how long a probe converts at 12 bits (750 ms), with a margin. Clones convert at 12 bits whatever they are
// given, so the resolution is not asked for.
const conversion = 760 * time.Millisecond

// Probe returns the sensor behind a ROM code. The probe need not be present yet.
func (m *Master) Probe(options ProbeOptions) (*guard.Guarded, error) {
	rom, err := scratchpad.ParseROM(options.ROM)
	if err != nil {
		return nil, fmt.Errorf("ds248x: %w", err)
	}
	if !scratchpad.Known(rom.Family()) {
		return nil, fmt.Errorf("ds248x: ROM code %s: family %02x is no thermometer of the DS18B20 kind", rom, rom.Family())
	}
	if err := m.checkLine(options.Line); err != nil {
		return nil, err
	}
	measure := sensors.Measure{
		Channel: sensors.Temperature, Low: scratchpad.LowestCelsius, High: scratchpad.HighestCelsius,
		Resolution: 0.0625, Accuracy: 0.5,
	}
	var notes []string
	if rom.Family() == scratchpad.FamilyDS1822 {
		measure.Accuracy = 2 // data sheet, from memory
	}
	if rom.Clone() {
		measure.Accuracy = 2
		notes = append(notes, "a copy of the original part: check it in ice water first")
	}
	return guard.New(m.bus, guard.Options{
		Description: sensors.Description{
			Driver:          "ds248x",
			Part:            rom.Part(),
			Where:           m.where(options.Line) + " " + rom.String(),
			Measures:        []sensors.Measure{measure},
			MinimumInterval: time.Second,
			Notes:           notes,
		},
		Repeat: 1,
		Turn:   m.turn,
		Build: func(ctx context.Context, bus *guard.Recorder) (guard.MeasureFunc, error) {
			l := line{ctx: ctx, bus: bus, address: m.address}
			if err := l.setUp(); err != nil {
				return nil, err
			}
			return func(ctx context.Context) (sensors.Measurement, error) {
				l := line{ctx: ctx, bus: bus, address: m.address}
				if err := m.selectLine(l, options.Line); err != nil {
					return sensors.Measurement{}, err
				}
				return measureProbe(ctx, l, rom)
			}, nil
		},
	}), nil
}

// Search returns the ROM codes of all devices on a line, in the order in which the search meets them. An error beside
// codes means that the search broke off after them.
func (m *Master) Search(ctx context.Context, number int) ([]string, error) {
	if err := m.checkLine(number); err != nil {
		return nil, err
	}
	select {
	case m.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, &sensors.Error{Kind: sensors.Timeout, Doing: "searching " + m.where(number), Err: ctx.Err()}
	}
	type outcome struct {
		found []onewire.Address
		err   error
	}
	done := make(chan outcome, 1)
	go func() {
		defer func() { <-m.turn }()
		found, err := m.search(line{ctx: ctx, bus: m.bus, address: m.address}, number)
		done <- outcome{found, err}
	}()
	var o outcome
	select {
	case o = <-done:
	case <-ctx.Done():
		return nil, &sensors.Error{Kind: sensors.Timeout, Doing: "searching " + m.where(number), Err: ctx.Err()}
	}
	roms := make([]string, 0, len(o.found))
	for _, address := range o.found {
		roms = append(roms, scratchpad.ROM(address).String())
	}
	if o.err != nil {
		return roms, &sensors.Error{Kind: kindOfSearch(o.err), Doing: "searching " + m.where(number), Err: o.err}
	}
	return roms, nil
}

func (m *Master) search(l line, number int) ([]onewire.Address, error) {
	if err := l.setUp(); err != nil {
		return nil, err
	}
	if err := m.selectLine(l, number); err != nil {
		return nil, err
	}
	return onewire.Search(l, false)
}

// kindOfSearch adds to the kinds of [sensors.KindOf] what the search of periph says by type: noise on the line.
func kindOfSearch(err error) sensors.Kind {
	if kind := sensors.KindOf(err); kind != sensors.Unknown {
		return kind
	}
	if errors.Is(err, guard.ErrReset) {
		return sensors.Implausible
	}
	if noise, ok := errors.AsType[interface {
		error
		onewire.BusError
	}](err); ok && noise.BusError() {
		return sensors.Checksum
	}
	return sensors.Absent // the search's only other error: devices fell silent during it
}

func (m *Master) checkLine(number int) error {
	if number < 0 || number >= m.lines {
		return fmt.Errorf("ds248x: line %d: this master has the lines 0 to %d", number, m.lines-1)
	}
	return nil
}

func (m *Master) selectLine(l line, number int) error {
	if m.lines == 1 {
		return nil // the command means something else to a DS2483
	}
	return l.selectLine(number)
}

func (m *Master) where(number int) string {
	text := fmt.Sprintf("%s %#02x", m.bus, m.address)
	if m.lines > 1 {
		text += fmt.Sprintf(" line %d", number)
	}
	return text
}

// measureProbe converts once and reads the scratchpad.
func measureProbe(ctx context.Context, bus onewire.Bus, rom scratchpad.ROM) (sensors.Measurement, error) {
	device := onewire.Dev{Bus: bus, Addr: onewire.Address(rom)}
	if err := device.TxPower([]byte{0x44}, nil); err != nil {
		return sensors.Measurement{}, err
	}
	if err := i2cbus.Sleep(ctx, conversion); err != nil {
		return sensors.Measurement{}, err
	}
	pad := make([]byte, scratchpad.Size)
	if err := device.Tx([]byte{0xBE}, pad); err != nil {
		return sensors.Measurement{}, err
	}
	reading := sensors.Measurement{Evidence: pad}
	t, err := scratchpad.Parse(rom.Family(), pad)
	if err != nil {
		return reading, err
	}
	reading.Values = []sensors.Value{{Channel: sensors.Temperature, Value: t.Celsius, Raw: uint64(t.Raw)}}
	return reading, nil
}
