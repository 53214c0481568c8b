package w1

import (
	"context"
	"errors"
	"io/fs"
	"path"

	"dewline/sensors"
	"dewline/sensors/kernelfile"
)

// Discover lists the thermometers that the kernel shows, without starting a conversion. root is as in [Options]. A kernel
// without a 1-Wire bus has none.
func Discover(ctx context.Context, root string) ([]sensors.Found, error) {
	files := kernelfile.NewReader(kernelfile.Or(nil, root))
	names, err := files.ReadDir(ctx, devices)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []sensors.Found
	for _, name := range names {
		rom, err := parseROM(name)
		if err != nil {
			continue // a bus master, a serial number, an EEPROM
		}
		where, err := files.Resolve(ctx, path.Join(devices, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue // it went away while we looked
		}
		if err != nil {
			return nil, err
		}
		found := sensors.Found{
			Driver:   "w1",
			Bus:      path.Base(path.Dir(where)),
			Address:  rom.String(),
			Name:     name,
			Part:     rom.Part(),
			Channels: []sensors.Channel{sensors.Temperature},
		}
		if rom.Clone() {
			found.Notes = append(found.Notes, noteClone)
		}
		all = append(all, found)
	}
	return all, nil
}
