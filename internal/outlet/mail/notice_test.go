package mail

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/instant"
	"dewline/internal/journal"
)

// TestNotices: letters that are about no single call of an alarm say what they are before anything else.
func TestNotices(t *testing.T) {
	w := &Words{Site: "north-loft"}
	at := instant.Of(time.Date(2026, 7, 17, 12, 10, 0, 0, time.UTC))
	for name, c := range map[string]struct {
		entry   journal.Entry
		subject string
		text    string
		urgent  bool
	}{
		"flood": {
			journal.Entry{Kind: journal.Summary, Reason: "flood", Priority: "high", Text: "12 alarms in the last ten minutes; not acknowledged: a/b/high (high), c/d/high (high)"},
			"[north-loft] MANY ALARMS: 12 alarms in the last ten minutes", "Not acknowledged: a/b/high (high),\n  c/d/high (high).", true,
		},
		"quiet hours": {
			journal.Entry{Kind: journal.Summary, Reason: "quiet hours", Priority: "low", Text: "in the quiet hours; over: a/b/high (low)"},
			"[north-loft] summary: in the quiet hours", "Over: a/b/high (low).", false,
		},
		"test": {
			journal.Entry{Kind: journal.OutletTest, By: "keeper", Text: "a test of the outlets: no alarm, nothing is to be done"},
			"[north-loft] TEST: a test of the outlets: no alarm, nothing is to be done", "Asked by     keeper", false,
		},
		"chattering": {
			journal.Entry{Kind: journal.Chattering, Alarm: "a/b/high", Priority: "low", Text: "a/b/high has come and gone 3 times within a minute"},
			"[north-loft] note: a/b/high has come and gone 3 times within a minute", "alarms that cry for nothing are not heard", false,
		},
	} {
		t.Run(name, func(t *testing.T) {
			c.entry.Seq, c.entry.Run, c.entry.At = 7, "run-1", at
			letter := w.Letter(&c.entry)
			assert.Equal(t, c.subject, letter.Subject)
			assert.Contains(t, letter.Text, c.text)
			assert.Contains(t, letter.Text, "What to do\n  ")
			assert.Contains(t, letter.Text, "journal entry run-1-7")
			assert.NotContains(t, letter.Text, "dewline alarm acknowledge")
			assert.Equal(t, c.urgent, letter.Urgent)
		})
	}
	assert.Nil(t, w.notice(&journal.Entry{Kind: journal.AlarmRaised}))
}

// TestAFailingOutletIsNoSensor: the alarm of an outlet is told in its own words.
func TestAFailingOutletIsNoSensor(t *testing.T) {
	w := &Words{Site: "north-loft"}
	e := &journal.Entry{Kind: journal.AlarmRaised, Alarm: "sensor/outlet-webhook-2/fault", State: "B", Was: "A", Priority: "high"}
	letter := w.Letter(e)
	assert.Equal(t, "[north-loft] HIGH: The outlet webhook-2 does not deliver: alarms do not get out by it", letter.Subject)
	assert.Contains(t, letter.Text, "dewline alarm test")
	e.State = "A"
	assert.Equal(t, "[north-loft] over: The outlet webhook-2 delivers again", w.Letter(e).Subject)
	late := &journal.Entry{
		Kind: journal.AlarmRepeated, Alarm: "tub-1/water-temperature/high", State: "B", Was: "B", Priority: "high",
		Outlets: []string{"mail"}, Reason: "nobody has acknowledged it within 20m0s",
	}
	assert.Equal(t, "[north-loft] HIGH (nobody has acknowledged it within 20m0s): Water temperature in tub-1 is too high", w.Letter(late).Subject)
}
