package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"sync/atomic"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/auth"
	"dewline/internal/server/status"
)

// follower gets what happens, in order, from the loop. Its methods must not block: slow work goes into a queue of its own.
type follower interface {
	reading(r *intake.Reading)
	entry(e *journal.Entry)
	snapshot(p *status.Snapshot)
}

// loop owns the chain. Its fields belong to the goroutine that runs it, except current and those marked otherwise.
type loop struct {
	options Options
	site    *config.Site
	chain   pipeline.Pipeline
	health  []status.SensorHealth
	id      string // of this run

	samples  chan stamped
	commands chan commandMessage
	current  status.Current             // read from anywhere
	watched  atomic.Pointer[watch.Site] // read from anywhere
	titles   atomic.Pointer[map[string]string]

	claims        *claims
	clock         guardedClock
	confirmed     bool
	steps         time.Duration
	started       time.Time
	reloaded      time.Time
	reloadOK      bool
	calls         status.Calls
	console       console
	points        []quantity.Point // of the core, by index
	recorder      *recorder
	followers     []follower
	sources       *sources
	mqtt          *mqttService
	senders       *senders
	access        *auth.Authenticator
	servers       *servers
	notifiers     []notifierHealth
	queues        map[string]*trackedQueue // by notifier
	storeFailures []string                 // failures of the store logged since it worked last
	directions    directions
	refusals      refusals
	lost          lostMessages
	lastTick      atomic.Int64 // monotonic nanoseconds; read from anywhere
	nextBeat      time.Duration
}

// The capacities of the loop's channels. A sensor worker that finds its channel full waits, so that nothing is lost.
const (
	sampleRoom  = 1024
	commandRoom = 64
)

func newLoop(o Options, site *config.Site, run string) *loop {
	l := &loop{
		options: o, id: run, chain: pipeline.Pipeline{Rules: notify.New(nil)}, calls: status.Calls{}, clock: guardedClock{clock: o.Clock},
		queues: map[string]*trackedQueue{}, directions: directions{},
		samples: make(chan stamped, sampleRoom), commands: make(chan commandMessage, commandRoom),
	}
	l.access = auth.New(l.sessions(site))
	l.install(site)
	return l
}

// sessions makes the sessions of the pages survive a restart: their file is beside the history.
func (l *loop) sessions(site *config.Site) auth.Options {
	if site.History.Path == "" {
		return auth.Options{}
	}
	return auth.Options{
		SessionFile: site.History.Path + ".sessions",
		Failed:      func(err error) { l.options.Log.Warn("the pages", "err", err) },
	}
}

// install puts a configuration in force, around a new core.
func (l *loop) install(site *config.Site) {
	l.site = site
	watched := site.WatchSite()
	if site.History.Path != "" {
		watched.Sensors = append(watched.Sensors, watch.SensorFeeds{ID: storeSensor, FaultAfter: 2 * commitEvery})
	}
	known := map[string]notifierHealth{}
	for _, w := range l.notifiers {
		known[w.name] = w
	}
	l.notifiers = notifiersOf(site)
	for i := range l.notifiers {
		w := &l.notifiers[i]
		w.failing, w.failure = known[w.name].failing, known[w.name].failure
		w.sensor = int32(len(watched.Sensors))
		watched.Sensors = append(watched.Sensors, watch.SensorFeeds{ID: config.ReservedSensors + w.name, FaultAfter: w.within})
	}
	l.watched.Store(&watched)
	titles := map[string]string{}
	for _, p := range site.Places {
		titles[p.ID] = p.Title
	}
	l.titles.Store(&titles)
	l.chain.Configure(watched, l.id)
	l.chain.Core.ReportDerived()
	l.points = l.chain.Core.Points()
	sensors := map[string]status.SensorHealth{}
	for _, h := range l.health {
		sensors[h.ID] = h
	}
	l.health = nil
	for i := range site.Sensors {
		c := &site.Sensors[i]
		h, ok := sensors[c.ID]
		if !ok {
			h = status.SensorHealth{ID: c.ID, Reads: map[string]uint64{}}
		}
		h.Driver = c.Driver
		l.health = append(l.health, h)
	}
	l.console = console{out: l.options.Console, temperature: site.Display.Temperature, location: site.Location}
}

// title returns the title of a place. It may be called from any goroutine.
func (l *loop) title(place string) string { return (*l.titles.Load())[place] }

