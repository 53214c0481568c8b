package daemon

import (
	"context"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/today"
	"dewline/internal/core/watch"
	"dewline/internal/server/web"
	"dewline/internal/store"
)

const (
	// digestPatience is how long the history may take for the digest of a day; what it has not given by then is missing there.
	digestPatience = time.Minute
	// digestDoubt is how long a digest waits after the start for a clock that is known to be right: a board without a clock of its own
	// begins at the time of its last run.
	digestDoubt = 5 * time.Minute
)

// digest returns the report that sends the digest of the day, at its hour. The history is read beside the loop, which goes on
// watching; the loop then records the entry with the text, together with its messages. db may be nil.
func (p *present) digest(site *config.Site, db *store.Store) []watch.Event {
	hour, due := p.chain.Rules.DailyDue(p.now())
	picture := p.current.Get()
	switch {
	case !due, !picture.Confirmed && p.clock.Now().Sub(picture.Started) < digestDoubt:
		return nil
	case p.day == nil:
		if db == nil && hour < instant.Of(picture.Started) {
			return nil // without a history it is not known whether it was sent before the start
		}
		watched, made := p.watched.Load(), make(chan today.Today, 1)
		p.day = made
		go func() {
			ctx, cancel := context.WithTimeout(context.Background(), digestPatience)
			defer cancel()
			made <- web.DayOf(ctx, historyOf(db), watched, picture)
		}()
		return nil
	}
	select {
	case day := <-p.day:
		p.day = nil
		return []watch.Event{{Kind: watch.CommandEvent, At: p.now(), Command: &watch.Command{
			Verb: watch.Report, Kind: journal.DailyDigest, Priority: care.LowPriority, By: notify.By, Text: p.formatter(site).Digest(&day),
		}}}
	default:
		return nil
	}
}
