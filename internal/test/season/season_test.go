package season

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/store"
)

// event is something that the keeper does at a time.
type event struct {
	at time.Time
	do func()
}

// diary is what the keeper has to do in the season, and what has come of it.
type diary struct {
	*loft
	events  []event
	answers map[string]string // what commands have answered
	done    map[string][]time.Time
	days    int // that have had their digest
}

func (d *diary) on(month time.Month, day, hour int, do func()) {
	d.events = append(d.events, event{time.Date(2026, month, day, hour, 0, 0, 0, d.zone), do})
}

// writes runs a verb that must succeed, and keeps its answer under a name.
func (d *diary) writes(name string, arguments ...string) { d.answers[name] = d.does(arguments...) }

// does a task of care, by a tap.
func (d *diary) task(task string, request map[string]any) {
	request["verb"], request["task"] = "done", task
	if task == "mist" {
		request["verb"] = "misting"
		delete(request, "task")
	}
	d.taps(request)
	d.done[task] = append(d.done[task], d.now)
}

var correctedBy = regexp.MustCompile(`--correct (\S+)`)

// entryOf returns the id by which an answer can be corrected.
func (d *diary) entryOf(name string) string {
	found := correctedBy.FindStringSubmatch(d.answers[name])
	require.Len(d.t, found, 2, d.answers[name])
	return found[1]
}

func read(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	return string(text)
}

// Twenty weeks: a clutch hatches in tub 1, moves to tub 2, is split, loses some, turns, and moves to the grow-out shelf.
func TestSeason(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	begin := time.Date(2026, 3, 2, 8, 0, 0, 0, zone)
	end := begin.AddDate(0, 0, 140)
	l := newLoft(t, read(t, "site.yaml"), begin)
	require.NoError(t, os.WriteFile(filepath.Join(l.Folder, "loft-frog.yaml"), []byte(read(t, "loft-frog.yaml")), 0o644))
	d := &diary{loft: l, answers: map[string]string{}, done: map[string][]time.Time{}}
	d.plan()
	l.probe("tub-1", 1, 0)
	l.probe("tub-2", 2, 0)
	l.probe("tub-3", 3, 0)
	l.air("grow-out", dht, "in_temp_input", "in_humidityrelative_input", 0, 0.1)
	l.weather()
	l.process = l.Start()
	for day := begin; day.Before(end); day = day.AddDate(0, 0, 1) {
		for ; len(d.events) > 0 && !d.events[0].at.After(day.Add(10*time.Hour)); d.events = d.events[1:] {
			l.pass(d.events[0].at)
			d.events[0].do()
		}
		evening := time.Date(day.Year(), day.Month(), day.Day(), 18, 0, 0, 0, zone)
		l.pass(evening)
		d.evening()
		l.pass(evening.Add(time.Hour))
		d.digest()
		l.pass(day.AddDate(0, 0, 1))
	}
	midnight := time.Date(2026, 7, 20, 0, 0, 0, 0, zone)
	d.checkAnswers()
	d.checkMessages()
	d.checkReport(midnight)
	d.checkDocuments(midnight)
}

// digest waits for the digest of the evening.
func (d *diary) digest() {
	d.days++
	d.Wait("the digest of "+d.now.Format(time.DateOnly), func() bool { return len(d.phone.about("TODAY")) == d.days })
	d.looks()
}

// evening is what the keeper does each day at six.
func (d *diary) evening() {
	d.acknowledge()
	day := int(d.now.Sub(time.Date(2026, 3, 14, 0, 0, 0, 0, d.zone)).Hours() / 24)
	away := d.now.Month() == time.May && d.now.Day() <= 8 // the first week of May is missed
	switch {
	case day < 0 || away:
	case d.now.Before(time.Date(2026, 5, 22, 0, 0, 0, 0, d.zone)):
		if day%2 == 0 {
			d.task("feed", map[string]any{"cohort": "c-2026"})
		}
		if day%7 == 0 {
			d.task("change-water", map[string]any{"cohort": "c-2026"})
		}
	case !d.now.Before(time.Date(2026, 6, 1, 0, 0, 0, 0, d.zone)):
		d.task("feed", map[string]any{"cohort": "c-2026"})
		d.task("mist", map[string]any{"place": "grow-out", "for_seconds": 45})
	}
}

// acknowledge taps the card of each alarm that nobody has confirmed.
func (d *diary) acknowledge() {
	alarms, err := d.Client.Alarms(d.t.Context())
	require.NoError(d.t, err)
	for _, a := range alarms {
		if a.State == isa.Unacknowledged || a.State == isa.ReturnedUnacknowledged {
			d.taps(map[string]any{"verb": "acknowledge", "alarm": a.Alarm, "occurrence": a.Occurrence})
		}
	}
}

