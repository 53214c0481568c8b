package mail

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/instant"
	"dewline/internal/journal"
	"dewline/internal/quantity"
)

var update = flag.Bool("update", false, "rewrite the golden files; read the difference before you commit it")

// TestLetters holds the letters of an invented summer against golden files, which are there to be read.
func TestLetters(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	fahrenheit := Words{
		Site: "north-loft", Location: lisbon, Temperature: quantity.Fahrenheit,
		Titles: map[string]string{"tub-1": "Tub 1", "loft": "the North Loft", "vivarium-1": "the tall vivarium"},
	}
	celsius := fahrenheit
	celsius.Temperature = quantity.Celsius
	at := func(hour, minute int) *instant.Instant {
		return new(instant.Of(time.Date(2026, 7, 17, hour, minute, 0, 0, time.UTC)))
	}
	entry := func(change func(*journal.Entry)) *journal.Entry {
		e := &journal.Entry{
			Seq: 17, Run: "run", At: *at(13, 40), Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high",
			State: "B", Was: "A", Priority: "high", Value: new(25.6), Setpoint: new(24.0), Extreme: new(25.7), Since: at(13, 10), Place: "tub-1",
		}
		change(e)
		e.Occurrence = e.Alarm + "@2026-07-17T13:40:00.000Z"
		return e
	}
	for name, c := range map[string]struct {
		words Words
		entry *journal.Entry
	}{
		"raised":         {fahrenheit, entry(func(*journal.Entry) {})},
		"raised-celsius": {celsius, entry(func(*journal.Entry) {})},
		"repeated": {fahrenheit, entry(func(e *journal.Entry) {
			e.Kind, e.Was, e.Value, e.Repeats, e.At = journal.AlarmRepeated, "B", nil, 2, *at(14, 10)
		})},
		"over": {fahrenheit, entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At = journal.AlarmCleared, "D", "B", new(23.4), *at(16, 25)
		})},
		"over-acknowledged": {celsius, entry(func(e *journal.Entry) {
			e.Kind, e.State, e.Was, e.Value, e.At = journal.AlarmCleared, "A", "C", new(23.4), *at(16, 25)
		})},
		"room-critical": {fahrenheit, entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Priority = "loft/air-temperature/critical-high", "loft", "critical"
			e.Value, e.Setpoint, e.Extreme, e.Names = new(28.4), new(27.8), new(28.4), []string{"tub-1", "tub-2", "vivarium-1"}
		})},
		"dry": {celsius, entry(func(e *journal.Entry) {
			e.Alarm, e.Place = "vivarium-1/relative-humidity/critical-low", "vivarium-1"
			e.Priority, e.Value, e.Setpoint, e.Extreme = "critical", new(68.2), new(70.0), new(67.9)
		})},
		"rising": {fahrenheit, entry(func(e *journal.Entry) {
			e.Alarm, e.Priority, e.Extreme = "tub-1/water-temperature/rising", "medium", nil
			e.Value, e.Reason = new(23.1), "the limit is expected within 45m0s if the trend goes on"
		})},
		"stale": {celsius, entry(func(e *journal.Entry) {
			e.Alarm, e.Priority, e.Value, e.Setpoint, e.Extreme = "tub-1/water-temperature/stale", "medium", nil, nil, nil
			e.Reason = "no usable reading for 2m0s"
		})},
		"fault": {celsius, entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Value, e.Setpoint, e.Extreme = "sensor/tub-1-probe/fault", "", nil, nil, nil
			e.Reason = "the bus does not answer"
		})},
		"fault-over": {celsius, entry(func(e *journal.Entry) {
			e.Alarm, e.Place, e.Value, e.Setpoint, e.Extreme = "sensor/tub-1-probe/fault", "", nil, nil, nil
			e.Kind, e.State, e.At = journal.AlarmCleared, "D", *at(15, 0)
		})},
		"winter-night": {celsius, entry(func(e *journal.Entry) {
			e.Alarm, e.Since, e.At = "tub-1/water-temperature/low", new(instant.Of(time.Date(2026, 12, 29, 23, 50, 0, 0, time.UTC))),
				instant.Of(time.Date(2026, 12, 31, 2, 0, 0, 0, time.UTC))
			e.Value, e.Setpoint, e.Extreme = new(19.5), new(20.0), new(19.4)
		})},
	} {
		t.Run(name, func(t *testing.T) {
			letter := c.words.Letter(c.entry)
			got := fmt.Sprintf("Subject: %s\nUrgent: %t\n\n%s", letter.Subject, letter.Urgent, letter.Text)
			path := filepath.Join("testdata", name+".txt")
			if *update {
				require.NoError(t, os.MkdirAll("testdata", 0o755))
				require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, string(want), got)
		})
	}
}

