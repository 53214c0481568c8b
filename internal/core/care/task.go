package care

import (
	"fmt"
	"strings"
	"time"
)

// Task is something to do for the animals of a stage.
type Task struct {
	Do     string        // one of [CommonTasks], or the profile's own word
	Every  time.Duration // 0: once
	After  time.Duration // since the stage began; until then there is nothing to do
	Until  time.Duration // since the stage began; 0: to its end
	Rotate []string      // what takes turns, such as kinds of food
	Note   string        // how, in a sentence
	Source string        // where interval and note come from
}

// CommonTasks are the words for what is done in most rooms.
var CommonTasks = []string{"feed", "mist", "change-water", "top-up", "drain", "look", "clean-mister", "check-sensor"}

// Together reports whether two tasks can be open at one time of a stage.
func (t *Task) Together(other *Task) bool {
	return (t.Until == 0 || other.After < t.Until) && (other.Until == 0 || t.After < other.Until)
}

// String says what to do and how often, such as "feed every 2 d, not before 5 d at this stage, in turn leaf / powder".
func (t *Task) String() string {
	b := &strings.Builder{}
	b.WriteString(strings.ReplaceAll(t.Do, "-", " "))
	if t.Every > 0 {
		fmt.Fprintf(b, " every %s", daysOf(t.Every))
	} else {
		b.WriteString(" once")
	}
	if t.After > 0 {
		fmt.Fprintf(b, ", not before %s at this stage", daysOf(t.After))
	}
	if t.Until > 0 {
		fmt.Fprintf(b, ", until %s at this stage", daysOf(t.Until))
	}
	if len(t.Rotate) > 0 {
		fmt.Fprintf(b, ", in turn %s", strings.Join(t.Rotate, " / "))
	}
	return b.String()
}

// daysOf writes a length in days where it is a day or more and whole, else in hours.
func daysOf(d time.Duration) string {
	const day = 24 * time.Hour
	if d >= day && d%day == 0 {
		return fmt.Sprintf("%d d", d/day)
	}
	return fmt.Sprintf("%g h", d.Hours())
}
