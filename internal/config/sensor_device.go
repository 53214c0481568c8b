package config

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/quantity"
	"dewline/sensors"
	"dewline/sensors/drivers"
	"dewline/sensors/sht4x"
)

var (
	busName = regexp.MustCompile(`^(?i:(/dev/)?i2c-?)?[0-9]{1,6}$`)
	romCode = regexp.MustCompile(`^([0-9a-f]{2})-([0-9a-f]{12})$`)
	romLike = regexp.MustCompile(`^[0-9a-fA-F]{2}[-.:]?[0-9a-fA-F]{12}$`)
	// thermometers are the 1-Wire families whose conversion is known: DS18S20, DS1822, DS18B20, DS1825, DS28EA00.
	thermometers = []string{"10", "22", "28", "3b", "42"}
)

// where reads the keys that identify a device: bus, address, multiplexer, bridge.
func (l *loader) where(sensor *SensorConfig, drv *drivers.Driver, f fields, path string) {
	sensor.Bus = l.text(f["bus"], join(path, "bus"))
	if bus := join(path, "bus"); sensor.Bus != "" && !busName.MatchString(sensor.Bus) {
		hint := ""
		if strings.Contains(sensor.Bus, ":") {
			hint = ", and what lies behind a multiplexer as mux: {address: 0x70, channel: 3}"
		}
		l.errorf(bus, "%s is no I²C bus: write it as I2C1%s", quoted(sensor.Bus), hint)
		sensor.Bus = ""
	}
	if drv.Addresses != nil && f["bus"] == nil {
		l.errorf(path, "sensor %s has no bus, such as bus: I2C1", quoted(sensor.ID))
	}
	address := join(path, "address")
	switch {
	case drv.OneWire:
		sensor.Address = l.rom(f["address"], address)
		if f["address"] == nil {
			l.errorf(path, "sensor %s has no address, the ROM code of the probe, such as 28-0316a2794bff", quoted(sensor.ID))
		}
	case drv.Kernel:
		sensor.Address = l.text(f["address"], address)
		sensor.Name = l.text(f["name"], join(path, "name"))
		if f["name"] == nil && drv.Takes("name") {
			l.errorf(path, "sensor %s has no name, the one the kernel gives the device, such as name: sht4x", quoted(sensor.ID))
		}
	case drv.Addresses != nil:
		sensor.I2C = l.i2c(f["address"], address, drv.Name, drv.Addresses)
	}
	if drv.Name == "ds248x" {
		sensor.Bridge = l.i2c(f["bridge"], join(path, "bridge"), "a "+drv.Name+" bridge", drv.Addresses)
	}
	sensor.Line = -1
	if line, ok := l.whole(f["line"], join(path, "line"), 0, 7); ok {
		sensor.Line = int(line)
	}
	if n := f["mux"]; n != nil {
		mux := join(path, "mux")
		f := l.fields(n, mux, "address", "channel")
		sensor.Mux = &drivers.Mux{Address: l.i2c(f["address"], join(mux, "address"), "a multiplexer", muxAddresses)}
		channel, _ := l.whole(f["channel"], join(mux, "channel"), 0, 7)
		sensor.Mux.Channel = int(channel)
		if f != nil && f["channel"] == nil {
			l.errorf(mux, "the multiplexer has no channel, a number from 0 to 7")
		}
	}
}

var muxAddresses = []uint16{0x70, 0x71, 0x72, 0x73, 0x74, 0x75, 0x76, 0x77}

// i2c reads an I²C address that a part can have; the first of them where none is given.
func (l *loader) i2c(n *node, path, part string, possible []uint16) uint16 {
	if n == nil {
		return possible[0]
	}
	text := l.text(n, path)
	if text == "" {
		return 0
	}
	value, err := strconv.ParseUint(text, 0, 16)
	if err == nil && slices.Contains(possible, uint16(value)) {
		return uint16(value)
	}
	hint := ""
	if hex, err := strconv.ParseUint(text, 16, 16); err == nil && slices.Contains(possible, uint16(hex)) {
		hint = fmt.Sprintf(": did you mean 0x%02x?", hex)
	}
	verb := "has one of the addresses"
	if len(possible) == 1 {
		verb = "has the address"
	}
	l.errorf(path, "address %s cannot be: %s %s %s%s", quoted(text), part, verb, hexList(possible), hint)
	return 0
}

// rom reads the ROM code of a 1-Wire thermometer the way the kernel names its folder.
func (l *loader) rom(n *node, path string) string {
	text := l.text(n, path)
	if text == "" {
		return ""
	}
	lower := strings.ToLower(text)
	parts := romCode.FindStringSubmatch(lower)
	if parts == nil {
		hint := ""
		if romLike.MatchString(text) {
			hint = fmt.Sprintf(": did you mean %s-%s?", lower[:2], lower[len(lower)-12:])
		}
		l.errorf(path, "%s is not a ROM code such as 28-0316a2794bff%s", quoted(text), hint)
		return ""
	}
	if !slices.Contains(thermometers, parts[1]) {
		l.errorf(path, "1-Wire family %s is no thermometer (those are %s)", parts[1], strings.Join(thermometers, ", "))
		return ""
	}
	return lower
}

// special reads what only single drivers of devices take.
func (l *loader) special(sensor *SensorConfig, drv *drivers.Driver, f fields, path string) {
	sensor.Part = l.word(f["part"], join(path, "part"), "part", slices.Sorted(maps.Keys(drv.ByPart))...)
	sensor.Inputs = perChannel(l.decoder, f["inputs"], join(path, "inputs"), func(n *node, path string, _ sensors.Channel) (string, bool) {
		text := l.text(n, path)
		if strings.ContainsAny(text, "/ ") {
			l.errorf(path, "%s is no item of a kernel device, such as temp2 or in_temp", quoted(text))
			return "", false
		}
		return text, text != ""
	})
	if n := f["heater"]; n != nil {
		at := join(path, "heater")
		if n.kind == scalar {
			if l.boolean(n, at) {
				sensor.Heater = &sht4x.Heater{}
			}
		} else {
			f := l.fields(n, at, "above", "for", "every")
			sensor.Heater = &sht4x.Heater{
				For:   l.positive(f["for"], join(at, "for"), 7*24*time.Hour),
				Every: l.positive(f["every"], join(at, "every"), 7*24*time.Hour),
			}
			if above, ok := l.number(f["above"], join(at, "above"), quantity.RelativeHumidity, quantity.ParseValue); ok {
				if above <= 0 || above > 100 {
					l.errorf(join(at, "above"), "above must lie between 0 and 100 %%RH")
				}
				sensor.Heater.Above = above
			}
		}
	}
	at := join(path, "temperature-offset")
	if offset, ok := l.number(f["temperature-offset"], at, quantity.AirTemperature, quantity.ParseDifference); ok {
		if offset < 0 || offset > 20 { // what the part takes, by its data sheet
			l.errorf(at, "the offset must lie between 0 and 20 K, and is %s", show(quantity.Kelvin, offset))
		}
		sensor.TemperatureOffset = &offset
	}
}
