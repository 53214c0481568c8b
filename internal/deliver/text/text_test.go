package text

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

var update = flag.Bool("rewrite", false, "rewrite the golden files; read the difference before you commit it")

// loft is what is known of the North Loft on an invented afternoon.
type loft struct{ now instant.Instant }

func (loft) Residents(place string) []Resident {
	return map[string][]Resident{
		"tub-1": {{"a-2026", "larva", pond}}, "grow-out": {{"b-2026", "juvenile", pond}, {"a-2026", "metamorph", nil}},
	}[place]
}

// pond is an invented profile.
var pond = func() *care.Profile {
	water := care.NoBand()
	water.Limits[care.High] = 24
	return &care.Profile{
		ID: "pond", Sources: map[string]string{"stages.larva.water-temperature.high": "invented for a test"},
		Care: map[care.Stage]care.Care{
			care.Larva: {
				Notes: []string{"You see: a tadpole.", "Act within 4 h outside the band (invented for a test)."},
				Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: {Day: water, Night: water}},
			},
		},
	}
}()

func (l loft) Point(p quantity.Point) (Latest, bool) {
	v, ok := map[quantity.Quantity]float64{
		quantity.WaterTemperature: 25.9, quantity.AirTemperature: 22.4, quantity.RelativeHumidity: 81.2,
	}[p.Quantity]
	return Latest{Value: v, At: l.now.Add(-8 * time.Minute), Fresh: true}, ok
}

func (l loft) Trend(p quantity.Point) (Earlier, bool) {
	v, ok := map[quantity.Quantity]float64{quantity.WaterTemperature: 25.1, quantity.RelativeHumidity: 68.2}[p.Quantity]
	return Earlier{l.now.Add(-15 * time.Minute), v}, ok
}

func (loft) Feeds(sensor string) []quantity.Point {
	point := func(place string, q quantity.Quantity) quantity.Point {
		return quantity.Point{Place: place, Quantity: q}
	}
	return map[string][]quantity.Point{
		"tub-1-probe":  {point("tub-1", quantity.WaterTemperature)},
		"grow-out-air": {point("grow-out", quantity.AirTemperature), point("grow-out", quantity.RelativeHumidity)},
	}[sensor]
}

func at(hour, minute int) *instant.Instant {
	return new(instant.Of(time.Date(2026, 7, 17, hour, minute, 0, 0, time.UTC)))
}

func entry(change func(*journal.Entry)) *journal.Entry {
	e := &journal.Entry{
		Seq: 17, Run: "run", At: *at(13, 40), Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high",
		State: "B", Was: "A", Priority: "high", Value: new(25.6), Setpoint: new(24.0), Extreme: new(25.7), Since: at(13, 10), Place: "tub-1",
	}
	change(e)
	e.Occurrence = e.Alarm + "@2026-07-17T13:40:00.000Z"
	return e
}

func notice(change func(*journal.Entry)) *journal.Entry {
	e := &journal.Entry{Seq: 18, Run: "run", At: *at(13, 50), By: "dewline"}
	change(e)
	return e
}

