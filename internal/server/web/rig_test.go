package web_test

import (
	"context"
	"iter"
	"log/slog"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/configs"
	"dewline/dashboards"
	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
	"dewline/internal/server/web"
	"dewline/internal/sim"
	"dewline/internal/store"
	"dewline/sensors"
)

// The rig is the invented North Loft with two months behind it: the physics of internal/sim, its sensors with their noise,
// and the real core. Only the store is left out, which is a slice here. The past is computed once and shared; each test has
// its own present.

const (
	pastDays    = 62
	pastEvery   = time.Minute
	futureEvery = 10 * time.Second
	futureFor   = 30 * time.Minute
)

// past is what all rigs begin with.
type past struct {
	site     watch.Site
	config   *config.Site
	at       time.Time
	readings map[quantity.Point][]store.Sample
	journal  []journal.Entry
	snapshot []byte
	health   map[string]status.SensorHealth
	future   []moment
}

// moment is what comes after the past, one step at a time.
type moment struct {
	at       time.Time
	readings map[quantity.Point]float64
	failures map[string]string
}

// deadProbe failed an hour before the present and stays so; lostProbe was away for five hours three days ago.
const (
	deadProbe = "tub-7-probe"
	lostProbe = "tub-3-probe"
)

var thePast = sync.OnceValues(makePast)

func makePast() (*past, error) {
	loaded, problems := config.LoadFS(configs.Files, "north-loft.yaml")
	if err := problems.Err(); err != nil {
		return nil, err
	}
	location := loaded.Location
	present := sim.DemoStart(location).Add(110 * time.Minute)
	begin := present.AddDate(0, 0, -pastDays)
	day := func(month time.Month, d, hour int) time.Time {
		return time.Date(2026, month, d, hour, 0, 0, 0, location)
	}
	for i := range loaded.Cohorts {
		switch loaded.Cohorts[i].ID {
		case "a-2026":
			loaded.Cohorts[i].Stages = []care.Since{{Stage: care.Egg, At: day(5, 20, 0)}, {Stage: care.Larva, At: day(6, 3, 0)}}
		case "b-2026":
			loaded.Cohorts[i].Stages = []care.Since{{Stage: care.Metamorph, At: day(6, 10, 0)}}
		}
	}
	p := &past{config: loaded, site: assemble.Site(loaded), at: present, readings: map[quantity.Point][]store.Sample{}, health: map[string]status.SensorHealth{}}

	room := sim.NorthLoft(sim.DemoStart(location), 1, p.site.Light)
	room.Start = begin
	room.Weather.Spells = append(room.Weather.Spells, sim.Spell{From: day(6, 18, 12), To: day(6, 21, 20), Kelvin: 7})
	room.Failures = append(room.Failures, sim.Span{From: day(6, 20, 11), To: day(6, 20, 16)})
	room.Vivaria[1].Stuck = []sim.Span{{From: day(7, 9, 0), To: day(7, 11, 0)}}
	now := begin
	world := sim.NewWorld(sim.New(room), func() time.Time { return now })
	probes, feeds := probesOf(world, loaded, present)

	core := watch.New(p.site, "rig")
	keep := func(effects []watch.Effect) {
		for _, e := range effects {
			if e.Kind == watch.Record || e.Kind == watch.Refused {
				p.journal = append(p.journal, *e.Entry)
			}
		}
	}
	keep(core.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(begin), Run: "rig"}, nil))
	orders := ordersOf(room, begin, present, day)
	for ; !now.After(present); now = now.Add(pastEvery) {
		for len(orders) > 0 && !orders[0].at.After(now) {
			keep(core.Step(watch.Event{Kind: watch.CommandEvent, At: instant.Of(now), Command: &orders[0].command}, nil))
			orders = orders[1:]
		}
		m := readAll(now, probes, feeds)
		keep(fold(core, p.site, m))
		if local := now.In(location); local.Minute() == 0 && (local.Hour() == 8 || local.Hour() == 21) {
			for _, a := range core.Alarms() { // the keeper's round: what waits is looked at
				if a.Letter == isa.Unacknowledged || a.Letter == isa.ReturnedUnacknowledged {
					keep(core.Step(watch.Event{Kind: watch.CommandEvent, At: instant.Of(now), Command: &watch.Command{
						Verb: watch.Acknowledge, Alarm: a.Name, Occurrence: a.Occurrence, By: "Ines",
					}}, nil))
				}
			}
		}
		record(core, m.at, m.readings, p.readings)
		for _, s := range probes {
			h := p.health[s.id]
			if h.Reads == nil {
				h = status.SensorHealth{ID: s.id, Driver: s.driver, Where: s.where, Part: s.part, Reads: map[string]uint64{"ok": 0}}
			}
			if failure, bad := m.failures[s.id]; bad {
				h.LastError, h.LastKind = failure, "timeout"
				h.Failures++
				h.Reads["timeout"]++
			} else {
				h.LastSuccess, h.LastKind, h.Failures = now, "", 0
				h.Reads["ok"]++
			}
			p.health[s.id] = h
		}
	}
	p.at = now.Add(-pastEvery)
	for end := p.at.Add(futureFor); now.Before(end); now = now.Add(futureEvery) {
		p.future = append(p.future, readAll(now, probes, feeds))
	}
	var err error
	p.snapshot, err = core.Snapshot()
	return p, err
}

