package cloudevent_test

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/cloudevent"
)

var update = flag.Bool("rewrite", false, "rewrite the golden files")

// at is a minute of an invented morning in the North Loft.
func at(minute int) instant.Instant {
	return instant.Of(time.Date(2026, 7, 1, 6, minute, 0, 250e6, time.UTC))
}

func raised() journal.Entry {
	return journal.Entry{
		Seq: 41, Run: "7f3a", At: at(20), Kind: journal.AlarmRaised,
		Alarm: "tub-1/water-temperature/high", Occurrence: "7f3a-41", State: "B", Was: "A", Priority: "high",
		Unit: "Cel", Setpoint: new(24.0), Value: new(24.6), Extreme: new(24.7), Since: new(at(10)),
		Cohort: "a-2026", Stage: "larva", Place: "tub-1",
	}
}

func entries() map[string]journal.Entry {
	return map[string]journal.Entry{
		"raised": raised(),
		"acknowledged": {
			Seq: 42, Run: "7f3a", At: at(25), Kind: journal.AlarmAcknowledged, Alarm: "tub-1/water-temperature/high",
			Occurrence: "7f3a-41", State: "C", Was: "B", By: "keeper", Reason: "fan on, water < 24 °C soon",
		},
		"stage":   {Seq: 43, Run: "7f3a", At: at(30), Kind: journal.StageSet, Cohort: "a-2026", Stage: "metamorph", By: "keeper"},
		"misting": {Seq: 44, Run: "7f3a", At: at(31), Kind: journal.Misting, Place: "loft"},
		"started": {Seq: 45, Run: "80b1", At: at(32), Kind: journal.RunStarted},
	}
}

func alarms() map[string]watch.AlarmState {
	return map[string]watch.AlarmState{
		"state-unacknowledged": {
			Name: "tub-1/water-temperature/high", Place: "tub-1", Quantity: "water-temperature", Limit: "high", Letter: "B",
			Priority: care.HighPriority, Active: true, Occurrence: "7f3a-41", Since: at(10), Raised: at(20),
			Cleared: instant.None, Until: instant.None, Setpoint: 24, Extreme: 24.7,
		},
		"state-normal": {
			Name: "loft/relative-humidity/low", Place: "loft", Quantity: "relative-humidity", Limit: "low", Letter: "A",
			Priority: care.MediumPriority, Since: instant.None, Raised: instant.None, Cleared: instant.None,
			Until: instant.None, Setpoint: 80, Extreme: math.NaN(),
		},
		"state-fault-shelved": {
			Name: "sensor/tub-1-probe/fault", Place: "sensor", Quantity: "tub-1-probe", Limit: "fault", Letter: "G",
			Priority: care.LowPriority, Active: true, Occurrence: "7f3a-50", Since: at(1), Raised: at(3), Cleared: instant.None,
			Until: at(59), By: "shelved", Setpoint: math.NaN(), Extreme: math.NaN(), Repeats: 2, Reason: "new cable is on its way",
		},
	}
}

// golden compares with, or with -rewrite writes, testdata/<name>.json. The files are the documented form.
func golden(t *testing.T, name string, e cloudevent.Event) {
	t.Helper()
	got, err := e.JSON()
	require.NoError(t, err)
	path := filepath.Join("testdata", name+".json")
	if *update {
		require.NoError(t, os.WriteFile(path, append(got, '\n'), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got)+"\n")
	again, err := cloudevent.Parse(got)
	require.NoError(t, err)
	assert.Equal(t, e.ID, again.ID)
	assert.JSONEq(t, string(e.Data), string(again.Data))
}

func TestGoldenEntries(t *testing.T) {
	for name, entry := range entries() {
		t.Run(name, func(t *testing.T) {
			e, err := cloudevent.OfEntry("north-loft", &entry)
			require.NoError(t, err)
			golden(t, name, e)
			var back journal.Entry
			require.NoError(t, json.Unmarshal(e.Data, &back))
			assert.Equal(t, entry, back, "the data is the whole entry")
		})
	}
}

func TestGoldenAlarms(t *testing.T) {
	for name, state := range alarms() {
		t.Run(name, func(t *testing.T) {
			e, err := cloudevent.OfAlarm("north-loft", state)
			require.NoError(t, err)
			golden(t, name, e)
		})
	}
}

// TestAttributesFollowTheSpecification is CloudEvents 1.0.2, "Required Attributes" and "Naming Conventions": names are
// lower-case ASCII letters and digits, at most 20 characters (a should); id, source, specversion and type are there.
func TestAttributesFollowTheSpecification(t *testing.T) {
	for name, entry := range entries() {
		e, err := cloudevent.OfEntry("north-loft", &entry)
		require.NoError(t, err)
		payload, err := e.JSON()
		require.NoError(t, err)
		var attributes map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(payload, &attributes))
		for attribute, value := range attributes {
			assert.Regexp(t, `^[a-z0-9]{1,20}$`, attribute, name)
			if attribute != "data" {
				assert.Regexp(t, `^".+"$`, string(value), "%s: %s is a non-empty string", name, attribute)
			}
		}
		for _, required := range []string{"id", "source", "specversion", "type"} {
			assert.Contains(t, attributes, required, name)
		}
		assert.Equal(t, "/dewline/north-loft", e.Source)
		_, err = time.Parse(time.RFC3339, e.Time)
		require.NoError(t, err, "time is RFC 3339")
	}
}

