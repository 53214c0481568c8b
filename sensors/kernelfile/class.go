package kernelfile

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"syscall"

	"dewline/sensors"
)

// Class is a folder in which the kernel shows devices of one sort, one entry each.
type Class struct {
	Folder string // such as "class/hwmon"
	Prefix string // what the entries begin with, such as "hwmon"
	Label  string // the file that names the device, such as "name"
}

// The classes that drivers here read.
var (
	Hwmon   = Class{Folder: "class/hwmon", Prefix: "hwmon", Label: "name"}
	IIO     = Class{Folder: "bus/iio/devices", Prefix: "iio:device", Label: "name"}
	Thermal = Class{Folder: "class/thermal", Prefix: "thermal_zone", Label: "type"}
)

// Entry is one device of a class.
type Entry struct {
	Path   string // such as "class/hwmon/hwmon2"; the number may change at the next boot
	Device string // the device behind it, such as "devices/platform/soc/fe804000.i2c/i2c-1/1-0044"
	Name   string // what the kernel calls it, such as "sht4x"
}

// Short returns the last part of the device path, such as "1-0044": it stays the same as long as the wiring does.
func (e Entry) Short() string { return path.Base(e.Device) }

// Bus returns what the device hangs on, such as "i2c-1".
func (e Entry) Bus() string { return path.Base(path.Dir(e.Device)) }

// Is reports whether device means this entry: by its path with or without the mount point, by the last part of its path,
// or by the entry's number ("hwmon2"), which is a hint only.
func (e Entry) Is(device string) bool {
	device = strings.TrimSuffix(device, "/")
	return device == e.Device || device == e.Short() || device == path.Base(e.Path) ||
		strings.HasSuffix(device, "/"+e.Device)
}

// Entries returns all devices of a class. A class that the kernel does not have is empty.
func (r *Reader) Entries(ctx context.Context, class Class) ([]Entry, error) {
	names, err := r.ReadDir(ctx, class.Folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []Entry
	for _, name := range names {
		if !strings.HasPrefix(name, class.Prefix) {
			continue
		}
		entry, err := r.entry(ctx, class, name)
		if errors.Is(err, fs.ErrNotExist) {
			continue // it went away while we looked
		}
		if err != nil {
			return nil, err
		}
		all = append(all, entry)
	}
	return all, nil
}

// entry reads what identifies one device.
func (r *Reader) entry(ctx context.Context, class Class, base string) (Entry, error) {
	entry := Entry{Path: path.Join(class.Folder, base)}
	text, err := r.ReadFile(ctx, path.Join(entry.Path, class.Label))
	if err != nil {
		return Entry{}, err
	}
	entry.Name = strings.TrimSpace(string(text))
	real, err := r.Resolve(ctx, entry.Path)
	if err != nil {
		return Entry{}, err
	}
	entry.Device = real
	if class != Thermal { // a thermal zone is a device itself; the others hang below one
		entry.Device = path.Dir(real)
		if path.Base(entry.Device) == class.Prefix {
			entry.Device = path.Dir(entry.Device) // hwmon puts a folder of its own between: …/1-0044/hwmon/hwmon2
		}
	}
	if entry.Name == entry.Short() {
		// Some IIO drivers (Linux si7020.c, hdc100x.c) give the address, "1-0040", as the name of the device. The bus knows
		// the part all the same.
		if text, err := r.ReadFile(ctx, path.Join(entry.Device, "name")); err == nil {
			entry.Name = strings.TrimSpace(string(text))
		}
	}
	entry.Name = plainName(entry.Name)
	return entry, nil
}

// plainName strips what a device tree adds to a name: "dht11@11" and "soc:dht11@11" are a dht11.
func plainName(name string) string {
	name = name[strings.LastIndexByte(name, ':')+1:]
	plain, _, _ := strings.Cut(name, "@")
	return plain
}

// Resolve returns where a name leads when it is a link, relative to the root; else the name itself.
func (r *Reader) Resolve(ctx context.Context, name string) (string, error) {
	to, err := r.ReadLink(ctx, name)
	switch {
	case errors.Is(err, syscall.EINVAL): // not a link
		return name, nil
	case err != nil:
		return "", err
	}
	return path.Join(path.Dir(name), to), nil
}

// Find returns the one entry of a class with a name and, where device is not empty, that device. None is an error of
// kind Absent; several are an error that lists them.
func (r *Reader) Find(ctx context.Context, class Class, name, device string) (Entry, error) {
	all, err := r.Entries(ctx, class)
	if err != nil {
		return Entry{}, err
	}
	return choose(all, class, name, device)
}

func choose(all []Entry, class Class, name, device string) (Entry, error) {
	fit := slices.DeleteFunc(slices.Clone(all), func(e Entry) bool {
		return name != "" && e.Name != name || device != "" && !e.Is(device)
	})
	asked := strings.TrimSpace(name + " " + device)
	switch len(fit) {
	case 1:
		return fit[0], nil
	case 0:
		return Entry{}, sensors.Errorf(sensors.Absent, "the kernel shows no %q under %s: is it wired, and its overlay loaded?",
			asked, class.Folder)
	}
	candidates := make([]string, len(fit))
	for i, e := range fit {
		candidates[i] = e.Name + " " + e.Short()
	}
	return Entry{}, &AmbiguousError{Asked: asked, Candidates: candidates}
}

// AmbiguousError means that several devices fit what was asked for.
type AmbiguousError struct {
	Asked      string
	Candidates []string // name and short device path of each
}

func (e *AmbiguousError) Error() string {
	return fmt.Sprintf("%q fits %d devices (%s): name the device", e.Asked, len(e.Candidates), strings.Join(e.Candidates, ", "))
}