// plan is the season.
func (d *diary) plan() {
	d.on(time.March, 2, 9, func() {
		d.writes("begin", "cohort", "begin", "c-2026", "--profile", "loft-frog", "--place", "tub-1", "--stage", "egg", "--count", "120", "--at", "2026-03-02 09:00")
	})
	d.on(time.March, 9, 9, func() {
		d.writes("hatched", "cohort", "stage", "c-2026", "larva", "--gosner", "21", "--at", "2026-03-09 08:00")
		d.writes("hatchlings", "cohort", "count", "c-2026", "104", "--why", "died", "--at", "2026-03-09 08:00")
	})
	d.on(time.March, 14, 10, func() {
		d.writes("feeding", "stage", "set", "c-2026", "tadpole", "--gosner", "25", "--at", "2026-03-14 10:00")
	})
	d.on(time.March, 22, 10, func() {
		d.writes("heater", "note", "The heater of tub 1 had come unplugged. (invented)", "--place", "tub-1")
	})
	d.on(time.April, 6, 10, func() { d.writes("moved", "cohort", "move", "c-2026", "tub-2", "--at", "2026-04-06 10:00") })
	d.on(time.April, 15, 10, d.changeProbe)
	d.on(time.April, 20, 11, func() {
		d.writes("split", "cohort", "count", "c-2026", "64", "--why", "split")
		d.writes("other half", "cohort", "begin", "c-2026-b", "--profile", "loft-frog", "--place", "tub-3", "--stage", "larva", "--gosner", "30", "--count", "40")
	})
	d.on(time.May, 10, 9, func() { d.writes("losses", "cohort", "count", "c-2026", "61", "--why", "died") })
	d.on(time.May, 14, 9, func() { d.writes("late", "cohort", "stage", "c-2026", "larva", "--gosner", "38") })
	d.on(time.May, 20, 9, func() { d.writes("too soon", "cohort", "stage", "c-2026", "metamorph", "--gosner", "42") })
	d.on(time.May, 24, 9, func() {
		d.writes("corrected", "cohort", "stage", "c-2026", "metamorph", "--gosner", "42", "--at", "2026-05-22", "--correct", d.entryOf("too soon"))
		d.writes("b turns", "cohort", "stage", "c-2026-b", "metamorph", "--at", "2026-05-24")
	})
	d.on(time.May, 30, 9, func() { d.writes("froglets", "cohort", "stage", "c-2026", "froglet", "--at", "2026-05-30") })
	d.on(time.June, 2, 9, func() { d.writes("moved again", "cohort", "move", "c-2026", "grow-out", "--at", "2026-06-01 18:00") })
	d.on(time.June, 3, 9, func() {
		d.writes("move corrected", "cohort", "move", "c-2026", "grow-out", "--at", "2026-05-31 18:00", "--correct", d.entryOf("moved again"))
	})
	d.on(time.June, 5, 10, d.changeShelf)
	d.on(time.June, 14, 9, func() { d.writes("sold", "cohort", "end", "c-2026-b", "--why", "sold") })
	d.on(time.June, 20, 10, d.changeShelfAgain)
	d.on(time.July, 8, 9, func() { d.writes("heat losses", "cohort", "count", "c-2026", "58", "--why", "died") })
}

// changeProbe replaces the probe of tub 2 by one that reads 0.3125 K too low, as its comparison in ice water has shown. The sensor keeps
// its name, the configuration has the new address, and the calibration goes into the journal.
func (d *diary) changeProbe() {
	d.probe("tub-2", 4, -0.3125)
	d.weather()
	d.reconfigure("# second probe\n  - {id: tub-2-probe, driver: w1, address: 28-0000dead0002,", "  - {id: tub-2-probe, driver: w1, address: 28-0000dead0004,")
	d.calibrates("tub-2", "tub-2-probe", store.Calibration{Against: "ice bath", Reference: 0, Uncertainty: 0.05, Readings: slices.Repeat([]float64{-0.3125}, 20)})
}

// changeShelf replaces the sensor of the grow-out shelf by a better one.
func (d *diary) changeShelf() {
	d.air("grow-out", sht, "temp1_input", "humidity1_input", 0.2, 0.001)
	d.weather()
	d.reconfigure(`# shelf
  - {id: shelf-dht22, driver: iio, name: dht11,`,
		`  - {id: shelf-sht, driver: hwmon, name: sht4x, calibration: {date: 2026-06-04, temperature: {offset: -0.2 K, uncertainty: 0.1 K}},`)
}

// changeShelfAgain replaces that one by another of its kind, which no address tells apart: the keeper says so. It reads 0.4 K too low, as a
// better instrument beside it shows.
func (d *diary) changeShelfAgain() {
	d.air("grow-out", sht, "temp1_input", "humidity1_input", -0.4, 0.001)
	d.weather()
	d.writes("shelf replaced", "sensor", "replaced", "shelf-sht", "--note", "It had got wet. (invented)")
	d.calibrates("grow-out", "shelf-sht", store.Calibration{Against: "another instrument at 23 degC", Reference: 23, Uncertainty: 0.1, Readings: slices.Repeat([]float64{22.6}, 20)})
}

// calibrates writes the comparison of a sensor into the journal, as it was taken and kept before.
func (d *diary) calibrates(place, sensor string, made store.Calibration) {
	d.t.Helper()
	made.At, made.Sensor, made.Channel = instant.Of(d.Now()), sensor, "temperature"
	_, err := store.AddCalibrationTo(d.t.Context(), d.History, made)
	require.NoError(d.t, err)
	d.writes(sensor+" calibrated", "calibrate", "--sensor", sensor, "--record", "--channel", "temperature")
	d.reads()
	d.calibrated[place] = append(d.calibrated[place], d.Now())
}

// reconfigure edits the configuration and lets the program read it again.
func (d *diary) reconfigure(old, new string) {
	d.t.Helper()
	text, err := os.ReadFile(d.Config)
	require.NoError(d.t, err)
	require.Contains(d.t, string(text), old)
	require.NoError(d.t, os.WriteFile(d.Config, []byte(strings.Replace(string(text), old, strings.TrimPrefix(new, "  "), 1)), 0o600))
	const read = "the new configuration is in force"
	before := strings.Count(d.process.Log(), read)
	d.process.Reload()
	d.Wait(read, func() bool { return strings.Count(d.process.Log(), read) > before })
	d.reads()
}
