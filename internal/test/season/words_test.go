package season

import (
	"encoding/json"
	"math"
	"regexp"
	"strings"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var back = regexp.MustCompile(` To put it right later: --correct [0-9a-f]+-\d+\n$`)

// checkAnswers holds what the commands have answered: what is in force, not what was asked.
func (d *diary) checkAnswers() {
	want := map[string]string{
		"begin":          "c-2026 is egg since 2 Mar 2026 09:00, in Tub 1 since 2 Mar 2026 09:00, 120 animals since 2 Mar 2026 09:00.",
		"hatched":        "c-2026 is larva (Gosner 21) since 9 Mar 2026 08:00, in Tub 1 since 2 Mar 2026 09:00, 120 animals since 2 Mar 2026 09:00.",
		"hatchlings":     "c-2026 is larva (Gosner 21) since 9 Mar 2026 08:00, in Tub 1 since 2 Mar 2026 09:00, 104 animals since 9 Mar 2026 08:00.",
		"feeding":        "c-2026 is larva (Gosner 25) since 9 Mar 2026 08:00, in Tub 1 since 2 Mar 2026 09:00, 104 animals since 9 Mar 2026 08:00.",
		"heater":         "The note is on record.",
		"moved":          "c-2026 is larva (Gosner 25) since 9 Mar 2026 08:00, in Tub 2 since 6 Apr 2026 10:00, 104 animals since 9 Mar 2026 08:00.",
		"split":          "c-2026 is larva (Gosner 25) since 9 Mar 2026 08:00, in Tub 2 since 6 Apr 2026 10:00, 64 animals since 20 Apr 2026 11:00.",
		"other half":     "c-2026-b is larva (Gosner 30) since 20 Apr 2026 11:00, in Tub 3 since 20 Apr 2026 11:00, 40 animals since 20 Apr 2026 11:00.",
		"losses":         "c-2026 is larva (Gosner 25) since 9 Mar 2026 08:00, in Tub 2 since 6 Apr 2026 10:00, 61 animals since 10 May 2026 09:00.",
		"late":           "c-2026 is larva (Gosner 38) since 9 Mar 2026 08:00, in Tub 2 since 6 Apr 2026 10:00, 61 animals since 10 May 2026 09:00.",
		"too soon":       "c-2026 is metamorph (Gosner 42) since 20 May 2026 09:00, in Tub 2 since 6 Apr 2026 10:00, 61 animals since 10 May 2026 09:00.",
		"corrected":      "c-2026 is metamorph (Gosner 42) since 22 May 2026, in Tub 2 since 6 Apr 2026 10:00, 61 animals since 10 May 2026 09:00.",
		"b turns":        "c-2026-b is metamorph since 24 May 2026, in Tub 3 since 20 Apr 2026 11:00, 40 animals since 20 Apr 2026 11:00.",
		"froglets":       "c-2026 is juvenile since 30 May 2026, in Tub 2 since 6 Apr 2026 10:00, 61 animals since 10 May 2026 09:00.",
		"moved again":    "c-2026 is juvenile since 30 May 2026, in Grow-out shelf since 1 Jun 2026 18:00, 61 animals since 10 May 2026 09:00.",
		"move corrected": "c-2026 is juvenile since 30 May 2026, in Grow-out shelf since 31 May 2026 18:00, 61 animals since 10 May 2026 09:00.",
		"sold":           "c-2026-b ended on 14 Jun 2026 09:00; what is on record of it stays.",
		"heat losses":    "c-2026 is juvenile since 30 May 2026, in Grow-out shelf since 31 May 2026 18:00, 58 animals since 8 Jul 2026 09:00.",
	}
	for name, words := range map[string]string{
		"tub-2-probe calibrated": `^The temperature of tub-2-probe is corrected by \+0\.31 K \(±0\.[0-9]+ K\) since 15 Apr 2026 10:[0-9]+: ice bath, from the journal; due again on 15 Apr 2027`,
		"shelf replaced":         `^That shelf-sht was replaced is on record; the history of its points goes on\. .*The temperature of shelf-sht has no calibration, since the sensor was replaced on 20 Jun 2026`,
		"shelf-sht calibrated":   `^The temperature of shelf-sht is corrected by \+0\.40 K \(±0\.[0-9]+ K\) since 20 Jun 2026 10:[0-9]+: another instrument at 23 degC, from the journal`,
	} {
		assert.Regexp(d.t, words, d.answers[name], name)
		delete(d.answers, name)
	}
	assert.Len(d.t, d.answers, len(want))
	for name, answer := range d.answers {
		assert.Regexp(d.t, back, answer, name)
		assert.Equal(d.t, want[name], back.ReplaceAllString(answer, ""), name)
	}
	assert.Equal(d.t, `COHORT    STAGE     SINCE              PLACE           SINCE              COUNT  SINCE
c-2026    juvenile  30 May 2026        Grow-out shelf  31 May 2026 18:00  58     8 Jul 2026 09:00
c-2026-b  ended     14 Jun 2026 09:00
`, regexp.MustCompile(` +\n`).ReplaceAllString(d.does("cohort", "list"), "\n"))
}

// day is what the test reads of /api/today.
type day struct {
	Tasks []struct {
		Do, Place, State, Turn string
		Cohorts                []string
	}
	Windows []struct {
		Cohort, Stage, Next string
		Early, Late         time.Time
		Overdue             bool
	}
	Calibration []struct{ Sensor string } `json:"calibrations_due"`
}

// task returns the state of a task of a place; "" where there is none.
func (y *day) task(place, do string) string {
	for _, task := range y.Tasks {
		if task.Place == place && task.Do == do {
			return task.State
		}
	}
	return ""
}

// looks is what the keeper reads in the evening.
func (d *diary) looks() {
	text, err := d.Get("/api/today")
	require.NoError(d.t, err)
	var now day
	require.NoError(d.t, json.Unmarshal([]byte(text), &now))
	digest := d.phone.about("TODAY")[d.days-1].text
	assert.Contains(d.t, digest, d.now.Format("Mon 2 Jan 2006, 15:04 MST"), "the time of the site")
	if day := d.now.Day(); d.now.Month() == time.April && day <= 20 {
		d.expects(&now, digest)
	}
	switch d.now.Format("2 Jan") {
	case "8 May": // nothing was done since the 29th of April
		assert.Equal(d.t, "overdue", now.task("tub-2", "feed"))
		assert.Contains(d.t, digest, "Overdue:\n")
		assert.Contains(d.t, digest, "- Tub 2 (c-2026): feed, this time ")
	case "9 May":
		assert.NotEqual(d.t, "overdue", now.task("tub-2", "feed"))
	case "12 Jun": // a climax that lasts too long is said, and no alarm
		assert.Contains(d.t, digest, "c-2026-b, metamorph since Sun 24 May: juvenile was expected by ")
		require.Len(d.t, now.Windows, 1)
		assert.True(d.t, now.Windows[0].Overdue)
	case "20 Jun": // it was sold
		assert.NotContains(d.t, digest, "c-2026-b")
		assert.NotContains(d.t, digest, "Tub 3", "a place without animals asks for nothing")
	}
}

// expects holds the window of the next stage against both models, computed here from the climate: 60 days at 24 °C, degree-days above
// 14 °C and Arrhenius with 0.65 eV, as long as the days to come are like those before, from 0.8 to 1.4 times as long.
func (d *diary) expects(now *day, digest string) {
	hatched := time.Date(2026, 3, 9, 8, 0, 0, 0, d.zone)
	var linear, arrhenius, recent [2]float64 // rate summed up, days
	rates := func(celsius float64) (float64, float64) {
		const kelvin, boltzmann = 273.15, 8.617e-5 // eV/K
		return (celsius - 14) / 10 / 60, math.Exp(0.65/boltzmann*(1/(24+kelvin)-1/(celsius+kelvin))) / 60
	}
	moved := time.Date(2026, 4, 6, 10, 0, 0, 0, d.zone)
	for at := hatched; at.Before(d.now); at = at.Add(time.Hour) {
		place := "tub-1"
		if !at.Before(moved) {
			place = "tub-2"
		}
		celsius, _ := climate(place, at)
		a, b := rates(celsius)
		linear[0], arrhenius[0] = linear[0]+a/24, arrhenius[0]+b/24
		if d.now.Sub(at) <= 7*24*time.Hour {
			recent[0], recent[1] = recent[0]+a/24, recent[1]+b/24
			linear[1], arrhenius[1] = linear[1]+1.0/24, arrhenius[1]+1.0/24
		}
	}
	so := d.now.Sub(hatched).Hours() / 24
	a := so + (1-linear[0])/(recent[0]/linear[1])
	b := so + (1-arrhenius[0])/(recent[1]/arrhenius[1])
	require.Len(d.t, now.Windows, 1+len(d.windowsOfB()))
	w := now.Windows[0]
	assert.Equal(d.t, []string{"c-2026", "larva", "metamorph"}, []string{w.Cohort, w.Stage, w.Next})
	turned := time.Date(2026, 5, 22, 0, 0, 0, 0, d.zone)
	assert.True(d.t, w.Early.Before(turned) && turned.Before(w.Late), "the truth is inside")
	const slack = 7 * 24 * time.Hour // that Gosner 25 was seen on the fifth day narrows the window
	after := func(days float64) time.Time { return hatched.Add(time.Duration(days * 24 * float64(time.Hour))) }
	assert.WithinDuration(d.t, after(0.8*min(a, b)), w.Early, slack)
	assert.WithinDuration(d.t, after(1.4*max(a, b)), w.Late, slack)
	assert.Contains(d.t, digest, "- c-2026, larva since Mon 9 Mar: metamorph between ")
	assert.Contains(d.t, digest, "Have shallow water with a way out ready by ")
}

// windowsOfB returns the windows of the half that was split off, once there is one.
func (d *diary) windowsOfB() []string {
	if d.answers["other half"] == "" {
		return nil
	}
	return []string{"c-2026-b"}
}

// checkMessages holds what the phone was sent.
func (d *diary) checkMessages() {
	t := d.t
	count := func(title string) int { return len(d.phone.about(title)) }
	assert.Equal(t, 140, count("TODAY"))
	assert.Positive(t, count("ALARM: Tub 1: water too cold"))
	assert.Positive(t, count("ALARM: Tub 2: water too warm"))
	assert.Positive(t, count("CRITICAL: Grow-out shelf: air far too warm"))
	assert.Positive(t, count("Grow-out shelf: air too dry"))
	assert.Zero(t, count("Tub 3"), "nothing was wrong there")
	for _, m := range d.phone.all() {
		isDay := strings.HasPrefix(m.title, "TODAY: ")
		assert.True(t, isDay || !strings.Contains(m.text, "expected by"), "a stage that is late is no alarm: %s", m.title)
		assert.NotContains(t, m.title, "sensor", "no sensor was wrong")
		if !isDay && strings.Contains(m.title, "far too warm") {
			assert.Contains(t, m.text, "Who lives there: c-2026 (juvenile)\n")
			assert.Contains(t, m.text, "Limit from: invented, juvenile\n")
			assert.Contains(t, m.text, "within 20 min beyond a critical limit")
			assert.Contains(t, m.text, " Jul 2026, ")
			assert.Contains(t, m.text, " WEST\n")
		}
	}
}

// checkDocuments looks for what must be in the report that is printed and in the one that is read on a terminal.
func (d *diary) checkDocuments(end time.Time) {
	for _, format := range []string{"text", "html"} {
		text := d.report(format, end)
		for _, must := range []string{
			"c-2026", "Counts and losses", "-40", "split", "died", "change water", "The worst times outside the band", "31.", "tub-1", "tub-2", "grow-out",
			"invented, metamorph", "tub-2-probe", "shelf-sht", "2026-06-20", "Invented for a test. A starting point only.", "as they were raised",
		} {
			assert.Contains(d.t, text, must, format)
		}
	}
	assert.Contains(d.t, d.report("html", end), "<svg")
}
