package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"runtime"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver"
	"dewline/internal/server/status"
	"dewline/internal/store"
)

// loop owns the chain. Its fields belong to the goroutine that runs it; what the other parts may use is in common.
type loop struct {
	*common
	site      *config.Site
	chain     pipeline.Pipeline
	samples   chan stamped
	recorder  *recorder
	sources   *sources
	mqtt      *mqttService
	senders   *senders
	servers   *servers
	notifiers *notifierWatch
	export    *export
	health    sensorHealth
	present   *present
	refusals  refusals
	about     status.Snapshot // what each snapshot begins with
}

// The capacities of the loop's channels. A sensor worker that finds its channel full waits, so that nothing is lost.
const (
	sampleRoom  = 1024
	commandRoom = 64
)

func newLoop(o Options, site *config.Site, run string) *loop {
	shared := &common{options: o, id: run, clock: guardedClock{clock: o.Clock}, commands: make(chan commandMessage, commandRoom)}
	l := &loop{
		common: shared, samples: make(chan stamped, sampleRoom), chain: pipeline.Pipeline{Rules: notify.New(nil)},
		notifiers: &notifierWatch{common: shared, queues: map[string]*trackedQueue{}},
		about:     status.Snapshot{Run: run, Calls: status.Calls{}},
	}
	l.export = &export{common: shared}
	l.present = &present{common: shared, chain: &l.chain, directions: directions{}}
	l.install(site)
	return l
}

// install puts a configuration in force, around a new core.
func (l *loop) install(site *config.Site) {
	l.site = site
	l.inForce.Store(site)
	watched := assemble.Site(site)
	if site.History.Path != "" {
		watched.Components = []watch.Component{historyComponent: {ID: journal.HistoryComponent, FaultAfter: 2 * commitEvery}}
	}
	watched.Components = l.notifiers.install(site, watched.Components)
	l.watched.Store(&watched)
	titles := map[string]string{}
	for _, p := range site.Places {
		titles[p.ID] = p.Title
	}
	l.titles.Store(&titles)
	l.chain.Configure(watched, l.id)
	l.chain.Rules.Daily(site.Digest)
	l.chain.Core.ReportDerived()
	l.present.points = l.chain.Core.Points()
	l.health = l.health.of(site)
	l.about.Panels = nil
	for _, p := range site.Panels {
		l.about.Panels = append(l.about.Panels, status.Panel{Title: p.Title, Span: p.Span, Charts: p.Charts})
	}
	l.about.Site, l.about.Display, l.about.Location, l.about.Titles = site.ID, site.Display.Temperature, site.Location, titles
}

// run starts everything, serves until ctx ends, and stops everything.
func (l *loop) run(ctx context.Context) error {
	log := l.options.Log
	l.clock.confirmed = l.clock.synchronised()
	if l.clock.look(l.clock.confirmed); l.clock.absurd {
		l.clock.warnAbsurd(log)
	}

	l.recorder = openRecorder(l.common, &l.site.History)
	l.notifiers.open = l.recorder.queue
	var err error
	if l.mqtt, err = openMQTT(l.common, l.site, l.notifiers.queue(mqttNotifier)); err != nil {
		log.Error("a notifier is missing", "err", err)
	}
	if err := l.openSenders(); err != nil {
		log.Error("a notifier is missing", "err", err)
	}
	if err := l.resume(ctx); err != nil {
		log.Error("the state of the last run could not be restored from the history", "err", err)
	}
	if animals, err := l.recorder.animals(ctx); err != nil {
		log.Error("what is on record of the animals could not be read from the journal", "err", err)
	} else {
		l.chain.Core.Remember(animals)
	}
	if sensors, err := l.recorder.sensors(ctx); err != nil {
		log.Error("the calibrations on record could not be read from the journal: those of the configuration are in force", "err", err)
	} else {
		l.chain.Core.RememberSensors(sensors)
	}
	l.resumeClock()
	l.about.Started = l.clock.Now()
	l.about.Reloaded, l.about.ReloadOK = l.about.Started, true
	l.step(watch.Event{Kind: watch.StartEvent, At: l.now(), Run: l.id, Unconfirmed: !l.clock.confirmed, Clock: l.clock.clockOffset()})
	l.pass(l.chain.Core.FollowConfiguration(l.now()))
	if err := l.startSources(); err != nil {
		return err
	}
	l.publish()
	if l.servers, err = openServers(l.common, l.site, l.recorder.store); err != nil {
		log.Error("a local server is missing", "err", err)
	}
	l.mqtt.start()
	l.senders.start()
	l.export.start(l.site, l.recorder)
	l.open()
	l.options.Notify("READY=1")
	log.Info("watching", "site", l.site.ID, "run", l.id, "points", len(l.present.points), "sensors", len(l.site.Sensors))
	l.options.Ready(l.servers.addresses(l.mqtt.address()))

	l.serve(ctx)

	l.options.Notify("STOPPING=1")
	log.Info("stopping", "reason", context.Cause(ctx))
	l.sources.stop(log)
	l.step(watch.Event{Kind: watch.TickEvent, At: l.now()})
	l.pass(l.chain.Core.Stop(l.now()))
	l.publish()
	l.servers.close()
	l.export.stop()
	l.senders.stop()
	l.mqtt.stop()
	l.recorder.close(l.chain.Core)
	return nil
}