// run starts everything, serves until ctx ends, and stops everything.
func (l *loop) run(ctx context.Context) error {
	log := l.options.Log
	l.confirmed = l.clock.synchronised()
	if l.clock.look(l.confirmed); l.clock.absurd {
		l.warnAbsurd()
	}

	l.recorder = openRecorder(l)
	mqttOut, err := openMQTT(l)
	if err != nil {
		log.Error("a notifier is missing", "err", err)
	}
	l.followers = []follower{mqttOut}
	if l.senders, err = openSenders(l); err != nil {
		log.Error("a notifier is missing", "err", err)
	}
	reach, err := l.recorder.restore()
	if err != nil {
		log.Error("the state of the last run could not be restored from the history", "err", err)
	}
	if entries, err := l.recorder.recent(ctx); err != nil {
		log.Error("the notifications of the last run could not be read from the journal", "err", err)
	} else {
		l.chain.Resume(entries)
	}
	if err := l.recorder.bringUpToDate(ctx, reach); err != nil {
		log.Error("the state of the last run could not be restored from the history", "err", err)
	}
	if animals, err := l.recorder.animals(ctx); err != nil {
		log.Error("what is on record of the animals could not be read from the journal", "err", err)
	} else {
		l.chain.Core.Remember(animals)
	}
	l.resumeClock()
	l.started = l.clock.Now()
	l.reloaded, l.reloadOK = l.started, true
	l.step(watch.Event{Kind: watch.StartEvent, At: l.now(), Run: l.id, Unconfirmed: !l.confirmed, Clock: l.clock.clockOffset()})
	l.pass(l.chain.Core.FollowConfiguration(l.now()))
	if err := l.startSources(); err != nil {
		return err
	}
	l.publish()
	servers, err := l.openServers()
	l.servers = servers
	if err != nil {
		log.Error("a local server is missing", "err", err)
	}
	mqttOut.start()
	l.senders.start()
	l.open()
	l.options.Notify("READY=1")
	log.Info("watching", "site", l.site.ID, "run", l.id, "points", len(l.points), "sensors", len(l.site.Sensors))
	l.options.Ready(l.addresses(servers))

	l.serve(ctx)

	l.options.Notify("STOPPING=1")
	log.Info("stopping", "reason", context.Cause(ctx))
	l.sources.stop(log)
	l.step(watch.Event{Kind: watch.TickEvent, At: l.now()})
	l.pass(l.chain.Core.Stop(l.now()))
	l.publish()
	servers.close()
	l.access.Close()
	l.senders.stop()
	mqttOut.stop()
	l.recorder.close()
	return nil
}

// open passes the overview of what is watched to Options.Opening.
func (l *loop) open() {
	if l.options.Opening == nil {
		return
	}
	states := make([]watch.PointState, len(l.points))
	for i := range l.points {
		states[i] = l.chain.Core.State(int32(i))
	}
	l.options.Opening(l.site.Overview(l.clock.Now(), states))
}

func (l *loop) addresses(f *servers) Addresses {
	a := Addresses{Broker: l.mqtt.address()}
	if f.web != nil {
		a.Web = f.web.Addr()
	}
	if f.control != nil {
		a.Socket = l.site.Control.Socket
	}
	return a
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
			l.storeReport(err)
		case <-ticker.C:
			l.checkClock()
			l.tick()
		}
	}
}

// now returns the time for events.
func (l *loop) now() instant.Instant { return instant.Of(l.clock.Now()) }

