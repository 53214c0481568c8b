package probe

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"dewline/sensors"
	"dewline/sensors/drivers"
	"dewline/sensors/ds248x"
	"dewline/sensors/i2cbus"
	"dewline/sensors/i2cscan"
)

// job is the search of one bus or of one class of the kernel.
type job struct {
	where string
	find  func(ctx context.Context) ([]Device, error)
}

func (p *prober) search(ctx context.Context) Result {
	var result Result
	jobs, problems := p.jobs()
	result.Problems = problems
	found, failed := make([][]Device, len(jobs)), make([]error, len(jobs))
	var all sync.WaitGroup
	for i, j := range jobs {
		all.Go(func() {
			ctx, cancel := context.WithTimeout(ctx, searching)
			defer cancel()
			found[i], failed[i] = j.find(ctx)
		})
	}
	all.Wait()
	for i, j := range jobs {
		result.Devices = append(result.Devices, found[i]...)
		if failed[i] != nil {
			result.Problems = append(result.Problems, Problem{j.where, failed[i]})
		}
	}
	return result
}

// jobs lists what is to be searched: I²C buses first, then the kernel's classes.
func (p *prober) jobs() (jobs []job, problems []Problem) {
	var names []string
	for _, name := range p.options.Only {
		if !isClass(name) {
			names = append(names, name)
		}
	}
	if len(p.options.Only) == 0 && p.options.I2C != nil {
		present, err := p.options.I2C.Present()
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			problems = append(problems, Problem{"I²C", fmt.Errorf("listing the buses: %w", err)})
		}
		names = present
	}
	for _, name := range names {
		if p.options.I2C == nil {
			problems = append(problems, Problem{name, errors.New("no I²C buses were given")})
			continue
		}
		bus, err := p.options.I2C.Bus(name)
		if err != nil {
			problems = append(problems, Problem{name, err})
			continue
		}
		jobs = append(jobs, job{bus.String(), func(ctx context.Context) ([]Device, error) { return p.searchI2C(ctx, bus) }})
	}
	for _, class := range drivers.Table {
		if class.Discover == nil || len(p.options.Only) > 0 && !slices.Contains(p.options.Only, class.Name) {
			continue
		}
		jobs = append(jobs, job{class.Name, func(ctx context.Context) ([]Device, error) {
			found, err := class.Discover(ctx, p.options.Sys)
			return plain(found), err
		}})
	}
	return jobs, problems
}

// isClass reports whether a name is that of a class of the kernel, which is also that of its driver.
func isClass(name string) bool {
	d := drivers.Of(name)
	return d != nil && d.Discover != nil
}

func plain(found []sensors.Found) []Device {
	var devices []Device
	for _, f := range found {
		devices = append(devices, Device{Found: f})
	}
	return devices
}

// searchI2C searches a bus. Behind a multiplexer only what answers behind it counts: what hangs in front answers there as well.
func (p *prober) searchI2C(ctx context.Context, bus *i2cbus.Bus) ([]Device, error) {
	devices, err := p.searchWire(ctx, bus)
	front := bus.Front()
	if front == nil || len(devices) == 0 || err != nil {
		return devices, err
	}
	inFront, err := p.searchWire(ctx, front)
	return slices.DeleteFunc(devices, func(d Device) bool {
		return slices.ContainsFunc(inFront, func(f Device) bool { return number(f) == number(d) })
	}), err
}

// searchWire probes the addresses at which package i2cscan identified nothing, with the driver packages of the parts that may
// be there.
func (p *prober) searchWire(ctx context.Context, bus *i2cbus.Bus) ([]Device, error) {
	search := i2cscan.Begin(bus)
	scanned, err := search.Known(ctx)
	devices := plain(scanned)
	if err != nil {
		return devices, err
	}
	for _, q := range furtherQuestions() {
		at := func(d Device) bool { return d.Address == hex(q.address) || d.Bridge == hex(q.address) }
		before := slices.IndexFunc(devices, at)
		if before >= 0 && (devices[before].Driver != "" || devices[before].Part == masterPart) {
			continue
		}
		more, err := p.ask(ctx, search, bus, q)
		if before >= 0 && len(more) > 0 {
			if more[0].Part == heldPart {
				continue
			}
			devices = slices.Delete(devices, before, before+1)
		}
		devices = append(devices, more...)
		if err != nil {
			return devices, err
		}
	}
	slices.SortStableFunc(devices, func(a, b Device) int { return cmp.Compare(number(a), number(b)) })
	return devices, search.Err()
}