// resume continues from what the last run has recorded: the state of the core, the notifications, and the readings since.
func (l *loop) resume(ctx context.Context) error {
	reach, problem := l.recorder.restore(l.chain.Core)
	entries, err := l.recorder.recent(ctx, l.chain.Core.Alarms())
	if err != nil {
		err = fmt.Errorf("reading the notifications of the last run from the journal: %w", err)
	} else {
		l.chain.Resume(entries)
	}
	return errors.Join(problem, err, l.recorder.bringUpToDate(ctx, reach, &l.chain, l.commit))
}

// open passes the overview of what is watched to Options.Opening.
func (l *loop) open() {
	if l.options.Opening == nil {
		return
	}
	states := make([]watch.PointState, len(l.present.points))
	for i := range states {
		states[i] = l.chain.Core.State(int32(i))
	}
	l.options.Opening(assemble.Overview(l.site, l.clock.Now(), states, l.chain.Core.Animals()))
}

// serve is the loop: it handles one event at a time until ctx ends.
func (l *loop) serve(ctx context.Context) {
	ticker := time.NewTicker(l.options.Clock.Real(time.Second))
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case s := <-l.samples:
			l.takeAll(s)
		case m := <-l.commands:
			l.checkClock()
			m.reply <- l.handleCommand(m)
		case <-l.options.Reload:
			l.reload()
		case err := <-l.recorder.outcome:
			l.storeEvent(l.recorder.note(err), quantity.Missing)
		case <-ticker.C:
			l.checkClock()
			l.tick()
		}
	}
}

// tick lets time pass in the pipeline, publishes a new snapshot, and reports to the service manager that the loop is alive. The samples
// that wait come first: a write to a slow card may have held up the loop for longer than the gap of a point, and a tick that went ahead of
// its readings would count the time as unknown and begin the delays of its alarms anew.
func (l *loop) tick() {
	l.takeWaiting()
	if n := l.refusals.over(l.options.Clock.Monotonic()); n > 0 {
		l.note(fmt.Sprintf("%d more refused commands were not written down, since too many came at once", n))
	}
	for _, ev := range l.notifiers.check(l.notifierStates()) {
		l.step(ev)
	}
	for _, ev := range l.notifiers.lostMessages(l.chain.Rules) {
		l.step(ev)
	}
	for _, ev := range l.export.check() {
		l.step(ev)
	}
	for _, ev := range l.present.digest(l.site, l.recorder.store) {
		l.step(ev)
	}
	l.chain.Tick(l.now())
	l.commit(l.chain.Ready())
	l.publish()
	mono := l.options.Clock.Monotonic()
	l.recorder.tick(l.chain.Core, l.now(), mono)
	for _, n := range l.recorder.news() {
		l.storeNotice(n.Text)
	}
	l.lastTick.Store(int64(mono))
	if mono >= l.nextBeat {
		l.nextBeat = mono + WatchdogEvery
		l.options.Notify("WATCHDOG=1")
	}
}

// step passes an event to the pipeline and commits what follows from it.
func (l *loop) step(ev watch.Event) {
	l.chain.Step(ev)
	l.commit(l.chain.Ready())
}

// pass commits effects that a direct call of the core has returned.
func (l *loop) pass(effects []watch.Effect) {
	l.chain.AddEffects(effects)
	l.commit(l.chain.Ready())
}

// maxAtOnce is how many samples are taken before commands and the clock get their turn.
const maxAtOnce = 64

// takeAll takes a sample and those that wait behind it, and commits what follows from all of them together: when a broker
// returns, a thousand sensors report at once, and each write to the card takes its time.
func (l *loop) takeAll(s stamped) {
	waiting := min(len(l.samples), maxAtOnce-1) // those were stamped before the look at the clock
	l.checkClock()
	l.take(l.clock.restamp(s))
	for range waiting {
		l.take(l.clock.restamp(<-l.samples)) // does not block: only the loop receives from it
	}
	l.commit(l.chain.Ready())
}

// takeWaiting takes the samples that wait at this moment.
func (l *loop) takeWaiting() {
	for waiting := len(l.samples); waiting > 0; waiting -= maxAtOnce {
		l.takeAll(<-l.samples)
	}
}

