package main

import "fmt"

// Widths of the screens, in CSS pixels.
const (
	small, phone, tablet, desk = 320, 390, 1024, 1440
)

// picture is a page at a size and in a theme.
type picture struct {
	name, path, ready string
	width             int64
	look              string
	screen            bool // no more than the screen
}

func (p picture) file() string {
	return fmt.Sprintf("%s-%d-%s.png", p.name, p.width, p.look)
}

// height is that of the screen.
func (p picture) height() int64 {
	switch p.width {
	case tablet:
		return 768
	case desk:
		return 900
	}
	return 844
}

// tallest is where a picture ends, so that the README need not be scrolled for it.
func (p picture) tallest() float64 {
	switch {
	case p.screen:
		return float64(p.height())
	case p.width == desk:
		return 1100
	}
	return 1500
}

// The pages with what each is ready by.
var (
	now    = picture{name: "now", path: "/", ready: `document.querySelectorAll(".trouble .spark svg").length > 0`}
	trend  = picture{name: "trend", path: "/trend?p=tub-1/water-temperature&p=vivarium-2/relative-humidity&span=1w", ready: `document.querySelector("#page").dataset.drawn !== undefined && document.querySelectorAll(".exposure td").length > 0`}
	alarms = picture{name: "alarms", path: "/alarms", ready: `document.querySelectorAll(".journal tbody tr").length > 0`}
)

var (
	today    = picture{name: "today", path: "/today", ready: `document.querySelector("#verdict")?.textContent`}
	humidity = picture{name: "humidity", path: "/humidity/vivarium-2", ready: `document.querySelectorAll(".humid-tiles dd").length > 0`}
	sensors  = picture{name: "sensors", path: "/sensors", ready: `document.querySelectorAll(".measure tbody tr").length > 0`}
)

// The year of the demo has as many weeks as the demo has.
var year = picture{name: "year", path: "/year", ready: `document.querySelector("#page").dataset.drawn !== undefined`}

// Other limits are tried on the past of the demo: the picture has what came of it where a trial was made.
var try = picture{name: "try", path: "/try?p=vivarium-2/relative-humidity", ready: `document.querySelector("#page").dataset.drawn === "try"`}

// The wall is for a tablet: it is as large as its screen.
var wall = picture{name: "wall", path: "/wall", ready: `document.querySelectorAll(".tile").length > 0`, screen: true}

func (p picture) at(width int64, look string) picture {
	p.width, p.look = width, look
	return p
}

// readme are the pictures that the README shows.
var readme = []picture{
	now.at(desk, "light"), now.at(phone, "dark"), trend.at(desk, "light"),
}

// everything is every page, on a phone and on a desk, light and dark.
func everything() (all []picture) {
	for _, p := range []picture{now, today, trend, humidity, alarms, sensors, year, try, wall} {
		for _, width := range []int64{small, phone, tablet, desk} {
			for _, look := range []string{"light", "dark"} {
				all = append(all, p.at(width, look))
			}
		}
	}
	return all
}
