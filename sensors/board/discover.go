package board

import (
	"context"
	"errors"
	"io/fs"
	"path"
	"strings"

	"dewline/sensors"
	"dewline/sensors/kernelfile"
)

// Discover returns the board itself, if its kernel shows a thermal zone. root is as in [Options]. The Address of the find
// is the Zone of [Options].
func Discover(ctx context.Context, root string) ([]sensors.Found, error) {
	options := Options{Root: root}
	files := kernelfile.NewReader(kernelfile.Or(options.Files, options.Root))
	zones, err := files.Entries(ctx, kernelfile.Thermal)
	if err != nil || len(zones) == 0 {
		return nil, err
	}
	zone, err := choose(zones, "")
	if err != nil {
		return nil, err
	}
	found := sensors.Found{
		Driver:   "board",
		Bus:      "board",
		Address:  zone.Name,
		Name:     path.Base(zone.Path),
		Part:     "processor",
		Channels: []sensors.Channel{sensors.Temperature},
	}
	// The device tree ends its strings with a zero byte.
	model, err := files.ReadFile(ctx, "firmware/devicetree/base/model")
	switch {
	case err == nil:
		found.Part = strings.TrimRight(string(model), "\x00\n")
	case !errors.Is(err, fs.ErrNotExist):
		return nil, err
	}
	b, err := New(options)
	if err != nil {
		return nil, err
	}
	supply, err := b.Supply(ctx)
	switch {
	case err == nil:
		found.Notes = append(found.Notes, "supply: "+supply.String())
	case sensors.KindOf(err) == sensors.Absent:
		found.Notes = append(found.Notes, "this board does not watch its supply")
	default:
		return nil, err
	}
	return []sensors.Found{found}, nil
}
