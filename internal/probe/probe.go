// Package probe finds the sensors attached to a board, reads each once, and writes the config lines for it. It implements `dewline
// probe`.
//
//	buses := i2cbus.NewSet("/")
//	defer buses.Close()
//	result := probe.Run(ctx, probe.Options{I2C: buses})
//	err := result.WriteText(os.Stdout)
//	fmt.Fprintln(os.Stderr, strings.Join(result.Advice(), "\n"))
//
// It changes nothing permanently: it identifies each device and measures once, as the drivers do.
package probe

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"

	"dewline/sensors"
	"dewline/sensors/drivers"
	"dewline/sensors/i2cbus"
)

// Options say where to look. The zero value looks at what the kernel shows below /sys.
type Options struct {
	// Sys is where the kernel's files are mounted. "" means "/sys".
	Sys string
	// I2C hands out the I²C buses, as [i2cbus.Set] does. nil means that none is searched.
	I2C I2C
	// Only names what to search: "w1", "hwmon", "iio", "board", or I²C buses such as "I2C1" and "I2C1/0x70:3". Empty means
	// all four and every I²C bus that is there.
	Only []string
	// Timeout is how long one device may take to be read. 0 means 8 s: the slowest part measures every 5 s.
	Timeout time.Duration
}

// I2C is what [i2cbus.Set] offers.
type I2C interface {
	Present() ([]string, error)
	Bus(name string) (*i2cbus.Bus, error)
}

// Result is what was found, in an order that depends on names only.
type Result struct {
	Devices []Device
	// Problems are the buses that could not be searched, or not to their end.
	Problems []Problem
}

// Found reports whether anything was found beside the board's own temperature, which every board has.
func (r Result) Found() bool {
	return slices.ContainsFunc(r.Devices, func(d Device) bool { return d.Driver != "board" })
}

// Device is one device that was found and, where a driver for it exists, read once.
type Device struct {
	sensors.Found
	// Bridge is the address of the 1-Wire master in front of the device, or "".
	Bridge string
	// Description is what the driver says of the device; zero where there is no driver.
	Description sensors.Description
	Reading     sensors.Measurement
	// Err is why there is no reading. [sensors.KindOf] returns its kind.
	Err error
	// ID is a proposal for the config, "" where there is no driver.
	ID string
}

// Problem is a bus that could not be searched.
type Problem struct {
	Where string
	Err   error
}

const (
	usualTimeout = 8 * time.Second
	// searching is how long the search of one bus may take: long enough for one that answers each of its 50 questions slowly.
	searching = 2 * time.Minute
)

// Run searches and reads. Buses are worked on side by side, the devices of one bus one after another. Where ctx ends, what
// is missing has its error.
func Run(ctx context.Context, options Options) Result {
	p := newProber(options)
	result := p.search(ctx)
	p.read(ctx, result.Devices)
	for i := range result.Devices {
		result.Devices[i].Notes = notes(result.Devices[i])
	}
	propose(result.Devices)
	return result
}

func (o *Options) fill() {
	o.Sys = cmp.Or(o.Sys, "/sys")
	o.Timeout = cmp.Or(o.Timeout, usualTimeout)
}

type prober struct {
	options  Options
	hardware *drivers.Hardware
}

func newProber(options Options) *prober {
	options.fill()
	return &prober{options, drivers.NewHardware(options.Sys, options.I2C)}
}

// read reads every device once.
func (p *prober) read(ctx context.Context, devices []Device) {
	byWire := map[string][]*Device{}
	for i := range devices {
		if devices[i].Driver == "" {
			continue
		}
		key := wire(devices[i].Found)
		byWire[key] = append(byWire[key], &devices[i])
	}
	var all sync.WaitGroup
	for _, queue := range byWire {
		all.Go(func() {
			for _, d := range queue {
				p.readOne(ctx, d)
			}
		})
	}
	all.Wait()
}

// wire names what carries one transfer at a time: the I²C bus without the channels of its multiplexers, whether the kernel
// or we drive the device, or else the bus as found.
func wire(found sensors.Found) string {
	if name, err := i2cbus.ParseName(found.Bus); err == nil {
		return i2cbus.Name{Number: name.Number}.String()
	}
	return found.Bus
}

func (p *prober) readOne(ctx context.Context, d *Device) {
	sensor, err := p.open(*d)
	if err != nil {
		d.Err = err
		return
	}
	defer sensor.Close()
	ctx, cancel := context.WithTimeout(ctx, p.options.Timeout)
	defer cancel()
	d.Reading, d.Err = sensor.Read(ctx)
	d.Description = sensor.Describe() // after the read, which may have taught it something
}

// notes are those of the search and of the driver, each once.
func notes(d Device) []string {
	var all []string
	for _, note := range slices.Concat(d.Notes, d.Description.Notes) {
		if !slices.Contains(all, note) {
			all = append(all, note)
		}
	}
	if d.Reading.Heated {
		all = append(all, "a heater ran just now: too warm, too dry")
	}
	return all
}