// TestEveryAlarmHasAnAction: an alarm without an action is not an alarm (ANSI/ISA-18.2).
func TestEveryAlarmHasAnAction(t *testing.T) {
	for _, q := range quantity.All() {
		for _, limit := range []string{"critical-low", "low", "high", "critical-high", "stale", "rising", "falling"} {
			text := advice(parse("tub-1/" + q.String() + "/" + limit))
			assert.Greater(t, len(text), 40, "%s/%s", q, limit)
			assert.NotContains(t, strings.ToLower(text), "safe", "%s/%s: a message never says that an animal is safe", q, limit)
			assert.Equal(t, strings.HasPrefix(limit, "critical"), strings.Contains(text, "Act now"), "%s/%s", q, limit)
			for line := range strings.Lines(text) {
				assert.LessOrEqual(t, utf8.RuneCountInString(line), 130, "%s/%s", q, limit)
			}
		}
	}
	assert.Contains(t, advice(parse("sensor/loft-air/fault")), "dewline probe")
	for warm, cool := range map[string]string{
		"tub-1/water-temperature/high":                "tub-1/water-temperature/low",
		"tub-1/water-temperature/rising":              "tub-1/water-temperature/falling",
		"vivarium-1/relative-humidity/high":           "vivarium-1/vapour-pressure-deficit/high",
		"vivarium-1/vapour-pressure-deficit/critical": "vivarium-1/vapour-pressure-deficit/critical-high",
	} {
		assert.NotEqual(t, advice(parse(warm)), advice(parse(cool)))
	}
	assert.Equal(t, advice(parse("v/relative-humidity/low")), advice(parse("v/vapour-pressure-deficit/high")), "dry air by either measure")
}

// TestTextFromElsewhereStaysInItsLine: names and reasons cannot add headers or lines, whatever they hold.
func TestTextFromElsewhereStaysInItsLine(t *testing.T) {
	text := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"\r\nBcc: all@example.org", "a\n.\n", "\xff\xfe", "\u202eevil", "x\u2028y", "\x00"}))
	rapid.Check(t, func(t *rapid.T) {
		e := &journal.Entry{
			Run: text.Draw(t, "run"), Kind: journal.AlarmRaised, State: rapid.SampledFrom([]string{"", "A", "B", "C", "D", "H"}).Draw(t, "state"),
			Alarm:    text.Draw(t, "place") + "/" + rapid.OneOf(text, rapid.Just("air-temperature")).Draw(t, "quantity") + "/" + text.Draw(t, "limit"),
			Priority: text.Draw(t, "priority"), Reason: text.Draw(t, "reason"), Names: []string{text.Draw(t, "name")},
			Occurrence: text.Draw(t, "occurrence"), Value: new(rapid.Float64().Draw(t, "value")),
		}
		w := Words{Site: text.Draw(t, "site"), Titles: map[string]string{parse(e.Alarm).place: text.Draw(t, "title")}}
		l := w.Letter(e)
		if strings.ContainsFunc(l.Subject, unicode.IsControl) || !utf8.ValidString(l.Subject) {
			t.Fatalf("subject %q", l.Subject)
		}
		if strings.Count(l.Text, "\n.\n") > 0 || !utf8.ValidString(l.Text) || strings.ContainsAny(l.Text, "\r\x00\u2028\u202e") {
			t.Fatalf("text %q", l.Text)
		}
	})
}

func TestOneLine(t *testing.T) {
	assert.Equal(t, "a b c", oneLine("a\r\nb\t \u2028c"))
	assert.Equal(t, strings.Repeat("é", 300)+"…", oneLine(strings.Repeat("é", 301)))
	assert.Equal(t, strings.Repeat("é", 300), oneLine(strings.Repeat("é", 300)))
	assert.Empty(t, oneLine("\n"))
}

func TestSpan(t *testing.T) {
	for want, d := range map[string]time.Duration{
		"0 s":        -time.Minute,
		"42 s":       42 * time.Second,
		"35 min 1 s": 35*time.Minute + 700*time.Millisecond,
		"2 h 5 min":  2*time.Hour + 5*time.Minute + 59*time.Second,
		"3 d 4 h":    76*time.Hour + 59*time.Minute,
	} {
		assert.Equal(t, want, span(d))
	}
}

func TestAtomsStayDifferent(t *testing.T) {
	assert.Equal(t, "run-17", atom("run-17"))
	assert.Equal(t, "a=20b=3D=0D=0A", atom("a b=\r\n"))
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.String().Draw(t, "a"), rapid.String().Draw(t, "b")
		if (a == b) != (atom(a) == atom(b)) {
			t.Fatalf("%q and %q", a, b)
		}
	})
}

func FuzzUnpack(f *testing.F) {
	f.Add([]byte(`{"subject":"[north-loft] HIGH: …","text":"Water temperature in Tub 1 is too high.\n","thread":"x","urgent":true}`))
	f.Add([]byte(`{"subject":"a\r\nBcc: b@example.org","text":"x"}`))
	f.Add([]byte(`{`))
	f.Fuzz(func(t *testing.T, body []byte) {
		l, err := unpack(body)
		if err != nil {
			if l != (Letter{}) {
				t.Errorf("an error and a letter: %+v", l)
			}
			return
		}
		if strings.ContainsFunc(l.Subject, unicode.IsControl) || l.Text == "" {
			t.Errorf("%q: %+v", body, l)
		}
	})
}