type probe struct {
	*sim.Probe
	id, driver, part, where string
	feeds                   map[sensors.Channel]quantity.Point
}

// probesOf makes the sensors of the configuration. Where two feed one point the first one does.
func probesOf(world *sim.World, site *config.Site, present time.Time) ([]probe, map[string][]quantity.Point) {
	var probes []probe
	feeds, fed := map[string][]quantity.Point{}, map[quantity.Point]bool{}
	for i := range site.Sensors {
		s := &site.Sensors[i]
		own := map[sensors.Channel]quantity.Point{}
		for channel, point := range s.Feeds {
			if !fed[point] {
				own[channel], fed[point] = point, true
			}
		}
		o := sim.SensorOptions{ID: s.ID, Seed: 7, Feeds: own}
		switch s.ID {
		case deadProbe:
			o.Faults = []sim.Fault{{Span: sim.Span{From: present.Add(-time.Hour), To: present.Add(24 * time.Hour)}, Kind: sensors.Timeout}}
		case lostProbe:
			lost := present.Add(-72 * time.Hour)
			o.Faults = []sim.Fault{{Span: sim.Span{From: lost, To: lost.Add(5 * time.Hour)}, Kind: sensors.Timeout}}
		}
		where := s.Address
		if s.Bus != "" {
			where = s.Bus
		}
		probes = append(probes, probe{sim.NewSensor(world, o), s.ID, s.Driver, strings.ToUpper(s.Driver), where, own})
		feeds[s.ID] = slices.Collect(maps.Values(own))
	}
	return probes, feeds
}

// order is a command given in the past.
type order struct {
	at      time.Time
	command watch.Command
}

