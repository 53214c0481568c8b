package notify

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// maxDailyDelay is how late the digest of a day may be sent by a board that was off at its hour. Common practice, no published source.
const maxDailyDelay = 6 * time.Hour

// DailyDue reports whether it is time for the digest of the day, and at which hour it was to be sent. It stays due until its
// entry is recorded, so that it is neither lost in a restart nor sent twice: the recorded time does not move with clock steps, and one
// more than a day ahead comes from a wrong clock and does not count.
func (r *Rules) DailyDue(now instant.Instant) (hour instant.Instant, due bool) {
	if r.daily == nil {
		return instant.None, false
	}
	hour = r.daily.Last(now)
	sent := !r.digested.IsNone() && r.digested >= hour && r.digested.Sub(now) <= 24*time.Hour
	return hour, !sent && now.Sub(hour) <= maxDailyDelay
}

// dailyRecorded returns the deliveries of a digest of the day.
func (r *Rules) dailyRecorded(entry *journal.Entry) (deliveries []Delivery) {
	r.digested = entry.At
	for i := range r.rules {
		if rule := &r.rules[i]; rule.After == 0 && rule.listens("", care.LowPriority.String()) {
			deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: Day, Entry: entry})
		}
	}
	return deliveries
}
