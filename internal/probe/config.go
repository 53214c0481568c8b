package probe

import (
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"dewline/internal/format/timetext"
	"dewline/sensors"
	"dewline/sensors/drivers"
)

// placeholder is written where the keeper has to name the place. It is no valid id, so a configuration with it is refused.
const placeholder = "PLACE"

// propose gives every device with a driver an id that no other has.
func propose(devices []Device) {
	stems := map[string]int{}
	for _, d := range devices {
		if d.Driver != "" {
			stems[stem(d)]++
		}
	}
	taken := map[string]bool{}
	for i := range devices {
		d := &devices[i]
		if d.Driver == "" {
			continue
		}
		id := stem(*d)
		if stems[id] > 1 {
			id += "-" + plainWord(d.Address)
		}
		d.ID = id
		for n := 2; taken[d.ID]; n++ {
			d.ID = fmt.Sprintf("%s-%d", id, n)
		}
		taken[d.ID] = true
	}
}

// stem is the id of a device that is the only one of its kind. DS18B20 probes get the end of their ROM code, which differs
// between probes and is the part that a person reads most easily from a list.
func stem(d Device) string {
	switch driver := drivers.Of(d.Driver); {
	case driver.OneWire:
		return "probe-" + d.Address[max(0, len(d.Address)-4):]
	case driver.Takes("name"):
		if word := plainWord(d.Name); word != "" {
			return word
		}
	}
	return d.Driver
}

// plainWord reduces a text to what an id may have.
func plainWord(text string) string {
	words := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9')
	})
	word := strings.Join(words, "-")
	return word[:min(len(word), 40)]
}

// WriteConfig writes the sensors list of a config, one entry for every device with a driver, as the keeper may paste it. The
// place of each point is left open.
func (r Result) WriteConfig(w io.Writer) error {
	return r.WriteConfigFor(w, func(Device) string { return placeholder })
}

// WriteConfigFor is [Result.WriteConfig] where the places are known. A device without a place is written as a comment, since
// it would feed nothing.
func (r Result) WriteConfigFor(w io.Writer, place func(Device) string) error {
	var b strings.Builder
	b.WriteString("sensors:\n")
	for _, d := range r.Devices {
		if d.Driver == "" {
			continue
		}
		if at := place(d); at != "" || d.Driver == "board" {
			writeEntry(&b, d, at)
			continue
		}
		var unplaced strings.Builder
		writeEntry(&unplaced, d, placeholder)
		b.WriteString(commented(unplaced.String()))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func writeEntry(b *strings.Builder, d Device, place string) {
	fmt.Fprintf(b, "  - id: %s\n", d.ID)
	for _, note := range d.Notes {
		fmt.Fprintf(b, "    # %s\n", oneLine(note))
	}
	if d.Err != nil {
		fmt.Fprintf(b, "    # could not be read: %s\n", sensors.KindOf(d.Err))
	}
	fmt.Fprintf(b, "    driver: %s\n", d.Driver)
	if onI2C(d) {
		writeBus(b, d.Bus)
	}
	if d.Bridge != "" {
		fmt.Fprintf(b, "    bridge: %s\n", d.Bridge)
	}
	driver := drivers.Of(d.Driver)
	if driver.Takes("name") {
		fmt.Fprintf(b, "    name: %s\n", scalar(d.Name))
	}
	fmt.Fprintf(b, "    address: %s\n", scalar(d.Address))
	fmt.Fprintf(b, "    every: %s\n", timetext.Duration(driver.Every()))
	var accuracy, feeds []string
	for _, channel := range d.Channels {
		quantity := quantityOf(d, channel)
		if quantity == "" {
			continue
		}
		feeds = append(feeds, fmt.Sprintf("%s: %s/%s", channel, place, quantity))
		if m, ok := d.Description.MeasureOf(channel); ok {
			accuracy = append(accuracy, fmt.Sprintf("%s: %s", channel, difference(channel, m.Accuracy)))
		}
	}
	if len(accuracy) > 0 {
		fmt.Fprintf(b, "    accuracy: {%s}\n", strings.Join(accuracy, ", "))
	}
	if len(feeds) > 0 {
		fmt.Fprintf(b, "    feeds: {%s}\n", strings.Join(feeds, ", "))
	}
}

func onI2C(d Device) bool { return !isClass(d.Driver) }

// muxHop is the end of a bus name that leads through a multiplexer, such as "/0x70:3".
var muxHop = regexp.MustCompile(`^(.+)/(0x[0-9a-f]{2}):([0-7])$`)

// writeBus writes the bus, and apart from it the multiplexer in front of the device.
func writeBus(b *strings.Builder, bus string) {
	if hop := muxHop.FindStringSubmatch(bus); hop != nil {
		fmt.Fprintf(b, "    bus: %s\n    mux: {address: %s, channel: %s}\n", scalar(hop[1]), hop[2], hop[3])
		return
	}
	fmt.Fprintf(b, "    bus: %s\n", scalar(bus))
}

// quantityOf proposes what a channel feeds, or "" where it feeds nothing. Probes on a wire mostly hang in water.
func quantityOf(d Device, channel sensors.Channel) string {
	switch {
	case d.Driver == "board":
		return ""
	case channel == sensors.Temperature && drivers.Of(d.Driver).OneWire:
		return "water-temperature"
	case channel == sensors.Temperature:
		return "air-temperature"
	case channel == sensors.Humidity:
		return "relative-humidity"
	case channel == sensors.Pressure:
		return "pressure"
	}
	return ""
}

// difference writes an accuracy with its unit.
func difference(channel sensors.Channel, value float64) string {
	unit := map[sensors.Channel]string{sensors.Temperature: "K", sensors.Humidity: "%", sensors.Pressure: "Pa"}[channel]
	return strconv.FormatFloat(value, 'g', 3, 64) + " " + unit
}

var safeScalar = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 ._@/-]*[A-Za-z0-9]$`)

// scalar writes a text so that YAML takes it for one.
func scalar(text string) string {
	if safeScalar.MatchString(text) {
		return text
	}
	return strconv.QuoteToASCII(text)
}

// oneLine makes sure that a text of a device or the kernel stays within its line and its comment.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F || r == 0x85 || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, text)
}