func ordersOf(room sim.Options, begin, present time.Time, day func(time.Month, int, int) time.Time) []order {
	orders := []order{
		{day(5, 20, 9), watch.Command{Verb: watch.WriteNote, Place: "tub-1", Text: "clutch of 34 eggs moved to tub 1 (invented)", By: "Ines"}},
		{day(6, 3, 8), watch.Command{Verb: watch.WriteNote, Place: "tub-1", Text: "first larvae swim free (invented)", By: "Ines"}},
		{day(7, 6, 10), watch.Command{Verb: watch.SetStage, Cohort: "b-2026", Stage: "juvenile", By: "Ines", Reason: "all tails gone"}},
		{day(7, 11, 9), watch.Command{Verb: watch.WriteNote, Place: "vivarium-1", Text: "mister was stuck: nozzle cleaned (invented)", By: "Tomas"}},
		{day(7, 13, 18), watch.Command{Verb: watch.WriteNote, Place: "loft", Text: "hot day forecast: shade cloth on the west window (invented)", By: "Ines"}},
	}
	for at := begin; at.Before(present); at = at.AddDate(0, 0, 1) {
		for _, v := range room.Vivaria {
			for _, minute := range v.Mistings {
				year, month, d := at.Date()
				when := time.Date(year, month, d, 0, minute, 0, 0, at.Location())
				stuck := slices.ContainsFunc(v.Stuck, func(s sim.Span) bool { return !when.Before(s.From) && when.Before(s.To) })
				if !stuck && when.After(begin) && when.Before(present) {
					orders = append(orders, order{when, watch.Command{Verb: watch.RecordMist, Place: v.Place, For: 20 * time.Second, By: "timer"}})
				}
			}
		}
	}
	slices.SortStableFunc(orders, func(a, b order) int { return a.at.Compare(b.at) })
	return orders
}

func readAll(now time.Time, probes []probe, _ map[string][]quantity.Point) moment {
	m := moment{at: now, readings: map[quantity.Point]float64{}, failures: map[string]string{}}
	for _, s := range probes {
		reading, err := s.Read(context.Background())
		if err != nil {
			m.failures[s.id] = err.Error()
			continue
		}
		for _, v := range reading.Values {
			m.readings[s.feeds[v.Channel]] = v.Value
		}
	}
	return m
}

// fold takes one moment into the core.
func fold(core *watch.Core, site watch.Site, m moment) []watch.Effect {
	var effects []watch.Effect
	at := instant.Of(m.at)
	if core.Due(at) {
		effects = core.Step(watch.Event{Kind: watch.TickEvent, At: at}, effects)
	}
	for i := range site.Sensors {
		effects = core.Step(watch.Event{Kind: watch.SensorEvent, At: at, Sensor: int32(i), Failure: m.failures[site.Sensors[i].ID]}, effects)
	}
	for i, p := range core.Points() {
		if v, ok := m.readings[p]; ok {
			effects = core.Step(watch.Event{Kind: watch.ReadingEvent, At: at, Point: int32(i), Value: v, Flag: quantity.Pass}, effects)
		}
	}
	return effects
}

// record keeps the readings of a moment, and what the core derived from them.
func record(core *watch.Core, now time.Time, measured map[quantity.Point]float64, into map[quantity.Point][]store.Sample) {
	at := instant.Of(now)
	for i, p := range core.Points() {
		v, ok := measured[p]
		if p.Quantity.Derived() {
			s := core.State(int32(i))
			v, ok = s.Value, s.LastReading == at
		}
		if ok {
			into[p] = append(into[p], store.Sample{At: at, Value: v, Flag: quantity.Pass})
		}
	}
}

// rig is a running site.
type rig struct {
	*past
	mu       sync.Mutex
	core     *watch.Core
	now      time.Time
	readings map[quantity.Point][]store.Sample
	journal  []journal.Entry
	future   []moment
	current  status.Current
	panels   []status.Panel
	broken   error // what the history answers with, if anything
	asked    int
}

func newRig(t testing.TB) *rig {
	p, err := thePast()
	require.NoError(t, err)
	r := &rig{past: p, core: watch.New(p.site, "rig"), now: p.at, readings: map[quantity.Point][]store.Sample{}, journal: slices.Clip(p.journal), future: p.future}
	require.NoError(t, r.core.Restore(p.snapshot))
	for point, readings := range p.readings {
		r.readings[point] = slices.Clip(readings)
	}
	r.publish()
	return r
}

// withPanels puts the panels of the configuration in force.
func (r *rig) withPanels() *rig {
	for _, p := range r.config.Panels {
		r.panels = append(r.panels, status.Panel{Title: p.Title, Span: p.Span, Charts: p.Charts})
	}
	r.publish()
	return r
}

