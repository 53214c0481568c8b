package config

import (
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
)

// A zone without summer time, or an abbreviation, is hardly what a keeper means.
func TestTimezonesInDoubt(t *testing.T) {
	for zone, want := range map[string]string{
		"EST":           "EST keeps one time all year, so that days and light hours would be an hour off while clocks are put forward: write a town, such as timezone: America/New_York",
		"HST":           "HST is an abbreviation, which stands for other rules elsewhere: write a town, such as timezone: Pacific/Honolulu",
		"CET":           "CET is an abbreviation, which stands for other rules elsewhere: write a town, such as timezone: Europe/Berlin",
		"Etc/GMT+5":     "Etc/GMT+5 has no summer time, and its sign means the other way round than most people think: write a town such as Europe/Lisbon",
		"PST":           `unknown timezone "PST": did you mean "America/Los_Angeles"?`,
		"UTC":           "",
		"Europe/Lisbon": "",
		"Asia/Kolkata":  "",
	} {
		_, problems := LoadFS(fstest.MapFS{"site.yaml": &fstest.MapFile{
			Data: fmt.Appendf(nil, "site: north-loft\ntimezone: %s\nplaces: [{id: loft, kind: room}]\n", zone),
		}}, "site.yaml")
		var said []string
		for _, p := range problems {
			if strings.HasPrefix(p.Path, "timezone") {
				said = append(said, p.Message)
			}
		}
		assert.Equal(t, want, strings.Join(said, "|"), zone)
	}
	for _, zone := range abbreviated {
		_, err := time.LoadLocation(zone)
		assert.NoError(t, err)
	}
}