// commit carries out work. Entries are made durable, together with the messages they cause, before log, console or notifier
// gets them.
func (l *loop) commit(work pipeline.Ready) {
	var entries []*journal.Entry
	for i := range work.Effects {
		switch e := &work.Effects[i]; e.Kind {
		case watch.Record, watch.Refused:
			entries = append(entries, e.Entry)
		case watch.Notify:
			l.about.Calls[e.Entry.Priority]++
		case watch.Derived:
			point := l.present.points[e.Point]
			l.recorder.derived(point, e)
			l.present.directions.note(point, e.At, e.Value)
		}
	}
	if entries == nil {
		return
	}
	l.notifiers.expectTests(entries)
	items := append(l.mqtt.items(entries), l.senders.items(work.Deliveries)...)
	l.recorder.record(entries, items, l.chain.Core)
	l.send(items)
	for _, e := range entries {
		logEntry(&l.options, e)
		console{l.options.Console, l.about.Display, l.about.Location}.entry(e)
	}
	if l.chain.Line != nil {
		l.publish()
	}
}

// send hands messages to their notifiers, and lets these go first: what else follows from an alarm can wait, the log too, which may be slow.
func (l *loop) send(items []store.OutboxItem) {
	for _, i := range items {
		var notifier interface{ Add(item deliver.Item) error } = l.senders.senders[i.Notifier]
		if i.Notifier == mqttNotifier {
			notifier = l.mqtt.connection.out
		}
		if err := notifier.Add(i.Item); err != nil {
			l.options.Log.Error("a message was not queued", "notifier", i.Notifier, "event", i.Event, "err", err)
		}
	}
	runtime.Gosched()
}

func logEntry(o *Options, e *journal.Entry) {
	attributes := []any{"seq", e.Seq, "kind", string(e.Kind)}
	for _, pair := range [][2]string{
		{"alarm", e.Alarm}, {"state", string(e.State)}, {"priority", e.Priority}, {"occurrence", e.Occurrence}, {"cohort", e.Cohort},
		{"place", e.Place}, {"by", e.By}, {"reason", e.Reason},
	} {
		if pair[1] != "" {
			attributes = append(attributes, pair[0], pair[1])
		}
	}
	level := slog.LevelInfo
	if e.Kind == journal.AlarmRaised && o.Console == nil { // with a console a person sees it there
		level = slog.LevelWarn
	}
	o.Log.Log(context.Background(), level, "journal", attributes...)
}

// take passes a sample to the pipeline, and its readings to the recorder and to MQTT.
func (l *loop) take(s intake.Sample) {
	outcome, err := l.chain.Take(s)
	if err != nil {
		l.options.Log.Error("a sample was not understood", "sensor", s.Sensor, "err", err)
		return
	}
	worst := outcome.Worst()
	index, _ := l.chain.Sensor(s.Sensor)
	l.health.note(int(index), l.sources.description(s.Sensor), s.At, &worst, l.options.Log)
	for i := range outcome.Amendments {
		l.recorder.amend(&outcome.Amendments[i])
	}
	for i := range outcome.Readings {
		r := &outcome.Readings[i]
		l.recorder.reading(r)
		if r.Flag.Usable() {
			l.present.directions.note(r.Point, r.At, r.Value)
		}
		l.mqtt.reading(r)
	}
}

// publish makes a new snapshot of the site, swaps it in, and passes it to MQTT.
func (l *loop) publish() {
	p := new(status.Snapshot)
	*p = l.about
	p.At, p.Confirmed, p.ClockSteps = l.clock.Now(), l.clock.confirmed, l.clock.steps
	p.Alarms, p.Late, p.Animals = l.chain.Core.Alarms(), l.chain.Core.Late(), l.chain.Core.Animals()
	p.Points = make([]watch.PointState, len(l.present.points))
	for i := range p.Points {
		p.Points[i] = l.chain.Core.State(int32(i))
	}
	p.Calibrations, _ = l.chain.Core.Calibrations()
	p.Sensors, p.Notifiers = l.health.copied(), l.notifierStates()
	if since, flood := l.chain.Rules.Flood(); flood {
		p.FloodSince = since.Time()
	}
	p.Calls, p.History, p.Export = maps.Clone(l.about.Calls), l.recorder.state(), l.export.state()
	site := l.site
	p.Overview = func() (watched, unwatched []string) {
		overview := assemble.Overview(site, p.At, p.Points, p.Animals)
		return overview.Lines()
	}
	watched := *l.watched.Load()
	watched.Intervals = p.Animals
	l.watched.Store(&watched)
	l.current.Set(p)
	l.mqtt.snapshot(p)
}

// notifierStates returns the health of all notifiers of the configuration.
func (l *loop) notifierStates() []status.NotifierHealth {
	return l.notifiers.states(append(l.mqtt.states(), l.senders.states()...))
}

// openSenders makes the notifiers of the configuration, and the rules by which they get alarms.
func (l *loop) openSenders() (err error) {
	l.senders, err = openSenders(l.common, l.site, l.notifiers, l.present.formatter(l.site))
	l.chain.Rules.Configure(l.senders.rules)
	l.chain.Rules.Tests(weeklyTests(l.site))
	return err
}