// advance lets one step of the future happen.
func (r *rig) advance() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.future) == 0 {
		return
	}
	m := r.future[0]
	r.future, r.now = r.future[1:], m.at
	r.keep(fold(r.core, r.site, m))
	record(r.core, m.at, m.readings, r.readings)
	r.publish()
}

func (r *rig) keep(effects []watch.Effect) {
	for _, e := range effects {
		if e.Kind == watch.Record || e.Kind == watch.Refused {
			r.journal = append(r.journal, *e.Entry)
		}
	}
}

func (r *rig) publish() {
	picture := &status.Snapshot{
		Site: r.site.ID, Run: "rig", At: r.now, Started: r.now.AddDate(0, 0, -pastDays), Display: quantity.Fahrenheit, Location: r.site.Location,
		Confirmed: true, Panels: r.panels, Alarms: r.core.Alarms(), Animals: r.core.Animals(), ReloadOK: true, Titles: map[string]string{},
		Notifiers: []status.NotifierHealth{
			{Name: "mqtt", Connected: true, Sent: 412},
			{Name: "webhook", LastError: "dial tcp: lookup push.example: no such host", Pending: 3, Oldest: r.now.Add(-40 * time.Minute), Sent: 27},
		},
	}
	for i := range r.config.Places {
		picture.Titles[r.config.Places[i].ID] = r.config.Places[i].Title
	}
	for i := range r.core.Points() {
		picture.Points = append(picture.Points, r.core.State(int32(i)))
	}
	for i := range r.config.Sensors {
		h := r.health[r.config.Sensors[i].ID]
		if h.Failures == 0 {
			h.LastSuccess = r.now
		}
		picture.Sensors = append(picture.Sensors, h)
	}
	r.current.Set(picture)
}

// command is what the daemon's loop does with a command.
func (r *rig) command(_ context.Context, cmd watch.Command) (control.Response, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	effects := r.core.Step(watch.Event{Kind: watch.CommandEvent, At: instant.Of(r.now), Command: &cmd}, nil)
	response := control.Response{Done: true, Changed: len(effects) > 0}
	for _, e := range effects {
		if e.Kind == watch.Refused {
			response = control.Response{Reason: e.Entry.Reason}
		}
	}
	r.keep(effects)
	r.publish()
	return response, nil
}

func (r *rig) of(point quantity.Point, from, to instant.Instant) ([]store.Sample, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.asked++
	all := r.readings[point]
	at := func(when instant.Instant) int {
		i, _ := slices.BinarySearchFunc(all, when, func(x store.Sample, t instant.Instant) int { return int(min(max(x.At-t, -1), 1)) })
		return i
	}
	first, last := at(from), at(to)
	return all[first:max(first, last)], r.broken
}

// Readings implements web.History.
func (r *rig) Readings(_ context.Context, point quantity.Point, from, to instant.Instant) iter.Seq2[store.Sample, error] {
	return func(yield func(store.Sample, error) bool) {
		readings, err := r.of(point, from, to)
		if err != nil {
			yield(store.Sample{}, err)
			return
		}
		for _, x := range readings {
			if !yield(x, nil) {
				return
			}
		}
	}
}

// Columns implements web.History.
func (r *rig) Columns(_ context.Context, point quantity.Point, from, to instant.Instant, n int) ([]store.Column, error) {
	readings, err := r.of(point, from, to)
	columns := make([]store.Column, n)
	for _, x := range readings {
		c := &columns[int(float64(x.At-from)/float64(to-from)*float64(n))]
		if c.Count == 0 {
			c.Min, c.Max = x.Value, x.Value
		}
		c.Min, c.Max = min(c.Min, x.Value), max(c.Max, x.Value)
		c.Mean = (c.Mean*float64(c.Count) + x.Value) / float64(c.Count+1)
		c.Count++
	}
	return columns, err
}