// messages are those of an invented summer: every kind of message, every limit.
func messages() map[string]*journal.Entry {
	list := map[string]*journal.Entry{
		"raised": entry(func(*journal.Entry) {}),
		"repeated": entry(func(e *journal.Entry) {
			e.Kind, e.Was, e.Value, e.Repeats, e.At = journal.AlarmRepeated, "B", nil, 2, *at(14, 10)
		}),
		"escalated": entry(func(e *journal.Entry) {
			e.Kind, e.Was, e.Value, e.Repeats, e.At, e.Notifiers, e.Reason = journal.AlarmRepeated, "B", nil, 1, *at(14, 0), []string{"mail"}, "not confirmed within 20 min"
		}),
		"over": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At = journal.AlarmCleared, "D", "B", new(23.4), *at(16, 25)
		}),
		"over-confirmed": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At = journal.AlarmCleared, "A", "C", new(23.4), *at(16, 25)
		}),
		"over-held": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At = journal.AlarmCleared, "E", "B", new(23.4), *at(16, 25)
		}),
		"room-critical": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Priority = "loft/air-temperature/critical-high", "loft", "critical"
			e.Value, e.Setpoint, e.Extreme, e.Names = new(28.4), new(27.8), new(28.4), []string{"tub-1", "tub-2", "grow-out"}
		}),
		"dry": entry(func(e *journal.Entry) {
			e.Alarm, e.Place = "grow-out/relative-humidity/critical-low", "grow-out"
			e.Priority, e.Value, e.Setpoint, e.Extreme = "critical", new(67.2), new(70.0), new(66.9)
		}),
		"several-critical": entry(func(e *journal.Entry) {
			e.Kind, e.Was, e.At, e.Repeats = journal.AlarmRepeated, "B", *at(14, 0), 1
			e.Alarm, e.Place, e.Priority, e.Value, e.Setpoint, e.Extreme = "tub-1/water-temperature/critical-high", "tub-1", "critical", new(28.4), new(27.0), new(28.4)
			e.Also = []string{"grow-out/air-temperature/critical-high", "tub-2/water-temperature/critical-high"}
		}),
		"reminder": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At, e.Until, e.Notifiers, e.By = journal.AlarmReminded, "D", "D", nil, *at(14, 25), at(13, 43), []string{"webhook"}, "notify"
			e.Alarm, e.Place, e.Priority, e.Setpoint, e.Extreme = "tub-1/water-temperature/critical-high", "tub-1", "critical", new(27.0), new(28.4)
			e.Also = []string{"tub-2/water-temperature/critical-high"}
		}),
		"dry-in-doubt": entry(func(e *journal.Entry) {
			e.Alarm, e.Place = "grow-out/relative-humidity/critical-low", "grow-out"
			e.Priority, e.Value, e.Setpoint, e.Extreme = "critical", new(67.2), new(70.0), new(66.9)
			e.Doubt = "the sensors of grow-out/relative-humidity differ by 9.0 % (allowed: 5)"
		}),
		"missed-misting": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Priority, e.Setpoint, e.Extreme = "grow-out/relative-humidity/missed-misting", "grow-out", "low", nil, nil
			e.Value = new(71.2)
		}),
		"missed-misting-over": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was = journal.AlarmCleared, "A", "B"
			e.Alarm, e.Place, e.Priority, e.Setpoint, e.Extreme = "grow-out/relative-humidity/missed-misting", "grow-out", "low", nil, nil
			e.Value = new(92.4)
		}),
		"stuck-mister": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Priority, e.Setpoint, e.Extreme = "grow-out/relative-humidity/stuck-mister", "grow-out", "medium", nil, nil
			e.Value, e.Since = new(99.1), at(9, 34)
		}),
		"stuck-mister-over": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was = journal.AlarmCleared, "D", "B"
			e.Alarm, e.Place, e.Priority, e.Setpoint, e.Extreme = "grow-out/relative-humidity/stuck-mister", "grow-out", "medium", nil, nil
			e.Value, e.Since = new(92.4), at(9, 34)
		}),
		"rising": entry(func(e *journal.Entry) {
			e.Alarm, e.Priority, e.Extreme = "tub-1/water-temperature/rising", "medium", nil
			e.Value, e.Reason = new(23.1), "the limit is expected in about 40 min, and for longer than is allowed"
			e.Expected = &journal.Expectation{Limit: "high", At: e.At.Add(40 * time.Minute)}
		}),
		"rising-critical": entry(func(e *journal.Entry) {
			e.Alarm, e.Priority, e.Extreme = "tub-1/water-temperature/rising", "medium", nil
			e.Value, e.Setpoint = new(25.1), new(26.0)
			e.Expected = &journal.Expectation{Limit: "critical-high", At: e.At.Add(40 * time.Minute), From: new(e.At.Add(25 * time.Minute)), To: new(e.At.Add(55 * time.Minute))}
		}),
		"rising-over": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At = journal.AlarmCleared, "A", "C", new(22.4), *at(16, 25)
			e.Alarm, e.Priority, e.Extreme = "tub-1/water-temperature/rising", "medium", nil
		}),
		"stale": entry(func(e *journal.Entry) {
			e.Alarm, e.Priority, e.Value, e.Setpoint, e.Extreme = "tub-1/water-temperature/stale", "medium", nil, nil, nil
			e.Reason = "no usable reading for 2m0s"
		}),
		"stale-over": entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At = journal.AlarmCleared, "D", "B", new(23.4), *at(14, 25)
			e.Alarm, e.Priority, e.Setpoint, e.Extreme = "tub-1/water-temperature/stale", "medium", nil, nil
		}),
		"fault": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Value, e.Setpoint, e.Extreme = "sensor/tub-1-probe/fault", "", nil, nil, nil
			e.Reason = "openat /sys/bus/w1/devices/28-0316a2794bff/temperature: no such file or directory"
		}),
		"fault-channel": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Value, e.Setpoint, e.Extreme = "sensor/grow-out-air/humidity/fault", "", nil, nil, nil
			e.Reason = "the value has not changed for two hours"
		}),
		"fault-over": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Value, e.Setpoint, e.Extreme = "sensor/tub-1-probe/fault", "", nil, nil, nil
			e.Kind, e.State, e.At = journal.AlarmCleared, "D", *at(15, 0)
		}),
		"fault-record": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Value, e.Setpoint, e.Extreme = "sensor/history-file/fault", "", nil, nil, nil
			e.Reason = "the disk is full"
		}),
		"fault-notifier": entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Value, e.Setpoint, e.Extreme = "sensor/outlet-webhook-2/fault", "", nil, nil, nil
			e.Reason = "the push service answered 403 Forbidden: is the token right?"
		}),
		"winter-night": entry(func(e *journal.Entry) {
			e.Alarm, e.Since, e.At = "tub-1/water-temperature/low", new(instant.Of(time.Date(2026, 12, 29, 23, 50, 0, 0, time.UTC))),
				instant.Of(time.Date(2026, 12, 31, 2, 0, 0, 0, time.UTC))
			e.Value, e.Setpoint, e.Extreme = new(19.5), new(20.0), new(19.4)
		}),
		// The clock in Lisbon goes back from 02:00 to 01:00 on 25 October 2026 (01:00 UTC).
		"autumn-clock": entry(func(e *journal.Entry) {
			e.Since, e.At = new(instant.Of(time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC))), instant.Of(time.Date(2026, 10, 25, 1, 15, 0, 0, time.UTC))
		}),
		"flood": notice(func(e *journal.Entry) {
			e.Kind, e.Reason, e.Priority = journal.Summary, "flood", "high"
			e.Text = "12 alarms in the last ten minutes; not acknowledged: loft/air-temperature/critical-high (critical), tub-1/water-temperature/high (high), and 2 more; " +
				"acknowledged or silenced: tub-2/water-temperature/stale (medium); over: grow-out/relative-humidity/low (medium); " +
				"tub-2/water-temperature/high has come and gone 3 times within a minute: give its band a wider deadband or longer delays, or look at the sensor and its cable"
		}),
		"quiet-hours": notice(func(e *journal.Entry) {
			e.Kind, e.Reason, e.Priority = journal.Summary, "quiet hours", "low"
			e.Text = "in the quiet hours; over: grow-out/condensation-margin/low (low)"
		}),
		"test":        notice(func(e *journal.Entry) { e.Kind, e.By, e.Text = journal.NotifierTest, "keeper", "a test" }),
		"test-weekly": notice(func(e *journal.Entry) { e.Kind, e.Reason, e.Text = journal.NotifierTest, "weekly", "a test" }),
		"same-incident": entry(func(e *journal.Entry) {
			e.Incident, e.Silent = "loft/air-temperature/high@2026-07-17T13:20:00.000Z", true
		}),
		"fault-worse": entry(func(e *journal.Entry) {
			e.Kind, e.Alarm, e.Was, e.Place, e.Value, e.Setpoint, e.Extreme = journal.AlarmWorsened, "sensor/grow-out-air/temperature/fault", "B", "", nil, nil, nil
			e.Reason = "temperature is raving and cannot be believed: it jumps to and fro"
		}),
		"frequent": notice(func(e *journal.Entry) {
			e.Kind, e.Alarm, e.Priority = journal.Frequent, "grow-out/relative-humidity/low", "high"
			e.Text = "grow-out/relative-humidity/low has come 3 times in seven days"
		}),
		"frequent-water": notice(func(e *journal.Entry) {
			e.Kind, e.Alarm, e.Priority = journal.Frequent, "tub-1/water-temperature/high", "high"
			e.Text = "tub-1/water-temperature/high has come 3 times in seven days"
		}),
		"chattering": notice(func(e *journal.Entry) {
			e.Kind, e.Alarm, e.Priority = journal.Chattering, "tub-1/water-temperature/high", "low"
			e.Text = "tub-1/water-temperature/high has come and gone 3 times within a minute"
		}),
		"fleeting": notice(func(e *journal.Entry) {
			e.Kind, e.Alarm, e.Priority = journal.Fleeting, "tub-1/water-temperature/high", "low"
		}),
	}
	for _, limit := range []string{"critical-low", "low", "high", "critical-high", "falling"} {
		for _, q := range []quantity.Quantity{quantity.AirTemperature, quantity.CondensationMargin, quantity.OxygenSaturation, quantity.VapourPressureDeficit} {
			value := map[quantity.Quantity]float64{quantity.AirTemperature: 20.5, quantity.CondensationMargin: 0.4, quantity.OxygenSaturation: 0.0071, quantity.VapourPressureDeficit: 812}[q]
			if q != quantity.AirTemperature && limit != "high" && limit != "low" {
				continue
			}
			list[q.String()+"-"+limit] = entry(func(e *journal.Entry) {
				e.Alarm, e.Place = "grow-out/"+q.String()+"/"+limit, "grow-out"
				e.Value, e.Setpoint, e.Extreme = new(value), new(value*1.1), new(value)
				if strings.HasSuffix(limit, "high") {
					e.Setpoint = new(value * 0.9)
				}
			})
		}
	}
	return list
}

