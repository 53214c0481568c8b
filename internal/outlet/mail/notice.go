package mail

import (
	"fmt"
	"strings"

	"dewline/internal/journal"
)

// notice writes the message of an entry that is about no single call of an alarm: a summary, a test, a nuisance. Nil for any other.
func (w *Words) notice(entry *journal.Entry) *Letter {
	var mark, what, advice string
	switch entry.Kind {
	case journal.Summary:
		mark, what = "summary", "What would have been a message each"
		if entry.Reason == "flood" {
			mark, what = "MANY ALARMS", "More alarms than one can follow: one message for all of them"
		}
		advice = "  Look for what they have in common first: the power, the room, a bus of sensors.\n  dewline alarm list shows all that stand; the journal has every one of them."
	case journal.OutletTest:
		mark, what = "TEST", "A test of this outlet: no alarm"
		advice = "  Nothing is to be done. That you read this shows that alarms reach you by this way."
	case journal.Chattering, journal.Fleeting:
		mark, what = "note", "An alarm that nobody can act on"
		advice = "  Change its band in the configuration when you have time: alarms that cry for nothing are not heard any more."
	default:
		return nil
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s.\n\n", what)
	for i, part := range strings.Split(entry.Text, "; ") {
		if i > 0 {
			b.WriteString("\n")
		}
		b.WriteString(capital(longLine(part)))
	}
	fmt.Fprintf(&b, ".\n\n%-12s %s\n", "Told", w.at(entry.At))
	if entry.Kind == journal.OutletTest {
		fmt.Fprintf(&b, "%-12s %s\n", "Asked by", oneLine(entry.By))
	}
	fmt.Fprintf(&b, "\nWhat to do\n%s\n\n%s\ndewline watches and warns; it switches nothing.\n\n", advice, caution)
	fmt.Fprintf(&b, "Site %s, journal entry %s\n", oneLine(w.Site), oneLine(entry.ID()))
	first, _, _ := strings.Cut(entry.Text, ";")
	return &Letter{
		Subject: fmt.Sprintf("[%s] %s: %s", oneLine(w.Site), mark, oneLine(first)), Text: b.String(), Thread: entry.ID(),
		Urgent: entry.Kind == journal.Summary && entry.Priority == "high",
	}
}

// longLine makes text that may name many alarms fit for a message.
func longLine(text string) string {
	var parts []string
	for part := range strings.SplitSeq(text, ", ") {
		parts = append(parts, oneLine(part))
	}
	return strings.Join(parts, ",\n  ")
}