// Journal implements web.History.
func (r *rig) Journal(_ context.Context, f store.Filter) ([]*journal.Entry, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if f.Limit == 0 {
		f.Limit = 200
	}
	var found []*journal.Entry
	for _, e := range slices.Backward(r.journal) {
		open := func(t instant.Instant) bool { return t == 0 || t.IsNone() }
		if len(found) < f.Limit && (open(f.From) || e.At >= f.From) && (open(f.To) || e.At < f.To) && (f.Place == "" || e.Place == f.Place) &&
			(f.Before == 0 || e.Seq < f.Before) && (len(f.Kinds) == 0 || slices.Contains(f.Kinds, e.Kind)) {
			found = append(found, &e)
		}
	}
	return found, r.broken
}

// watched is the site with the animals of the moment.
func (r *rig) watched() *watch.Site {
	site := r.site
	site.Intervals = r.current.Get().Animals
	return &site
}

func (r *rig) options(t testing.TB) web.Options {
	return web.Options{
		Listen: "127.0.0.1:0", Current: &r.current, Metrics: metricsHandler(), Healthy: func() error { return nil },
		Site:    r.watched,
		Command: r.command, History: r, Rehearser: newTrials(), Pages: dashboards.Pages(), Log: slog.New(slog.NewTextHandler(t.Output(), nil)),
	}
}

// serve opens the web server until the test ends and returns its address.
func (r *rig) serve(t testing.TB, o web.Options) string {
	server, _ := r.serveUntil(t, o)
	return "http://" + server.Addr()
}

// serveUntil opens the web server until stop is called, or the test ends.
func (r *rig) serveUntil(t testing.TB, o web.Options) (server *web.Server, stop func()) {
	server, err := web.Listen(o)
	require.NoError(t, err)
	var wait sync.WaitGroup
	wait.Go(func() { _ = server.Serve() })
	stop = sync.OnceFunc(func() {
		_ = server.Close()
		wait.Wait()
	})
	t.Cleanup(stop)
	return server, stop
}

// live lets the site go on, one step a second, until the test ends.
func (r *rig) live(t testing.TB) {
	ctx := t.Context()
	var wait sync.WaitGroup
	wait.Go(func() {
		ticker := time.NewTicker(time.Second)
		defer ticker.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-ticker.C:
				r.advance()
			}
		}
	})
	t.Cleanup(wait.Wait)
}

// breathe lets the site give signs of life, with nothing new, until the test ends.
func (r *rig) breathe(t testing.TB) {
	ctx := t.Context()
	var wait sync.WaitGroup
	wait.Go(func() {
		ticker := time.NewTicker(time.Second)
		defer ticker.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-ticker.C:
				r.mu.Lock()
				same := *r.current.Get()
				r.current.Set(&same)
				r.mu.Unlock()
			}
		}
	})
	t.Cleanup(wait.Wait)
}

// waiting returns the most pressing alarm that waits for a person.
func (r *rig) waiting(t testing.TB) watch.AlarmState {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, priority := range []care.Priority{care.CriticalPriority, care.HighPriority} {
		for _, a := range r.core.Alarms() {
			if a.Letter == isa.Unacknowledged && a.Priority == priority {
				return a
			}
		}
	}
	require.Fail(t, "no alarm waits in the rig")
	return watch.AlarmState{}
}

func (r *rig) alarm(t testing.TB, name string) watch.AlarmState {
	r.mu.Lock()
	defer r.mu.Unlock()
	a, ok := r.core.Alarm(name)
	require.True(t, ok)
	return a
}

// yearOf answers with a made-up year, however long the range is.
type yearOf struct{ *rig }

// Columns implements web.History.
func (y yearOf) Columns(_ context.Context, _ quantity.Point, _, _ instant.Instant, n int) ([]store.Column, error) {
	columns := make([]store.Column, n)
	for i := range columns {
		mean := 22 + 4*math.Sin(float64(i)/float64(n)*2*math.Pi) + math.Sin(float64(i))
		columns[i] = store.Column{Count: 100, Min: mean - 1, Max: mean + 1.4, Mean: mean}
	}
	return columns, nil
}