func formatter(t testing.TB, unit quantity.Unit, now instant.Instant) *Formatter {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	return &Formatter{
		Site: "north-loft", Location: lisbon, Temperature: unit, PublicURL: "https://loft.example/", Now: loft{now},
		Titles: map[string]string{"tub-1": "Tub 1", "tub-2": "Tub 2", "loft": "The loft", "grow-out": "Grow-out shelf"},
	}
}

// TestMessages holds every kind of message against golden files, which are there to be read aloud.
func TestMessages(t *testing.T) {
	for name, e := range messages() {
		for suffix, unit := range map[string]quantity.Unit{"f": quantity.Fahrenheit, "c": quantity.Celsius} {
			m := formatter(t, unit, e.At).Message(e)
			compare(t, name+"."+suffix+".txt", fmt.Sprintf("Title: %s\nUrgent: %t\n\n%s", m.Title, m.Urgent, m.Text))
		}
	}
	bare := &Formatter{Site: "north-loft"}
	m := bare.Message(messages()["raised"])
	compare(t, "bare.txt", fmt.Sprintf("Title: %s\nUrgent: %t\n\n%s", m.Title, m.Urgent, m.Text))
	data, err := json.MarshalIndent(formatter(t, quantity.Fahrenheit, *at(14, 10)).Message(messages()["repeated"]), "", "  ")
	require.NoError(t, err)
	compare(t, "repeated.json", string(data)+"\n")
}

