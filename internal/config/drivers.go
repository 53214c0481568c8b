package config

import (
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/internal/core/quantity"
	"dewline/sensors"
	"dewline/sensors/drivers"
)

// known is every driver: those of devices, and those that read no device.
var known = slices.Concat(drivers.Table, []drivers.Driver{
	{
		Name: "mqtt", Channels: feedable, Usual: time.Minute,
		Options: []string{"topic", "pointer", "senml", "unit", "broker", "username", "password-file", "ca-file"},
	},
	{Name: "recorded", Channels: feedable, Options: []string{"file", "speed", "loop"}},
	{Name: "sim", Channels: feedable},
})

// driverOf returns the driver of a name, or nil.
func driverOf(name string) *drivers.Driver {
	if at := slices.IndexFunc(known, func(d drivers.Driver) bool { return d.Name == name }); at >= 0 {
		return &known[at]
	}
	return nil
}

func driverNames() []string {
	return each(known, func(d drivers.Driver) string { return d.Name })
}

// driverOfPart returns the drivers by the names of their parts that people write instead.
func driverOfPart() map[string]string {
	all := map[string]string{}
	for _, d := range known {
		for _, part := range d.Sold {
			all[part] = d.Name
		}
	}
	return all
}

// driversWith returns the names of the drivers that have an option.
func driversWith(key string) string {
	var names []string
	for _, d := range known {
		if d.Takes(key) {
			names = append(names, d.Name)
		}
	}
	return strings.Join(names, ", ")
}

// driverTable describes the drivers of devices, as plain text.
func driverTable() string {
	var b strings.Builder
	table := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "    DRIVER\tMEASURES\tI²C ADDRESSES\tOPTIONS\tAT BEST EVERY")
	for _, d := range drivers.Table {
		options := slices.Clone(d.Options)
		if d.Takes("address") {
			options = append(options, "address")
		}
		fmt.Fprintf(table, "    %s\t%s\t%s\t%s\t%s\n", d.Name, strings.Join(channelNames(d.Channels), ", "), hexSpan(d.Addresses),
			strings.Join(options, ", "), formatDuration(d.Minimum))
	}
	_ = table.Flush() // a strings.Builder takes everything
	return b.String()
}

func channelNames(channels []sensors.Channel) []string {
	return each(channels, func(c sensors.Channel) string { return string(c) })
}

// quantityOf returns a quantity whose units a channel's values have. CO₂ and voltage feed no quantity.
func quantityOf(channel sensors.Channel) quantity.Quantity {
	switch channel {
	case sensors.Temperature:
		return quantity.AirTemperature
	case sensors.Humidity:
		return quantity.RelativeHumidity
	case sensors.Pressure:
		return quantity.Pressure
	}
	return quantity.None
}

// hexList writes I²C addresses the way data sheets do.
func hexList(addresses []uint16) string {
	return strings.Join(each(addresses, func(a uint16) string { return fmt.Sprintf("0x%02x", a) }), ", ")
}

// hexSpan writes the addresses of a part, the first and the last of more than two. They follow each other.
func hexSpan(addresses []uint16) string {
	if n := len(addresses); n > 2 {
		return hexList(addresses[:1]) + "…" + hexList(addresses[n-1:])
	}
	return hexList(addresses)
}
