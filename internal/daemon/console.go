package daemon

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// console writes what happens to a terminal, one line for each event, in the site's unit and local time.
type console struct {
	out         io.Writer // nil without a console
	temperature quantity.Unit
	location    *time.Location
}

// entry writes a journal entry, if it is of a kind that matters to a person.
func (c console) entry(e *journal.Entry) {
	if c.out == nil {
		return
	}
	text := c.sentence(e)
	if text == "" {
		return
	}
	fmt.Fprintf(c.out, "%s  %s\n", c.clock(e.At), text)
}

func (c console) clock(i instant.Instant) string { return i.Time().In(c.location).Format("15:04:05") }

func (c console) sentence(e *journal.Entry) string {
	switch e.Kind {
	case journal.AlarmRaised:
		return c.raised(e)
	case journal.AlarmCleared:
		return fmt.Sprintf("%s is over%s", e.Alarm, map[bool]string{true: " and waits to be acknowledged"}[e.State.Waits()])
	case journal.AlarmAcknowledged:
		return fmt.Sprintf("%s is acknowledged by %s", e.Alarm, e.By)
	case journal.AlarmShelved:
		return fmt.Sprintf("%s is shelved until %s by %s: %s", e.Alarm, c.clock(*e.Until), e.By, e.Reason)
	case journal.AlarmUnshelved:
		return fmt.Sprintf("%s is no longer shelved: %s", e.Alarm, e.Reason)
	case journal.AlarmReturned:
		if e.State == isa.Unacknowledged {
			return fmt.Sprintf("%s is still active: %s", e.Alarm, e.Reason)
		}
	case journal.CohortBegan:
		return fmt.Sprintf("%s begins in %s as %s", e.Cohort, e.Place, e.Stage)
	case journal.CohortStage:
		return fmt.Sprintf("%s in %s is at stage %s", e.Cohort, e.Place, e.Stage)
	case journal.CohortMoved:
		return fmt.Sprintf("%s has moved to %s", e.Cohort, e.Place)
	case journal.CommandRefused:
		return fmt.Sprintf("refused (%s): %s", e.Text, e.Reason)
	case journal.ClockStepped:
		return e.Text
	}
	return ""
}

// raised describes a raised alarm: priority, value, limit, start, and the enclosures that a room's alarm covers.
func (c console) raised(e *journal.Entry) string {
	if e.State.Silenced() {
		return "" // covered by another alarm, or silenced by a person
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%-8s %s", strings.ToUpper(e.Priority), e.Alarm)
	if e.Value != nil {
		fmt.Fprintf(&b, ": %s", c.value(e, *e.Value))
		if e.Setpoint != nil {
			fmt.Fprintf(&b, ", limit %s", c.value(e, *e.Setpoint))
		}
	}
	if e.Since != nil {
		fmt.Fprintf(&b, ", since %s", c.clock(*e.Since))
	}
	if e.Reason != "" {
		fmt.Fprintf(&b, " (%s)", e.Reason)
	}
	if len(e.Names) > 0 {
		fmt.Fprintf(&b, "; it speaks for %s", strings.Join(e.Names, ", "))
	}
	return b.String()
}

// value writes a value of the alarm's quantity in the keeper's unit.
func (c console) value(e *journal.Entry, v float64) string {
	parts := strings.Split(e.Alarm, "/")
	if len(parts) != 3 || math.IsNaN(v) {
		return ""
	}
	q, err := quantity.Parse(parts[1])
	if err != nil {
		return ""
	}
	return q.Keeper(c.temperature).Print(v, q.Decimals())
}