func compare(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), got, name)
}

// TestEveryMessageSaysWhatAKeeperNeeds: place by title, who lives there, value and limit in the displayed unit, local time, what to
// do, a link; and none of the words of programmers.
func TestEveryMessageSaysWhatAKeeperNeeds(t *testing.T) {
	for name, e := range messages() {
		m := formatter(t, quantity.Fahrenheit, e.At).Message(e)
		assert.Contains(t, m.Text, "WE", name+": local time with its zone")
		assert.Contains(t, m.Text, "https://loft.example/alarms", name)
		for _, bad := range []string{"nobody", "outlet", "openat", "no such file", "m0s", "NaN", "suppressed by design", "%!"} {
			assert.NotContains(t, strings.ReplaceAll(m.Title+m.Text, "sensor/outlet-", ""), bad, name)
		}
		if IsNotice(e) {
			continue
		}
		assert.Contains(t, m.Title, m.Fields.Place, name)
		if strings.HasPrefix(e.Alarm, "tub-1/") || strings.HasPrefix(e.Alarm, "sensor/tub-1-probe/") {
			assert.Contains(t, m.Text, "Who lives there: a-2026 (larva)", name)
		}
		profiled := strings.HasPrefix(e.Alarm, "tub-1/water-temperature/") && !m.Fields.Over
		assert.Equal(t, profiled, strings.Contains(m.Text, "How soon: within 4 h outside the band (invented for a test)."), name)
		assert.Equal(t, profiled && e.Setpoint != nil && *e.Setpoint == 24, strings.Contains(m.Text, "Limit from: invented for a test"), name)
		if e.Setpoint != nil {
			assert.Contains(t, m.Text, m.Fields.Limit, name)
			assert.NotEmpty(t, m.Fields.Value, name)
		}
		assert.NotContains(t, m.Text, "°C", name)
		if !m.Fields.Over {
			assert.Contains(t, m.Text, "What to do:\n- ", name)
		}
	}
}

