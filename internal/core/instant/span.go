package instant

import (
	"fmt"
	"time"
)

// Span writes a length of time for people, in its two largest units: "2 h 5 min". One below zero is written as 0 s.
func Span(d time.Duration) string {
	d = max(d, 0).Round(time.Second)
	if d >= time.Hour {
		d = d.Round(time.Minute)
	}
	days, hours, minutes, seconds := d/(24*time.Hour), d/time.Hour%24, d/time.Minute%60, d/time.Second%60
	two := func(a time.Duration, unitA string, b time.Duration, unitB string) string {
		if b == 0 {
			return fmt.Sprintf("%d %s", a, unitA)
		}
		return fmt.Sprintf("%d %s %d %s", a, unitA, b, unitB)
	}
	switch {
	case days > 0:
		return two(days, "d", hours, "h")
	case hours > 0:
		return two(hours, "h", minutes, "min")
	case minutes >= 10:
		return fmt.Sprintf("%d min", minutes)
	case minutes > 0:
		return two(minutes, "min", seconds, "s")
	}
	return fmt.Sprintf("%d s", seconds)
}
