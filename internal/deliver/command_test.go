package deliver

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

const high = "tub-1/water-temperature/high"

func TestDecodeCommand(t *testing.T) {
	for _, c := range []struct {
		verb, payload string
		want          watch.Command
	}{
		{"acknowledge", `{"occurrence":"tub-1/water-temperature/high@2026-07-01T06:20:00.000Z","by":"keeper"}`,
			watch.Command{Occurrence: "tub-1/water-temperature/high@2026-07-01T06:20:00.000Z", By: "keeper via mqtt"}},
		{"shelve", `{"alarm":"tub-1/water-temperature/high","for":"1h30m","reason":"water change"}`,
			watch.Command{Alarm: high, For: 90 * time.Minute, Reason: "water change", By: "via mqtt"}},
		{"unshelve", `{"alarm":"tub-1/water-temperature/high"}`, watch.Command{Alarm: high, By: "via mqtt"}},
		{"reset", `{"alarm":"tub-1/water-temperature/high"}`, watch.Command{Alarm: high, By: "via mqtt"}},
		{"stage", `{"cohort":"a-2026","stage":"metamorph","at":"2026-07-01T08:20:00+02:00"}`,
			watch.Command{Cohort: "a-2026", Stage: "metamorph", At: instant.Of(morning), By: "via mqtt"}},
		{"begin", `{"cohort":"c-2026","profile":"tropical-forest-floor","place":"tub-1","stage":"egg","count":"80","at":"2026-07-01"}`,
			watch.Command{Cohort: "c-2026", Profile: "tropical-forest-floor", Place: "tub-1", Stage: "egg", Count: new(80), At: instant.Of(time.Date(2026, 6, 30, 23, 0, 0, 0, time.UTC)), By: "via mqtt"}},
		{"move", `{"cohort":"a-2026","place":"tub-2","at":"2026-07-01 07:20","corrects":"7f3a-12"}`,
			watch.Command{Cohort: "a-2026", Place: "tub-2", At: instant.Of(morning), Corrects: "7f3a-12", By: "via mqtt"}},
		{"count", `{"cohort":"a-2026","count":"0","why":"died","by":"ines"}`, watch.Command{Cohort: "a-2026", Count: new(0), Why: "died", By: "ines via mqtt"}},
		{"end", `{"cohort":"a-2026","why":"sold"}`, watch.Command{Cohort: "a-2026", Why: "sold", By: "via mqtt"}},
		{"done", `{"task":"feed","place":"tub-1","text":"half was left","at":"20m"}`,
			watch.Command{Task: "feed", Place: "tub-1", Text: "half was left", At: instant.Of(morning.Add(-20 * time.Minute)), By: "via mqtt"}},
		{"acknowledge", `{"alarm":"loft/air-temperature/high"}`, watch.Command{Alarm: "loft/air-temperature/high", By: "via mqtt"}},
		{"shelve", `{"alarm":"loft/air-temperature/high","for":"1 h"}`, watch.Command{Alarm: "loft/air-temperature/high", For: time.Hour, By: "via mqtt"}},
		{"misting", `{"place":"loft","for":"45s"}`, watch.Command{Place: "loft", For: 45 * time.Second, By: "via mqtt"}},
		{"calibrate", `{"sensor":"tub-1-probe","channel":"temperature","offset":"-0.9 degF","uncertainty":"0.1 K","method":"ice bath","at":"2026-07-01 07:20"}`,
			watch.Command{
				Sensor: "tub-1-probe", Channel: "temperature", At: instant.Of(morning), By: "via mqtt",
				Calibration: &journal.Calibration{Method: "ice bath", Offset: -0.5, Uncertainty: 0.1},
			}},
		{"replace-sensor", `{"sensor":"tub-1-probe","text":"rusty"}`, watch.Command{Sensor: "tub-1-probe", Text: "rusty", By: "via mqtt"}},
		{"note", `{"text":"two tadpoles moved\nto tub-2","place":"tub-1"}`,
			watch.Command{Text: "two tadpoles moved\nto tub-2", Place: "tub-1", By: "via mqtt"}},
	} {
		t.Run(c.verb, func(t *testing.T) {
			got, err := northLoft(t).DecodeCommand("dewline/north-loft/command/"+c.verb, []byte(c.payload), false, lisbon(t), morning)
			require.NoError(t, err)
			c.want.Verb = watch.Verb(c.verb)
			assert.Equal(t, c.want, got)
		})
	}
}

func lisbon(t require.TestingT) *time.Location {
	location, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	return location
}