// TestEveryAlarmHasAnAction: an alarm without an action is not an alarm (ANSI/ISA-18.2).
func TestEveryAlarmHasAnAction(t *testing.T) {
	for _, stages := range append(together, nil) {
		for _, q := range quantity.All() {
			for _, limit := range []string{"critical-low", "low", "high", "critical-high", "stale", "rising", "falling", "missed-misting", "stuck-mister"} {
				a := AdviceOn(q.String(), limit, stages...)
				text := a.Consequence + " " + strings.Join(a.Actions, " ")
				assert.NotEmpty(t, a.Consequence, "%s/%s", q, limit)
				assert.NotEmpty(t, a.Actions, "%s/%s", q, limit)
				assert.NotContains(t, strings.ToLower(text), "safe", "%s/%s: a message never says that an animal is safe", q, limit)
				assert.Equal(t, strings.HasPrefix(limit, "critical"), strings.Contains(text, "Act now"), "%s/%s", q, limit)
				for _, action := range a.Actions {
					assert.LessOrEqual(t, utf8.RuneCountInString(action), 200, "%s/%s: %s", q, limit, action)
				}
			}
		}
	}
	assert.Contains(t, strings.Join(AdviceOn("loft-air", "fault").Actions, " "), "dewline probe")
	assert.Contains(t, strings.Join(AdviceOn("outlet-mail", "fault").Actions, " "), "dewline alarm test")
	assert.Equal(t, AdviceOn("relative-humidity", "low"), AdviceOn("vapour-pressure-deficit", "high"), "dry air by either measure")
	assert.NotEqual(t, AdviceOn("water-temperature", "high"), AdviceOn("water-temperature", "low"))
}

// together is which stages may share a place.
var together = [][]care.Stage{
	{care.Egg}, {care.Larva}, {care.Metamorph}, {care.Juvenile}, {care.Adult}, {care.Larva, care.Metamorph}, {care.Larva, care.Adult},
}

// TestAdviceHarmsNoAnimalAndNoHand: no hand near a live heater, no fan on what it dries, no mist from water that has stood; a stage
// that is not known is taken as the weakest.
func TestAdviceHarmsNoAnimalAndNoHand(t *testing.T) {
	of := func(quantityName, limit string, stages []care.Stage) string {
		return strings.Join(AdviceOn(quantityName, limit, stages...).Actions, "\n")
	}
	for _, stages := range append(together, nil) {
		for _, limit := range []string{"low", "critical-low", "high", "critical-high", "rising", "falling"} {
			water := of("water-temperature", limit, stages)
			assert.Regexp(t, `(?i)unplug .*heater .*let .* cool for 15 minutes`, water, limit)
			assert.Contains(t, of("air-temperature", limit, stages), "nplug", limit)
		}
		young := len(stages) == 0 || slices.ContainsFunc(stages, care.Stage.Delicate)
		onlyLarvae := len(stages) == 1 && stages[0] == care.Larva
		assert.Equal(t, !young, strings.Contains(of("water-temperature", "high", stages), "a fan across the open water"), "%v", stages)
		hot := of("air-temperature", "critical-high", stages)
		assert.Equal(t, !onlyLarvae, strings.Contains(hot, "moving air dries"), "%v", stages)
		assert.Equal(t, young, strings.Contains(hot, "a froglet of 0.2 g dies of it"), "%v", stages)
		for _, q := range []string{"relative-humidity", "dew-point", "absolute-humidity"} {
			for _, limit := range []string{"low", "high"} {
				assert.Contains(t, of(q, limit, stages), "Legionella grows in standing water", "%s %s", q, limit)
			}
		}
		assert.Equal(t, onlyLarvae, strings.Contains(of("relative-humidity", "low", stages), "pure water"), "%v", stages)
	}
	assert.Equal(t, AdviceOn("air-temperature", "high", care.Egg, care.Larva, care.Metamorph, care.Juvenile, care.Adult), AdviceOn("air-temperature", "high"))
}