// tick lets time pass in the pipeline, publishes a new snapshot, and reports to the service manager that the loop is alive.
func (l *loop) tick() {
	l.countRefusals()
	l.checkNotifiers()
	l.recordLost()
	l.chain.Tick(l.now())
	l.commit(l.chain.Ready())
	l.publish()
	mono := l.options.Clock.Monotonic()
	l.recorder.tick(l.now(), mono, l.confirmed)
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

// commit carries out work. Entries are made durable, together with the messages they cause, before any follower or notifier
// gets them.
func (l *loop) commit(work pipeline.Ready) {
	var entries []*journal.Entry
	for i := range work.Effects {
		switch e := &work.Effects[i]; e.Kind {
		case watch.Record, watch.Refused:
			entries = append(entries, e.Entry)
		case watch.Notify:
			l.calls[e.Entry.Priority]++
		case watch.Derived:
			l.recorder.derived(e)
			l.directions.note(l.points[e.Point], e.At, e.Value)
		}
	}
	if entries == nil {
		return
	}
	for _, e := range entries {
		if e.Kind == journal.NotifierTest {
			for _, name := range e.Notifiers {
				l.queue(name).expect(e.ID())
			}
		}
	}
	l.recorder.record(entries, work.Deliveries)
	for _, e := range entries {
		l.logEntry(e)
		l.console.entry(e)
		for _, f := range l.followers {
			f.entry(e)
		}
	}
	l.senders.enqueue(work.Deliveries)
	if l.chain.Line != nil {
		l.publish()
	}
}

func (l *loop) logEntry(e *journal.Entry) {
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
	if e.Kind == journal.AlarmRaised && l.options.Console == nil { // with a console a person sees it there
		level = slog.LevelWarn
	}
	l.options.Log.Log(context.Background(), level, "journal", attributes...)
}

// take passes a sample to the pipeline, and its readings to the recorder and the followers.
func (l *loop) take(s intake.Sample) {
	outcome, err := l.chain.Take(s)
	if err != nil {
		l.options.Log.Error("a sample was not understood", "sensor", s.Sensor, "err", err)
		return
	}
	worst := outcome.Worst()
	l.noteHealth(&s, &worst)
	for i := range outcome.Amendments {
		l.recorder.amend(&outcome.Amendments[i])
	}
	for i := range outcome.Readings {
		r := &outcome.Readings[i]
		l.recorder.reading(r)
		if r.Flag.Usable() {
			l.directions.note(r.Point, r.At, r.Value)
		}
		for _, f := range l.followers {
			f.reading(r)
		}
	}
}

// noteHealth counts a read of a sensor and notes its outcome.
func (l *loop) noteHealth(s *intake.Sample, r *intake.Report) {
	index, _ := l.chain.Sensor(s.Sensor)
	h := &l.health[index]
	if d := l.sources.description(h.ID); d != nil {
		h.Part, h.Where = d.Part, d.Where
	}
	if r.Failure == "" {
		if h.Failures > 0 {
			l.options.Log.Info("a sensor is back", "sensor", h.ID, "after", h.Failures)
		}
		h.LastSuccess, h.LastError, h.LastKind, h.Failures = s.At, "", "", 0
		h.Reads["ok"]++
		return
	}
	h.LastError, h.LastKind = r.Failure, r.Kind.String()
	h.Reads[h.LastKind]++
	h.Failures++
	if h.Failures == 1 {
		l.options.Log.Warn("a sensor failed", "sensor", h.ID, "err", r.Failure)
	}
}

// publish makes a new snapshot of the site, swaps it in, and passes it to the followers.
func (l *loop) publish() {
	p := &status.Snapshot{
		Site: l.site.ID, Run: l.id, At: l.clock.Now(), Started: l.started, Display: l.site.Display.Temperature,
		Location: l.site.Location, Confirmed: l.confirmed, Alarms: l.chain.Core.Alarms(), Late: l.chain.Core.Late(), ClockSteps: l.steps,
		Reloaded: l.reloaded, ReloadOK: l.reloadOK, Titles: *l.titles.Load(),
		Animals: l.chain.Core.Animals(), Points: make([]watch.PointState, 0, len(l.points)), Sensors: make([]status.SensorHealth, 0, len(l.health)),
	}
	for i := range l.points {
		p.Points = append(p.Points, l.chain.Core.State(int32(i)))
	}
	for _, h := range l.health {
		reads := make(map[string]uint64, len(h.Reads))
		for result, n := range h.Reads {
			reads[result] = n
		}
		h.Reads = reads
		p.Sensors = append(p.Sensors, h)
	}
	p.Notifiers = l.notifierStates()
	if since, flood := l.chain.Rules.Flood(); flood {
		p.FloodSince = since.Time()
	}
	p.Calls, p.History = maps.Clone(l.calls), l.recorder.state()
	watched := *l.watched.Load()
	watched.Intervals = p.Animals
	l.watched.Store(&watched)
	l.current.Set(p)
	for _, f := range l.followers {
		f.snapshot(p)
	}
}

// healthy returns nil while the loop makes progress, otherwise what is wrong. It may be called from any goroutine.
func (l *loop) healthy() error {
	if silent := l.options.Clock.Monotonic() - time.Duration(l.lastTick.Load()); l.lastTick.Load() > 0 && silent > time.Minute {
		return fmt.Errorf("the core has not moved for %s", silent.Round(time.Second))
	}
	return nil
}
