package i2cbus

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
)

// Set hands out the buses of one machine, each wire once. It is safe for use by several goroutines.
type Set struct {
	root string

	mu    sync.Mutex
	files map[int]*file
	wires map[int]*Bus
}

// NewSet returns the buses below root, whose dev/i2c-N are the device files: "/" on a real machine.
func NewSet(root string) *Set {
	return &Set{root: root, files: map[int]*file{}, wires: map[int]*Bus{}}
}

// Bus returns the bus of that name (see [ParseName]). It touches nothing: whether the bus is there, the first transaction
// returns.
func (s *Set) Bus(name string) (*Bus, error) {
	parsed, err := ParseName(name)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	bus, known := s.wires[parsed.Number]
	if !known {
		wire := Name{Number: parsed.Number}
		f := newFile(filepath.Join(s.root, "dev", "i2c-"+strings.TrimPrefix(wire.String(), "I2C")), wire.String())
		bus = Share(f)
		s.files[parsed.Number], s.wires[parsed.Number] = f, bus
	}
	for _, h := range parsed.path {
		if bus, err = Mux(bus, h.address, h.channel); err != nil {
			return nil, err
		}
	}
	return bus, nil
}

// Present lists the buses whose device files exist now, by number.
func (s *Set) Present() ([]string, error) {
	entries, err := os.ReadDir(filepath.Join(s.root, "dev"))
	if err != nil {
		return nil, err
	}
	found := map[int]string{}
	for _, entry := range entries {
		if !strings.HasPrefix(entry.Name(), "i2c-") {
			continue
		}
		if name, err := ParseName(entry.Name()); err == nil {
			found[name.Number] = name.String()
		}
	}
	names := make([]string, 0, len(found))
	for _, number := range slices.Sorted(maps.Keys(found)) {
		names = append(names, found[number])
	}
	return names, nil
}

// Close closes the device files. A transaction that hangs in the kernel keeps its file until it comes back.
func (s *Set) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []error
	for _, f := range s.files {
		all = append(all, f.close())
	}
	return errors.Join(all...)
}
