package daemon

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/isa"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/sim"
	"dewline/internal/store"
	"dewline/sensors"
)

// Backfill writes an invented past of a simulated room into the history of a site. It simulates the loft from its own start
// up to Until, reads it as the daemon does, and records the readings and what follows from them. A daemon that starts on
// that history continues from there.
type Backfill struct {
	Site  *config.Site
	Loft  *sim.Loft
	Until time.Time
	Every time.Duration // between two reads; at most the gap of the sensors
	// Mistings are recorded in the journal, one for each time of day of each place.
	Mistings map[string][]time.Time
	Notes    []watch.Command // with their At
}

// Run simulates and records the past. The history must not be in use.
func (p Backfill) Run(ctx context.Context) (err error) {
	db, err := store.Open(p.Site.History.Path, store.Options{})
	if err != nil {
		return fmt.Errorf("the invented past: %w", err)
	}
	defer func() {
		if closing := db.Close(ctx); err == nil {
			err = closing
		}
	}()
	now := p.Loft.Now()
	world := sim.NewWorld(p.Loft, func() time.Time { return now })
	l := newLoop(Options{Clock: stillClock{&now}, World: world, Log: slog.New(slog.DiscardHandler)}, p.Site, "past")
	l.recorder = &recorder{common: l.common, store: db, resolutions: map[quantity.Point]float64{}, gather: true, outcome: make(chan error, 4)}
	l.notifiers.open = l.recorder.queue
	l.mqtt, l.senders = &mqttService{common: l.common}, &senders{common: l.common}
	invented, descriptions := backfillSources(p.Site, world)
	l.sources = &sources{fed: &mqttFeeds{}, descriptions: descriptions}
	for i := range p.Site.Sensors {
		l.recorder.resolution(&p.Site.Sensors[i], descriptions[p.Site.Sensors[i].ID])
	}
	if l.chain.Line, err = assemble.Line(p.Site, descriptions); err != nil {
		return err
	}
	diary := p.diary()
	l.step(watch.Event{Kind: watch.StartEvent, At: instant.Of(now), Run: "past"})
	for nextCommit := now; now.Before(p.Until); now = now.Add(p.Every) {
		if err := ctx.Err(); err != nil {
			return err
		}
		for len(diary) > 0 && !diary[0].At.Time().After(now) {
			l.step(watch.Event{Kind: watch.CommandEvent, At: instant.Of(now), Command: &diary[0]})
			diary = diary[1:]
		}
		l.step(watch.Event{Kind: watch.TickEvent, At: instant.Of(now)})
		for _, s := range invented {
			reading, err := s.sensor.Read(ctx)
			l.take(intake.Sample{Sensor: s.id, At: now, Reading: reading, Err: err})
		}
		l.commit(l.chain.Ready())
		for _, cmd := range confirmations(l.chain.Core, instant.Of(now)) {
			l.step(watch.Event{Kind: watch.CommandEvent, At: instant.Of(now), Command: &cmd})
		}
		if now.After(nextCommit) { // rarely: a power cut costs nothing here
			nextCommit = now.Add(24 * time.Hour)
			if err := db.Record(ctx, l.recorder.gathered, nil, store.State{}); err != nil {
				return fmt.Errorf("the invented past: %w", err)
			}
			l.recorder.gathered = nil
			if err := db.Commit(ctx); err != nil {
				return fmt.Errorf("the invented past: %w", err)
			}
		}
	}
	state, err := l.chain.Core.Snapshot()
	if err != nil {
		return err
	}
	if err := db.Commit(ctx); err != nil {
		return fmt.Errorf("the invented past: %w", err)
	}
	return db.Record(ctx, l.recorder.gathered, nil, store.State{Data: state})
}

// backfillSource is a simulated sensor of the invented past.
type backfillSource struct {
	id     string
	sensor sensors.Sensor
}

// backfillSources makes the sensors of a site, and says what they are.
func backfillSources(site *config.Site, world *sim.World) (list []backfillSource, descriptions map[string]*sensors.Description) {
	descriptions = map[string]*sensors.Description{}
	for i := range site.Sensors {
		c := &site.Sensors[i]
		sensor := sim.NewSensor(world, sim.SensorOptions{ID: c.ID, Seed: 1, Feeds: c.Feeds})
		description := sensor.Describe()
		descriptions[c.ID] = &description
		list = append(list, backfillSource{c.ID, sensor})
	}
	return list, descriptions
}

// diary returns mistings and notes in the order of their times.
func (p Backfill) diary() []watch.Command {
	var all []watch.Command
	for place, times := range p.Mistings {
		for _, t := range times {
			all = append(all, watch.Command{Verb: watch.RecordMist, Place: place, At: instant.Of(t), For: 30 * time.Second, By: "mister"})
		}
	}
	all = append(all, p.Notes...)
	slices.SortStableFunc(all, func(a, b watch.Command) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Place, b.Place)) })
	return all
}

// confirmations are what the invented keeper acknowledges: what has waited for twenty minutes.
func confirmations(core *watch.Core, now instant.Instant) (commands []watch.Command) {
	for _, a := range core.Alarms() {
		waits := a.Letter == isa.Unacknowledged || a.Letter == isa.ReturnedUnacknowledged
		if waits && now.Sub(a.Raised) > 20*time.Minute {
			commands = append(commands, watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence, By: "keeper"})
		}
	}
	return commands
}

// stillClock shows the time that now points to; the owner of that variable moves it.
type stillClock struct{ now *time.Time }

func (s stillClock) Now() time.Time                     { return *s.now }
func (s stillClock) Monotonic() time.Duration           { return s.now.Sub(time.Unix(0, 0)) }
func (s stillClock) Synchronised() bool                 { return true }
func (s stillClock) Boot() string                       { return "" }
func (s stillClock) Real(d time.Duration) time.Duration { return d }
