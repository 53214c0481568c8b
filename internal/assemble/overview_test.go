package assemble_test

import (
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
)

const careOfFrogs = `profile: forest-floor
title: Forest floor
stages:
  larva: {water-temperature: {low: 70 degF, high: 75 degF, critical-low: 62 degF, critical-high: 81 degF}}
  juvenile:
    air-temperature: {low: 70 degF, high: 77.5 degF}
    relative-humidity: {low: 80 %}
`

// overviewAt sums up a site that has the care profile forest-floor.
func overviewAt(t *testing.T, at time.Time, text string) config.Overview {
	t.Helper()
	site, problems := config.LoadFS(fstest.MapFS{
		"site.yaml": &fstest.MapFile{Data: []byte(text)}, "frogs.yaml": &fstest.MapFile{Data: []byte(careOfFrogs)},
	}, "site.yaml")
	require.NoError(t, problems.Err())
	return assemble.Overview(site, at, nil, nil)
}

const northLoft = `site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
display: {temperature: fahrenheit}
profiles: [frogs.yaml]
places:
  - {id: loft, title: The loft, kind: room}
  - {id: tub-1, kind: enclosure, in: loft}
  - {id: tub-2, kind: enclosure, in: loft}
  - {id: tub-3, kind: enclosure, in: loft}
  - {id: tub-4, kind: enclosure, in: loft}
  - {id: grow-out, title: Grow-out shelf, kind: enclosure, in: loft}
cohorts:
  - {id: a-2026, profile: forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-06-01}, {stage: juvenile, since: 2026-09-01}]}
  - {id: b-2026, profile: forest-floor, place: grow-out, stages: [{stage: juvenile, since: 2026-06-01}]}
  - {id: c-2026, profile: forest-floor, place: tub-2, stages: [{stage: larva, since: 2027-07-01}]}
sensors:
  - {id: loft-air, driver: sht4x, bus: I2C1, address: 0x44, feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}}
  - {id: probe-1, driver: w1, address: 28-0316a2794bff, feeds: {temperature: tub-1/water-temperature}}
  - {id: probe-2, driver: w1, address: 28-0316a2794c01, feeds: {temperature: tub-2/water-temperature}}
  - {id: shelf-air, driver: sht4x, bus: I2C2, address: 0x44, feeds: {temperature: grow-out/air-temperature}}
`

var inJuly = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

// The overview warns of what would surprise a keeper, each with its position in the file.
func TestOverviewSaysWhatIsNotWatched(t *testing.T) {
	o := overviewAt(t, inJuly, northLoft)
	assert.Equal(t, strings.TrimPrefix(`
site.yaml:1:1: warning: nobody is told of any alarm: the configuration has no notify. Add a notifier, and try it with dewline alarm test
site.yaml:7:5: warning: no alarm can come from The loft (loft): sensors are there, but no cohort lives there, and no band is given
site.yaml:9:5: warning: no alarm can come from tub-2: sensors are there, but c-2026 has no limits now for water temperature
site.yaml:10:5: warning: not watched: tub-3 and tub-4: no sensor is there
site.yaml:14:48: warning: froglets of a-2026 in tub-1 need air temperature and humidity watched, and no sensor measures that there
site.yaml:15:48: warning: froglets of b-2026 in Grow-out shelf (grow-out) need humidity watched, and no sensor measures that there
site.yaml:16:64: warning: c-2026 has no stage yet, so that none of its limits hold: it begins as tadpoles on 1 July 2027. Is that the right year?`, "\n"),
		o.Unwatched.String())
	good, bad := o.Lines()
	assert.Equal(t, []string{
		"watching north-loft (times in Europe/Lisbon, limits of the day):",
		"  tub-1, tadpoles of a-2026: water temperature 70–75 °F, critical below 62 or above 81 °F",
		"  Grow-out shelf (grow-out), froglets of b-2026: air temperature 70–77.5 °F",
	}, good)
	assert.Len(t, bad, 7)
}