// TestMessageKnowsTheStageOfThePlace: the larva of tub-1 and the young of grow-out get advice of their own.
func TestMessageKnowsTheStageOfThePlace(t *testing.T) {
	hot := func(place string) string {
		e := entry(func(e *journal.Entry) { e.Alarm, e.Place = place+"/air-temperature/high", place })
		return formatter(t, quantity.Celsius, e.At).Message(e).Text
	}
	assert.Contains(t, hot("tub-1"), "A fan across the open water")
	assert.Contains(t, hot("grow-out"), "No fan on the animals")
	assert.Contains(t, hot("loft"), "No fan on the animals", "no animal is known to live in the loft itself")
}

// TestTextFromElsewhereStaysInItsLine: names and reasons cannot add headers or lines, whatever they hold.
func TestTextFromElsewhereStaysInItsLine(t *testing.T) {
	text := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"\r\nBcc: all@example.org", "a\n.\n", "\xff\xfe", "\u202eevil", "x\u2028y", "\x00"}))
	rapid.Check(t, func(t *rapid.T) {
		e := &journal.Entry{
			Run:   text.Draw(t, "run"),
			Kind:  rapid.SampledFrom([]journal.Kind{journal.AlarmRaised, journal.AlarmRepeated, journal.Summary, journal.NotifierTest, journal.Chattering}).Draw(t, "kind"),
			State: rapid.SampledFrom([]isa.State{"", "A", "B", "C", "D", "H"}).Draw(t, "state"), By: text.Draw(t, "by"), Text: text.Draw(t, "text"),
			Alarm:    text.Draw(t, "place") + "/" + rapid.OneOf(text, rapid.Just("air-temperature")).Draw(t, "quantity") + "/" + text.Draw(t, "limit"),
			Priority: text.Draw(t, "priority"), Reason: text.Draw(t, "reason"), Names: []string{text.Draw(t, "name")}, Also: []string{text.Draw(t, "other") + "/" + text.Draw(t, "limit of the other")},
			Occurrence: text.Draw(t, "occurrence"), Value: new(rapid.Float64().Draw(t, "value")),
		}
		f := &Formatter{Site: text.Draw(t, "site"), Titles: map[string]string{parse(e.Alarm).place: text.Draw(t, "title")}}
		m := f.Message(e)
		if strings.ContainsFunc(m.Title, unicode.IsControl) || !utf8.ValidString(m.Title) || m.Title == "" {
			t.Fatalf("title %q", m.Title)
		}
		if strings.Count(m.Text, "\n.\n") > 0 || !utf8.ValidString(m.Text) || strings.ContainsAny(m.Text, "\r\x00\u2028\u202e") {
			t.Fatalf("text %q", m.Text)
		}
	})
}

func TestStateInAKeepersWords(t *testing.T) {
	assert.Equal(t, "silent: its sensor has failed", State("H", "sensor/tub-1-probe/fault"))
	assert.Equal(t, "silent: the alarm of its room covers it", State("H", "loft/air-temperature/critical-high"))
	assert.Equal(t, "back in range, please confirm", State("D", ""))
	seen := map[string]bool{}
	for _, letter := range "ABCDEFGHI" {
		words := State(isa.State(letter), "")
		assert.False(t, seen[words], words)
		seen[words] = true
	}
}

func TestOneLine(t *testing.T) {
	assert.Equal(t, "a b c", OneLine("a\r\nb\t \u2028c"))
	assert.Equal(t, strings.Repeat("é", 300)+"…", OneLine(strings.Repeat("é", 301)))
	assert.Empty(t, OneLine("\n"))
}

