package kerneldevice

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline/sensors"
	"dewline/sensors/kernelfile"
)

// Item is one channel of a device and what its files begin with, such as "temp1" or "in_temp".
type Item struct {
	Channel sensors.Channel
	Name    string
}

// Interface is one of the kernel's ways of showing sensors.
type Interface struct {
	Driver string           // our name of it, such as "hwmon"
	Class  kernelfile.Class // where its devices are
	// Items are the default item of each channel that there may be, in the order in which they are read.
	Items []Item
	// Fits reports whether a name chosen by the keeper may stand in for a default item.
	Fits func(name string, instead Item) bool
	// In returns the default items among the files of a device.
	In func(files []string) []Item
	// Facts returns what is known of a device by its kernel name, and whether it is in the table.
	Facts func(name string) (Facts, bool)
	// Elsewhere reports whether devices of a name belong to another driver. nil means none do.
	Elsewhere func(name string) bool
}

// Open returns a device whose items are read one after another. It may be absent yet; that its name fits several is an error. wanted names the
// items of channels; nil means those that the table promises, else those that the device has.
func (i Interface) Open(
	files *kernelfile.Reader, name, device string, wanted map[sensors.Channel]string, interval time.Duration, o Options,
) (*Device, error) {
	items, err := i.choose(files, name, device, wanted)
	if err != nil {
		return nil, err
	}
	facts, _ := i.Facts(name)
	o.Description, o.Unchecked = i.describe(name, device, items, interval), facts.Unchecked
	find := func(ctx context.Context) (kernelfile.Entry, error) { return files.Find(ctx, i.Class, name, device) }
	o.Once = func(ctx context.Context) (reading sensors.Measurement, err error) {
		entry, err := find(ctx)
		if err != nil {
			return reading, err
		}
		if o.Heated != nil {
			if reading.Heated, err = o.Heated(ctx, entry); err != nil {
				return reading, err
			}
		}
		for _, item := range items {
			value, err := o.Value(ctx, entry, item, &reading.Evidence)
			if err != nil {
				return sensors.Measurement{Evidence: reading.Evidence}, kernelfile.Doing(item.Name, err)
			}
			reading.Values = append(reading.Values, value)
		}
		return reading, nil
	}
	d := New(o)
	d.find = find
	return d, nil
}

// lookFor is how long to look for a device when its sensor is made. These files are plain memory of the kernel, so more
// means that something hangs; then it counts as absent.
const lookFor = time.Second

// choose returns the items to read from a device: those that the keeper wants, else those that the table promises, else
// those that the device has. It may be absent yet; that its name fits several is an error.
func (i Interface) choose(files *kernelfile.Reader, name, device string, wanted map[sensors.Channel]string) ([]Item, error) {
	if name == "" {
		return nil, fmt.Errorf("%s: no device name: give the kernel's name of the device", i.Driver)
	}
	ctx, cancel := context.WithTimeout(context.Background(), lookFor)
	defer cancel()
	entry, err := files.Find(ctx, i.Class, name, device)
	if ambiguous, ok := errors.AsType[*kernelfile.AmbiguousError](err); ok {
		return nil, fmt.Errorf("%s: %w", i.Driver, ambiguous)
	}
	if wanted != nil {
		items, err := i.wanted(wanted)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", i.Driver, name, err)
		}
		return items, nil
	}
	if facts, ok := i.Facts(name); ok {
		return slices.DeleteFunc(slices.Clone(i.Items), func(item Item) bool { return !facts.Has(item.Channel) }), nil
	}
	if err == nil {
		if names, err := files.ReadDir(ctx, entry.Path); err == nil {
			if items := i.In(names); len(items) > 0 {
				return items, nil
			}
		}
	}
	return i.Items[:1], nil // not here yet: a thermometer is the best guess
}

// wanted turns the channels that the keeper named into items.
func (i Interface) wanted(wanted map[sensors.Channel]string) ([]Item, error) {
	var all []Item
	for _, item := range i.Items {
		name, ok := wanted[item.Channel]
		if !ok {
			continue
		}
		if !i.Fits(name, item) {
			return nil, fmt.Errorf("channel %s cannot come from %q: want a name such as %q", item.Channel, name, item.Name)
		}
		all = append(all, Item{item.Channel, name})
	}
	if len(all) == 0 || len(all) != len(wanted) {
		var offered []sensors.Channel
		for _, item := range i.Items {
			offered = append(offered, item.Channel)
		}
		return nil, fmt.Errorf("channels %v: want some of %v", wanted, offered)
	}
	return all, nil
}

// describe returns the description of a device of which items are read.
func (i Interface) describe(name, device string, items []Item, interval time.Duration) sensors.Description {
	facts, _ := i.Facts(name)
	d := sensors.Description{
		Driver:          i.Driver,
		Part:            facts.Part,
		Where:           where(name, device),
		MinimumInterval: interval,
		NonCondensing:   facts.NonCondensing,
		Notes:           slices.Concat(facts.Notes, fragile(device, i.Class.Prefix)),
	}
	for _, item := range items {
		d.Measures = append(d.Measures, facts.Measure(item.Channel))
	}
	return d
}

// Discover lists the devices that measure air or water, without measuring.
func (i Interface) Discover(ctx context.Context, files *kernelfile.Reader) ([]sensors.Found, error) {
	entries, err := files.Entries(ctx, i.Class)
	if err != nil {
		return nil, err
	}
	var all []sensors.Found
	for _, entry := range entries {
		if i.Elsewhere != nil && i.Elsewhere(entry.Name) {
			continue
		}
		names, err := files.ReadDir(ctx, entry.Path)
		if err != nil {
			return nil, err
		}
		items := i.In(names)
		if len(items) == 0 {
			continue // a fan, a supply, a converter
		}
		facts, _ := i.Facts(entry.Name)
		found := sensors.Found{
			Driver:  i.Driver,
			Bus:     entry.Bus(),
			Address: entry.Short(),
			Name:    entry.Name,
			Part:    facts.Part,
			Notes:   slices.Clone(facts.Notes),
		}
		for _, item := range items {
			found.Channels = append(found.Channels, item.Channel)
		}
		all = append(all, found)
	}
	return all, nil
}