// A cohort whose tub has no sensor at all has a warning of its own.
func TestOverviewOfAnimalsWithoutSensor(t *testing.T) {
	o := overviewAt(t, inJuly, strings.ReplaceAll(northLoft, "place: tub-1", "place: tub-3"))
	assert.Contains(t, o.Unwatched.String(), "tub-3 is not watched, although a-2026 lives there: no sensor is there")
}

func TestOverviewSaysWhereAlarmsGo(t *testing.T) {
	for notify, want := range map[string][]string{
		`notify: [{via: webhook, url: "https://keeper.example", priorities: [low]}]`: {
			"nobody is told of high and medium alarms: no notifier takes those priorities", "low alarms go to webhook", "! nobody is told of critical alarms: no notifier takes that priority",
		},
		`notify: [{via: webhook, url: "https://keeper.example", priorities: [critical]}, {via: mail, server: "mail.example:587", from: loft@keeper.example, to: [ines@keeper.example, rui@keeper.example], priorities: [high, critical], after: 20m}]`: {
			"critical alarms go to webhook, mail to ines@keeper.example and rui@keeper.example after 20m",
			"high alarms go to mail to ines@keeper.example and rui@keeper.example after 20m",
			"nobody is told of medium and low alarms: no notifier takes those priorities",
		},
	} {
		o := overviewAt(t, inJuly, northLoft+notify+"\n")
		said := o.Notified
		for _, p := range o.Unwatched {
			if strings.Contains(p.Message, "told") {
				said = append(said, "! "+p.Message)
			}
		}
		assert.Equal(t, want, said)
	}
}

// A running daemon may have moved a cohort to another stage than the configuration says.
func TestOverviewOfARunningDaemon(t *testing.T) {
	site, problems := config.LoadFS(fstest.MapFS{
		"site.yaml": &fstest.MapFile{Data: []byte(northLoft)}, "frogs.yaml": &fstest.MapFile{Data: []byte(careOfFrogs)},
	}, "site.yaml")
	require.NoError(t, problems.Err())
	core := watch.New(assemble.Site(site), "")
	var states []watch.PointState
	for i := range core.Points() {
		s := core.State(int32(i))
		s.Band = care.NoBand()
		if s.Point.Place == "tub-2" {
			s.Band.Limits[care.High], s.Residents = 25, []watch.Resident{{Cohort: "c-2026", Stage: care.Larva}}
		}
		states = append(states, s)
	}
	o := assemble.Overview(site, inJuly, states, nil)
	assert.Equal(t, []string{"tub-2, tadpoles of c-2026: water temperature up to 77 °F"}, o.Watched)

	// The record knows that a-2026 has moved out of tub-1, which the configuration does not.
	from := instant.Of(inJuly.Add(-time.Hour))
	moved := []cohort.Interval{
		{Cohort: "a-2026", Place: "tub-1", From: from.Add(-time.Hour), To: from}, {Cohort: "a-2026", Place: "tub-3", From: from, To: cohort.Open},
	}
	said := func(o config.Overview) (all string) {
		for _, p := range o.Unwatched {
			all += p.Message + "\n"
		}
		return all
	}
	assert.Contains(t, said(o), "no alarm can come from tub-1: sensors are there, but a-2026 has no limits now")
	o = assemble.Overview(site, inJuly, states, moved)
	assert.NotContains(t, said(o), "a-2026 has no limits now")
	assert.Contains(t, said(o), "tub-3 is not watched, although a-2026 lives there: no sensor is there")
}

// Where cohorts share a place, all of them are named, and whose each limit is.
func TestOverviewSaysWhoseALimitIs(t *testing.T) {
	shared := strings.Replace(northLoft, "  - {id: tub-1, kind: enclosure, in: loft}", "  - {id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {high: 73 degF}}}", 1)
	shared = strings.Replace(shared, "place: tub-2, stages: [{stage: larva, since: 2027-07-01}]", "place: tub-1, stages: [{stage: larva, since: 2026-07-01}]", 1)
	o := overviewAt(t, inJuly, shared)
	assert.Contains(t, o.Watched, "tub-1, tadpoles of a-2026 and tadpoles of c-2026: water temperature 70–73 °F, critical below 62 or above 81 °F "+
		"(critical-low, low and critical-high of a-2026 (larva), high of tub-1)")
}
