package probe

import (
	"fmt"
	"io"
	"strings"

	"dewline/sensors"
)

// WriteText writes the result for a person: each device with its values or the reason why there are none, the buses that
// could not be searched, and the config lines.
func (r Result) WriteText(w io.Writer) error {
	var b strings.Builder
	for _, d := range r.Devices {
		writeDevice(&b, d)
	}
	for _, p := range r.Problems {
		fmt.Fprintf(&b, "%s could not be searched\n    %s\n", p.Where, oneLine(p.Err.Error()))
	}
	if len(r.Devices) == 0 {
		b.WriteString("Nothing was found. On a Raspberry Pi the lines dtparam=i2c_arm=on (I²C) and dtoverlay=w1-gpio (1-Wire)\n" +
			"in config.txt, and a restart, bring the buses up.\n")
	}
	usable := false
	for _, d := range r.Devices {
		usable = usable || d.Driver != ""
	}
	if usable {
		b.WriteString("\nFor the config; put the id of a place where " + placeholder + " stands:\n\n")
		if err := r.WriteConfig(&b); err != nil {
			return err
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func writeDevice(b *strings.Builder, d Device) {
	part := d.Part
	if part == "" {
		part = d.Description.Part
	}
	way := d.Bus
	if d.Bridge != "" {
		way += " " + d.Bridge
	}
	driver := d.Driver
	if driver == "" {
		driver = "no driver"
	}
	fmt.Fprintf(b, "%s %s  %s (%s)\n", way, oneLine(d.Address), oneLine(part), driver)
	switch {
	case d.Err != nil:
		fmt.Fprintf(b, "    no reading: %s\n", oneLine(d.Err.Error()))
	case len(d.Reading.Values) > 0:
		var values []string
		for _, v := range d.Reading.Values {
			values = append(values, shown(v))
		}
		fmt.Fprintf(b, "    %s\n", strings.Join(values, ", "))
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
