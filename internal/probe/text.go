package probe

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"

	"dewline/sensors"
)

// WriteText writes the result as part of a configuration, to be pasted whole: each device with its values or the reason why
// there are none as comments, then the config lines. Nothing is written where nothing was found.
func (r Result) WriteText(w io.Writer) error {
	var b strings.Builder
	usable := false
	for _, d := range r.Devices {
		writeDevice(&b, d)
		usable = usable || d.Driver != ""
	}
	text := commented(b.String())
	if usable {
		text += "\n# Put the id of a place where " + placeholder + " is written:\n"
	}
	if _, err := io.WriteString(w, text); err != nil || !usable {
		return err
	}
	return r.WriteConfig(w)
}

// commented makes a YAML comment of every line.
func commented(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		b.WriteString("# " + line)
	}
	return b.String()
}

// Advice says what to do about what was not found or could not be searched, one line each; nil where there is nothing to do.
func (r Result) Advice() (lines []string) {
	for _, p := range r.Problems {
		lines = append(lines, fmt.Sprintf("%s could not be searched to its end: %s", p.Where, oneLine(p.Err.Error())))
		if errors.Is(p.Err, fs.ErrPermission) {
			lines = append(lines, "run this with sudo, or as a user of the group i2c")
		}
	}
	if !r.Found() && len(r.Problems) == 0 {
		lines = append(lines, "nothing was found: check the wires (supply, ground, data, clock) with the power off, and the buses:", enable)
	}
	return lines
}

// enable is how a Raspberry Pi gets its buses.
const enable = "on a Raspberry Pi the lines dtparam=i2c_arm=on (I²C) and dtoverlay=w1-gpio (1-Wire) in config.txt, and a restart, bring the buses up"

// Summary is the device on one line: its id, part and address, and what it measures now.
func (d Device) Summary() string {
	text := fmt.Sprintf("%s at %s %s", cmp.Or(d.Part, d.Description.Part), d.Bus, d.Address)
	if d.ID != "" {
		text = d.ID + ": " + text
	}
	switch {
	case d.Err != nil:
		text += ", no reading: " + sensors.KindOf(d.Err).String()
	case len(d.Reading.Values) > 0:
		text += ", " + d.Values()
	}
	return oneLine(text)
}

// Values are those of the reading, with their units.
func (d Device) Values() string {
	var values []string
	for _, v := range d.Reading.Values {
		values = append(values, shown(v))
	}
	return strings.Join(values, ", ")
}

func writeDevice(b *strings.Builder, d Device) {
	part := cmp.Or(d.Part, d.Description.Part)
	way := d.Bus
	if d.Bridge != "" {
		way += " " + d.Bridge
	}
	driver := cmp.Or(d.Driver, "no driver")
	fmt.Fprintf(b, "%s %s  %s (%s)\n", way, oneLine(d.Address), oneLine(part), driver)
	switch {
	case d.Err != nil:
		fmt.Fprintf(b, "    no reading: %s\n", oneLine(d.Err.Error()))
	case len(d.Reading.Values) > 0:
		fmt.Fprintf(b, "    %s\n", d.Values())
	}
	for _, note := range d.Notes {
		fmt.Fprintf(b, "    note: %s\n", oneLine(note))
	}
}

// shown writes a value with its unit.
func shown(v sensors.Value) string {
	switch v.Channel {
	case sensors.Temperature:
		return fmt.Sprintf("%.2f °C", v.Value)
	case sensors.Humidity:
		return fmt.Sprintf("%.1f %%RH", v.Value)
	case sensors.Pressure:
		return fmt.Sprintf("%.1f hPa", v.Value/100)
	case sensors.CO2:
		return fmt.Sprintf("%.0f ppm", v.Value)
	}
	return fmt.Sprintf("%.3f %s", v.Value, v.Channel.Unit())
}
