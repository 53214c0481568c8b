package drivers

import (
	"fmt"
	"sync"

	"dewline/sensors"
	"dewline/sensors/ds248x"
	"dewline/sensors/i2cbus"
	"dewline/sensors/w1"
)

// Hardware opens the devices of one machine. What several of them share is made once: I²C buses, 1-Wire masters. It is safe for use
// by several goroutines.
type Hardware struct {
	sys string
	i2c Buses

	mu      sync.Mutex // guards what follows
	masters map[string]*ds248x.Master
	lines   map[string]*w1.Bus
}

// Buses hands out I²C buses by name, as [i2cbus.Set] does.
type Buses interface {
	Bus(name string) (*i2cbus.Bus, error)
}

// NewHardware returns the hardware of a machine whose kernel shows its files below sys. i2c may be nil where no device is on an I²C bus.
func NewHardware(sys string, i2c Buses) *Hardware {
	return &Hardware{sys: sys, i2c: i2c, masters: map[string]*ds248x.Master{}, lines: map[string]*w1.Bus{}}
}

// Open makes the sensor of a driver. It touches no device: a missing one is an error of each read. wire names what carries one
// transfer at a time, so that sensors of one wire take turns; it is "" for a device that shares none. The error says that there is
// no such driver or bus, or that the settings do not fit the part.
func (h *Hardware) Open(driver string, s Settings) (sensor sensors.Sensor, wire string, err error) {
	d := Of(driver)
	if d == nil {
		return nil, "", fmt.Errorf("there is no driver %q", driver)
	}
	if d.Addresses == nil {
		sensor, err = d.open(h, nil, s)
		if d.OneWire {
			wire = d.Name
		}
		return sensor, wire, err
	}
	bus, err := h.i2c.Bus(s.Bus)
	if err != nil {
		return nil, "", err
	}
	wire = bus.String()
	if s.Mux != nil {
		if bus, err = i2cbus.Mux(bus, s.Mux.Address, uint8(s.Mux.Channel)); err != nil {
			return nil, "", err
		}
	}
	sensor, err = d.open(h, bus, s)
	return sensor, wire, err
}

// Master returns the 1-Wire master at an address of a bus, the same one for all its probes, so that they take turns. lines is 8 for
// a DS2482-800, else 1. The error is that the address cannot be.
func (h *Hardware) Master(bus *i2cbus.Bus, address uint16, lines int) (*ds248x.Master, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	key := fmt.Sprintf("%s@%#02x", bus, address)
	if known := h.masters[key]; known != nil {
		return known, nil
	}
	master, err := ds248x.New(bus, ds248x.Options{Address: address, Lines: lines})
	if err == nil {
		h.masters[key] = master
	}
	return master, err
}

// line returns the one Bus of a 1-Wire master of the kernel.
func (h *Hardware) line(name string) *w1.Bus {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.lines[name] == nil {
		h.lines[name] = w1.NewBus()
	}
	return h.lines[name]
}
