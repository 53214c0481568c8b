package config_test

import (
	"fmt"
	"testing/fstest"

	"dewline/internal/config"
)

// Every problem is reported at once, each with its position and, for a misspelt word, the one that was probably meant.
func Example() {
	text := `site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room, bands: {air-temprature: {high: 80 degF}}}
  - {id: tub-1, kind: enclosure, in: lofft}
`
	site, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(text)}}, "site.yaml")
	for _, problem := range problems {
		fmt.Println(problem)
	}
	fmt.Println("usable:", site != nil)
	// Output:
	// site.yaml:1:1: warning: there are no sensors: replay can use this configuration, a running daemon would watch nothing
	// site.yaml:4:36: unknown quantity "air-temprature": did you mean "air-temperature"?
	// site.yaml:5:38: unknown place "lofft": did you mean "loft"?
	// usable: false
}