// What is listed without a driver.
const (
	heldPart   = "a part that a kernel driver reads"
	masterPart = "1-Wire master DS2482 or DS2483"
)

func number(d Device) uint64 {
	text := cmp.Or(d.Bridge, d.Address)
	n, err := strconv.ParseUint(text, 0, 16)
	if err != nil {
		return 0
	}
	return n
}

// question asks whether the part of a driver is at an address.
type question struct {
	address uint16
	driver  drivers.Driver
}

// furtherQuestions are asked in order; the first part that an address admits to ends the questions there. A 1-Wire master
// comes after the thermometers of its address, since it has to be reset to be recognised.
func furtherQuestions() (all []question) {
	for _, d := range drivers.Table {
		if d.Identify != nil {
			for _, address := range d.Addresses {
				all = append(all, question{address, d})
			}
		}
	}
	masterLast := func(q question) int {
		if q.driver.OneWire {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(all, func(a, b question) int {
		return cmp.Or(cmp.Compare(a.address, b.address), cmp.Compare(masterLast(a), masterLast(b)))
	})
	return all
}

// ask asks one question. An address where nothing answers, or nothing known, is no error.
func (p *prober) ask(ctx context.Context, search *i2cscan.Search, bus *i2cbus.Bus, q question) ([]Device, error) {
	is, held := false, false
	err := search.Ask(ctx, q.address, func(ctx context.Context) (err error) {
		is, err = q.driver.Identify(ctx, bus, q.address)
		held = errors.Is(err, syscall.EBUSY)
		if held || errors.Is(err, i2cbus.ErrMuxAddress) || sensors.KindOf(err) == sensors.Absent || sensors.KindOf(err) == sensors.Checksum {
			return nil
		}
		return err
	})
	found := sensors.Found{
		Driver: q.driver.Name, Bus: bus.String(), Address: hex(q.address), Part: q.driver.Recognises, Channels: q.driver.Channels,
	}
	switch {
	case err != nil:
		return nil, err
	case held && !q.driver.OneWire: // of that address the question before has reported it
		found.Driver, found.Part, found.Channels = "", heldPart, nil
		found.Notes = []string{"a kernel driver holds this address: read it with the driver hwmon or iio"}
		return []Device{{Found: found}}, nil
	case !is:
		return nil, nil
	case q.driver.OneWire:
		return p.searchLine(ctx, bus, q.address)
	}
	return []Device{{Found: found}}, nil
}

// searchLine lists the thermometers behind a 1-Wire master.
func (p *prober) searchLine(ctx context.Context, bus *i2cbus.Bus, address uint16) ([]Device, error) {
	master, err := p.hardware.Master(bus, address, 1)
	if err != nil {
		return nil, err
	}
	roms, err := master.Search(ctx, 0)
	var devices []Device
	for _, rom := range roms {
		probe, refused := master.Probe(ds248x.ProbeOptions{ROM: rom})
		if refused != nil {
			continue // another kind of 1-Wire device
		}
		d := probe.Describe()
		devices = append(devices, Device{Bridge: hex(address), Found: sensors.Found{
			Driver: "ds248x", Bus: bus.String(), Address: rom, Part: d.Part,
			Channels: []sensors.Channel{sensors.Temperature}, Notes: d.Notes,
		}})
	}
	slices.SortStableFunc(devices, func(a, b Device) int { return strings.Compare(a.Address, b.Address) })
	if len(devices) == 0 || err != nil {
		note := "no thermometer answers on its line"
		if err != nil && sensors.KindOf(err) != sensors.Absent {
			note = err.Error()
		}
		devices = append(devices, Device{Found: sensors.Found{
			Bus: bus.String(), Address: hex(address), Part: masterPart, Notes: []string{note},
		}})
	}
	return devices, nil
}

func hex(address uint16) string { return fmt.Sprintf("%#02x", address) }