func TestTypes(t *testing.T) {
	assert.Equal(t, "dewline.alarm.raised.v1", cloudevent.TypeOf(journal.AlarmRaised))
	assert.Equal(t, "dewline.command.refused.v1", cloudevent.TypeOf(journal.CommandRefused))
}

// TestSameDeliverySameID is the rule on duplicates: source and id are the same on each repeat of an event, and differ
// between events.
func TestSameDeliverySameID(t *testing.T) {
	entry := raised()
	first, err := cloudevent.OfEntry("north-loft", &entry)
	require.NoError(t, err)
	second, err := cloudevent.OfEntry("north-loft", &entry)
	require.NoError(t, err)
	assert.Equal(t, first, second)
	assert.Equal(t, entry.ID(), first.ID)

	state := alarms()["state-unacknowledged"]
	before, err := cloudevent.OfAlarm("north-loft", state)
	require.NoError(t, err)
	same, err := cloudevent.OfAlarm("north-loft", state)
	require.NoError(t, err)
	assert.Equal(t, before, same)
	state.Letter = isa.Acknowledged
	after, err := cloudevent.OfAlarm("north-loft", state)
	require.NoError(t, err)
	assert.NotEqual(t, before.ID, after.ID)
}

func TestUnitOfAnAlarm(t *testing.T) {
	for _, q := range quantity.All() {
		data := cloudevent.DataOf(watch.AlarmState{Quantity: q.String()})
		assert.Equal(t, q.Unit().Symbol(), data.Unit)
	}
	assert.Empty(t, cloudevent.DataOf(watch.AlarmState{Place: "sensor", Quantity: "tub-1-probe"}).Unit)
}

func TestCheckRefuses(t *testing.T) {
	entry := raised()
	good, err := cloudevent.OfEntry("north-loft", &entry)
	require.NoError(t, err)
	for _, c := range []struct {
		name  string
		spoil func(*cloudevent.Event)
		want  string
	}{
		{"another version", func(e *cloudevent.Event) { e.SpecVersion = "0.3" }, "specversion"},
		{"no id", func(e *cloudevent.Event) { e.ID = "" }, "no id"},
		{"no type", func(e *cloudevent.Event) { e.Type = "" }, "no type"},
		{"no source", func(e *cloudevent.Event) { e.Source = "" }, "source"},
		{"a site that is no id", func(e *cloudevent.Event) { e.Source = "/dewline/North Loft" }, "source"},
		{"time without a zone", func(e *cloudevent.Event) { e.Time = "2026-07-01T06:20:00" }, "RFC 3339"},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := good
			c.spoil(&e)
			_, err := e.JSON()
			require.ErrorContains(t, err, c.want)
		})
	}
}

// TestParseUndoesJSON: what is written is read back, whatever the texts hold.
func TestParseUndoesJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entry := journal.Entry{
			Seq: rapid.Uint64().Draw(t, "seq"), Run: rapid.StringMatching(`[a-z0-9]{1,8}`).Draw(t, "run"),
			At: at(rapid.IntRange(0, 59).Draw(t, "minute")), Kind: journal.Note,
			Text: rapid.String().Draw(t, "text"), By: rapid.String().Draw(t, "by"),
		}
		e, err := cloudevent.OfEntry("north-loft", &entry)
		require.NoError(t, err)
		payload, err := e.JSON()
		require.NoError(t, err)
		again, err := cloudevent.Parse(payload)
		require.NoError(t, err)
		var back journal.Entry
		require.NoError(t, json.Unmarshal(again.Data, &back))
		require.Equal(t, entry, back)
	})
}

// FuzzParse: what parses is a valid event and is written and read back the same.
func FuzzParse(f *testing.F) {
	for _, name := range []string{"raised", "state-normal"} {
		seed, err := os.ReadFile(filepath.Join("testdata", name+".json"))
		require.NoError(f, err)
		f.Add(seed)
	}
	f.Add([]byte(`{"specversion":"1.0","id":"1","source":"/dewline/a","type":"x","data":{"a":1}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := cloudevent.Parse(data)
		if err != nil {
			require.Equal(t, cloudevent.Event{}, e)
			return
		}
		written, err := e.JSON()
		require.NoError(t, err)
		again, err := cloudevent.Parse(written)
		require.NoError(t, err)
		rewritten, err := again.JSON()
		require.NoError(t, err)
		require.Equal(t, string(written), string(rewritten))
	})
}
