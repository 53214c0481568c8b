// Package timezone finds time zones by their names, also on a board that has no zone files: it carries those of the Go release that the
// program is made with, packed to an eighth of what time/tzdata would put into it.
package timezone

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/gob"
	"fmt"
	"slices"
	"time"
)

// packed is made by `go test ./internal/timezone -rewrite`.
//
//go:embed zones.gob.gz
var packed []byte

// zone is what several names stand for.
type zone struct {
	Names []string
	Data  []byte // RFC 9636
}

// Load returns the zone of a name such as Europe/Lisbon: the machine's, which may know newer rules, before the program's own.
func Load(name string) (*time.Location, error) {
	location, unknown := time.LoadLocation(name)
	if unknown == nil {
		return location, nil
	}
	zones, err := unpack()
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(zones, func(z zone) bool { return slices.Contains(z.Names, name) })
	if i < 0 {
		return nil, unknown
	}
	return time.LoadLocationFromTZData(name, zones[i].Data)
}

func unpack() (zones []zone, err error) {
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err == nil {
		err = gob.NewDecoder(r).Decode(&zones)
	}
	if err != nil {
		return nil, fmt.Errorf("reading the time zones of the program: %w", err)
	}
	return zones, nil
}