func TestTemplates(t *testing.T) {
	m := formatter(t, quantity.Fahrenheit, *at(14, 10)).Message(messages()["repeated"])
	write := func(source string) string {
		parsed, err := ParseTemplate(source)
		require.NoError(t, err)
		text, err := parsed.Write(m)
		require.NoError(t, err)
		return text
	}
	assert.Equal(t, "Tub 1 78.6 °F for a-2026/larva", write("{{.Fields.Place}} {{.Fields.Value}} for {{range .Fields.Residents}}{{.Cohort}}/{{.Stage}}{{end}}"))
	quoted := write(`{"say": {{json .Text}}}`)
	var back struct{ Say string }
	require.NoError(t, json.Unmarshal([]byte(quoted), &back))
	assert.Equal(t, m.Text, back.Say)
	jsonTemplate, err := ParseTemplate(`{"say": {{json .Title}}}`)
	require.NoError(t, err)
	assert.True(t, jsonTemplate.WritesJSON())
	plain, err := ParseTemplate(`{"say": "{{.Fields.Place}}"}`)
	require.NoError(t, err)
	assert.False(t, plain.WritesJSON(), "a quotation mark in a title breaks it")

	for source, want := range map[string]string{
		"{{.Title}}\n  {{.Fields.Valeu}}":    "2:12",
		"é{{.Text}} {{.Nothing}}":            "1:14",
		"line\n{{if .Urgent}}x":              "2:1",
		"{{.Title}} {{shout .Title}}":        "1:14",
		"{{.Title}} {{end}}":                 "1:12",
		"{{.Title":                           "1:1",
		"{{index .Fields.Actions 99}}":       "1:3",
		"{{range .Title}}{{.Cohort}}{{end}}": "1:9",
	} {
		_, err := ParseTemplate(source)
		var bad *TemplateError
		require.ErrorAs(t, err, &bad, source)
		assert.Equal(t, want, fmt.Sprintf("%d:%d", bad.Line, bad.Column), "%s: %s", source, err)
		assert.NotContains(t, err.Error(), "template: message", source)
	}
}

func FuzzParseTemplate(f *testing.F) {
	f.Add("{{.Title}} ({{.Fields.Value}})")
	f.Add("{{range .Fields.Residents}}{{.Cohort}}{{end}}\n{{json .Fields}}")
	f.Add("{{.Nothing}}")
	f.Fuzz(func(t *testing.T, source string) {
		parsed, err := ParseTemplate(source)
		if err == nil {
			if _, err := parsed.Write(samples()[0]); err != nil {
				t.Errorf("%q: %v", source, err)
			}
			return
		}
		bad, ok := err.(*TemplateError)
		if !ok || bad.Line < 1 || bad.Column < 1 || bad.Line > strings.Count(source, "\n")+1 {
			t.Errorf("%q: %#v", source, err)
		}
	})
}

// TestPurity: the text of a message depends on nothing that waits, reads a clock or writes.
func TestPurity(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "dewline/internal/deliver/text").Output()
	require.NoError(t, err)
	for dep := range strings.Lines(string(out)) {
		switch strings.TrimSpace(dep) {
		case "net", "net/http", "database/sql", "os/exec", "log/slog", "math/rand", "crypto/rand":
			t.Errorf("the text must stay pure and depends on %s", dep)
		}
	}
}

// TestMessagesOfOneIncident: they have one thread and one identity for push services; an update is not urgent, and its end is over.
func TestMessagesOfOneIncident(t *testing.T) {
	const incident = "loft/air-temperature/high@2026-07-17T13:20:00.000Z"
	f := formatter(t, quantity.Celsius, *at(14, 10))
	heard := f.Message(entry(func(e *journal.Entry) { e.Incident = incident }))
	update := f.Message(entry(func(e *journal.Entry) {
		e.Alarm, e.Place, e.Incident, e.Silent = "tub-2/water-temperature/high", "tub-2", incident, true
	}))
	over := f.Message(entry(func(e *journal.Entry) {
		e.Kind, e.State, e.Incident, e.Silent = journal.AlarmCleared, "D", incident, true
	}))
	for _, m := range []Message{heard, update, over} {
		assert.Equal(t, incident, m.Thread)
		assert.Equal(t, incident, m.Incident)
	}
	assert.Equal(t, []bool{true, false, false}, []bool{heard.Urgent, update.Urgent, over.Urgent})
	assert.Equal(t, []bool{false, true, true}, []bool{heard.Silent, update.Silent, over.Silent})
	assert.True(t, strings.HasPrefix(over.Title, "Over: "), over.Title)
	alone := f.Message(entry(func(*journal.Entry) {}))
	assert.Equal(t, "tub-1/water-temperature/high@2026-07-17T13:40:00.000Z", alone.Thread, "an entry of before there were incidents")
}
