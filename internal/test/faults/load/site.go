package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"
)

// node is an invented microcontroller: one topic, and the points that its messages feed.
type node struct {
	topic  string
	place  string
	humid  bool // air temperature and humidity in one JSON message; otherwise one number for water
	phase  time.Duration
	origin float64 // of its slow swing, in radians

	hot      bool // the next messages are beyond the limit
	hotUntil time.Time
}

// The band of every temperature, and what is published inside and beyond it.
const (
	highCelsius   = 26.0
	usualCelsius  = 23.0
	swingCelsius  = 1.0
	beyondCelsius = 29.0
)

// makeNodes makes as many nodes as feed so many points.
func makeNodes(points int, every time.Duration) []*node {
	var nodes []*node
	for fed := 0; fed < points; {
		n := &node{origin: rand.Float64() * 2 * math.Pi}
		if len(nodes)%3 == 2 && points-fed >= 2 { // two probes in water for each sensor in air: half of the points
			n.humid = true
			n.place = fmt.Sprintf("vivarium-%d", len(nodes)+1)
			fed += 2
		} else {
			n.place = fmt.Sprintf("tub-%d", len(nodes)+1)
			fed++
		}
		n.topic = "sensors/" + n.place
		nodes = append(nodes, n)
	}
	for i, n := range nodes {
		n.phase = every * time.Duration(i) / time.Duration(len(nodes))
	}
	return nodes
}

// readings is how many readings a message of the node is.
func (n *node) readings() int {
	if n.humid {
		return 2
	}
	return 1
}

// sensor is the node's id in the configuration.
func (n *node) sensor() string { return n.place + "-radio" }

// point is the node's point that alarms are made on.
func (n *node) point() string {
	if n.humid {
		return n.place + "/air-temperature"
	}
	return n.place + "/water-temperature"
}

// message is what the node publishes at a time of the site.
func (n *node) message(at time.Time) string {
	swing := math.Sin(2*math.Pi*at.Sub(at.Truncate(24*time.Hour)).Hours()/24 + n.origin)
	celsius := usualCelsius + swingCelsius*swing + rand.NormFloat64()*0.03
	if n.hot {
		celsius = beyondCelsius
	}
	celsius = math.Round(celsius*16) / 16
	if !n.humid {
		return fmt.Sprintf("%.4f", celsius)
	}
	return fmt.Sprintf(`{"t":%.4f,"rh":%.2f}`, celsius, 80-5*swing+rand.NormFloat64()*0.2)
}

// siteText writes the configuration. Everything in it is invented.
func siteText(nodes []*node, every time.Duration, broker, folder string) string {
	var b strings.Builder
	band := fmt.Sprintf("{low: 15 °C, high: %g °C, on-delay: 1ms, off-delay: 1s, deadband: 0.5 K}", highCelsius)
	b.WriteString("site: north-loft\ntimezone: Europe/Lisbon\nplaces:\n  - {id: loft, kind: room}\n")
	for _, n := range nodes {
		quantity := "water-temperature"
		if n.humid {
			quantity = "air-temperature"
		}
		fmt.Fprintf(&b, "  - {id: %s, kind: enclosure, in: loft, bands: {%s: %s}}\n", n.place, quantity, band)
	}
	b.WriteString("sensors:\n")
	for _, n := range nodes {
		if n.humid {
			fmt.Fprintf(&b, "  - {id: %s, driver: mqtt, topic: %s, every: %s, pointer: {temperature: /t, humidity: /rh}, unit: {temperature: degC, humidity: %%}, "+
				"feeds: {temperature: %s/air-temperature, humidity: %s/relative-humidity}, accuracy: {temperature: 0.3 K, humidity: 3 %%}}\n",
				n.sensor(), n.topic, every, n.place, n.place)
			continue
		}
		fmt.Fprintf(&b, "  - {id: %s, driver: mqtt, topic: %s, every: %s, unit: degC, feeds: {temperature: %s/water-temperature}, accuracy: {temperature: 0.5 K}}\n",
			n.sensor(), n.topic, every, n.place)
	}
	fmt.Fprintf(&b, "history: {path: %[1]s/history.db, keep: 2y}\nmqtt: {broker: \"%[2]s\", username: %[3]s, password-file: %[1]s/%[3]s.password}\n"+
		"web: {listen: \"127.0.0.1:0\"}\ncontrol: {socket: %[1]s/control.sock}\nnotify:\n  - {via: mqtt}\n", folder, broker, daemonUser)
	return b.String()
}