func TestDecodeCommandRefuses(t *testing.T) {
	const ack = "dewline/north-loft/command/acknowledge"
	for _, c := range []struct{ name, topic, payload, want string }{
		{"another site", "dewline/south-loft/command/note", `{}`, "not that of a command"},
		{"a deeper topic", "dewline/north-loft/command/a/b", `{}`, "not that of a command"},
		{"a verb that people do not have", "dewline/north-loft/command/repeat", `{}`, "no command"},
		{"out of service is not for MQTT", "dewline/north-loft/command/out-of-service", `{}`, "no command"},
		{"nothing", ack, ``, "no payload"},
		{"no JSON", ack, `yes`, "not JSON"},
		{"no object", ack, `[]`, "object"},
		{"neither occurrence nor alarm", ack, `{"by":"ines"}`, "missing: occurrence, or alarm"},
		{"an unknown member", ack, `{"occurrence":"x","force":"yes"}`, `unknown member "force"`},
		{"a member of another command", ack, `{"occurrence":"x","for":"30m"}`, `unknown member "for"`},
		{"a name in capitals", ack, `{"Occurrence":"x"}`, `unknown member "Occurrence"`},
		{"a member twice", ack, `{"occurrence":"x","occurrence":"y"}`, "twice"},
		{"a number", ack, `{"occurrence":7}`, "must be a string"},
		{"null", ack, `{"occurrence":null}`, "must be a string"},
		{"empty text", ack, `{"occurrence":" "}`, "empty"},
		{"long text", ack, `{"occurrence":"` + strings.Repeat("x", 257) + `"}`, "longer"},
		{"control characters", ack, `{"occurrence":"x","by":"\u001b[31m"}`, "control character"},
		{"too large", ack, `{"occurrence":"` + strings.Repeat("x", maxCommand) + `"}`, "limit"},
		{"a length that is none", "dewline/north-loft/command/shelve", `{"alarm":"x","for":"30"}`, "30m"},
		{"a negative length", "dewline/north-loft/command/shelve", `{"alarm":"x","for":"-5m"}`, "length"},
		{"a place that is no id", "dewline/north-loft/command/misting", `{"place":"Tub 1"}`, "place:"},
		{"a channel that is none", "dewline/north-loft/command/calibrate", `{"sensor":"a","channel":"heat","offset":"1 K"}`, "none of temperature"},
		{"an offset without a unit", "dewline/north-loft/command/calibrate", `{"sensor":"a","channel":"temperature","offset":"1"}`, "offset"},
		{"a time that is none", "dewline/north-loft/command/note", `{"text":"x","at":"yesterday"}`, "local time"},
		{"a count that is none", "dewline/north-loft/command/count", `{"cohort":"a-2026","count":"-3"}`, "whole number"},
		{"two missing members", "dewline/north-loft/command/stage", `{}`, "missing: cohort, stage"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := northLoft(t).DecodeCommand(c.topic, []byte(c.payload), false, lisbon(t), morning)
			require.ErrorContains(t, err, c.want)
		})
	}
}

// TestARetainedCommandIsRefused is the rule that a command found retained on subscribing is refused.
func TestARetainedCommandIsRefused_RuleRetainedCommand(t *testing.T) {
	_, err := northLoft(t).DecodeCommand("dewline/north-loft/command/note", []byte(`{"text":"x"}`), true, time.UTC, morning)
	require.ErrorContains(t, err, "without retain")
}

// FuzzCommand: whatever is accepted is complete and bounded; an acknowledgement always names its occurrence.
func FuzzCommand(f *testing.F) {
	for _, payload := range []string{
		`{"occurrence":"x","by":"keeper"}`, `{"alarm":"a","for":"30m"}`, `{"text":"x"}`, `{"place":"loft","for":"45s"}`,
		`{"cohort":"a-2026","stage":"egg","at":"2026-07-01T06:20:00Z"}`, `{}`, `{"a":{"b":[]}}`,
	} {
		for verb := range forms {
			f.Add(string(verb), []byte(payload))
		}
	}
	topics := northLoft(f)
	f.Fuzz(func(t *testing.T, verb string, payload []byte) {
		c, err := topics.DecodeCommand("dewline/north-loft/command/"+verb, payload, false, time.UTC, morning)
		if err != nil {
			return
		}
		require.Contains(t, forms, c.Verb)
		require.True(t, c.Verb != watch.Acknowledge || c.Occurrence != "")
		require.True(t, c.Verb != watch.WriteNote || c.Text != "")
		require.GreaterOrEqual(t, c.For, time.Duration(0))
		require.True(t, strings.HasSuffix(c.By, "via mqtt"))
		require.Less(t, len(c.By)+len(c.Text)+len(c.Reason)+len(c.Alarm)+len(c.Occurrence), 8*maxCommand)
	})
}
