package claim

import (
	"cmp"
	"fmt"
	"strings"
	"time"
)

// Error says who holds what, one line for each holder.
func (t Taken) Error() string { return t.In(time.Local) }

// In is Error with the times of a place.
func (t Taken) In(location *time.Location) string {
	var holders []Holder
	what := map[int][]string{}
	for _, c := range t {
		if what[c.Holder.PID] == nil {
			holders = append(holders, c.Holder)
		}
		what[c.Holder.PID] = append(what[c.Holder.PID], c.What)
		for i := range holders { // one of the things may know more of the holder than the others
			if h := &holders[i]; h.PID == c.Holder.PID {
				h.fill(c.Holder)
			}
		}
	}
	lines := make([]string, 0, len(holders))
	for _, h := range holders {
		lines = append(lines, h.in(location)+" holds "+list(what[h.PID]))
	}
	return strings.Join(lines, "\n")
}

func (h *Holder) fill(from Holder) {
	if h.Since.IsZero() {
		h.Since = from.Since
	}
	h.Config = cmp.Or(h.Config, from.Config)
	h.Line = cmp.Or(h.Line, from.Line)
}

func (h *Holder) in(location *time.Location) string {
	if h.PID == 0 {
		return "another process, whose number this user may not see,"
	}
	var about []string
	switch {
	case h.Config != "":
		about = append(about, "dewline with "+h.Config)
	case h.Line != "":
		about = append(about, h.Line)
	}
	if !h.Since.IsZero() {
		about = append(about, "since "+h.Since.In(location).Format("2 Jan 15:04"))
	}
	if len(about) == 0 {
		return fmt.Sprintf("process %d", h.PID)
	}
	return fmt.Sprintf("process %d (%s)", h.PID, strings.Join(about, ", "))
}

func list(things []string) string {
	if n := len(things); n > 1 {
		return strings.Join(things[:n-1], ", ") + " and " + things[n-1]
	}
	return things[0]
}
