// Package rehearse tries other limits on the readings that a daemon has kept, beside it: one trial at a time, in a goroutine of its own that
// rests as long as it has worked, so that a board with one core goes on watching.
//
//	r := rehearse.New(rehearse.Options{Site: site, Store: db, Sources: sources, Now: now})
//	defer r.Close()
//	err := r.Start(request, "keeper")
//	state := r.State()
package rehearse

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/configs"
	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/format/rehearsal"
	"dewline/internal/replay"
	"dewline/internal/report"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
)

// Options of a runner. All are required.
type Options struct {
	Site  func() *config.Site // in force
	Store *store.Store
	// Sources are those by which the daemon of a site would judge the values of points.
	Sources func(site *config.Site, points []quantity.Point) ([]intake.Source, error)
	Now     func() instant.Instant // of the readings
}

// Runner runs one trial at a time.
type Runner struct {
	options Options

	mu     sync.Mutex
	state  rehearsal.State
	cancel context.CancelCauseFunc // of the trial that is running
	wait   sync.WaitGroup
}

// ErrBusy refuses a second trial.
var ErrBusy error = busy{}

type busy struct{}

func (busy) Error() string {
	return "other limits are being tried at this moment: wait for it, or end it"
}

// Busy says of which kind the error is, for those who do not know this package.
func (busy) Busy() bool { return true }

// errEnded is why a trial ends that a person has ended.
var errEnded = errors.New("ended by a person")

const (
	maxAsked  = 20     // bands, and profiles, of a request
	maxHeld   = 20_000 // alarms, messages and times outside of a side: some ten megabytes
	maxListed = 200    // alarms that differ
	workFor   = 20 * time.Millisecond
)

// New makes a runner.
func New(o Options) *Runner {
	return &Runner{options: o, state: rehearsal.State{State: rehearsal.None}}
}

// State returns how far the latest trial is. What it points to is not changed any more.
func (r *Runner) State() rehearsal.State {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.state
}

// Cancel ends the trial that is running, if one is.
func (r *Runner) Cancel() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.cancel != nil {
		r.cancel(errEnded)
	}
}

// Close ends the trial that is running, and waits for its end.
func (r *Runner) Close() {
	r.Cancel()
	r.wait.Wait()
}

// Start begins a trial. An error says for a person what is wrong with the request, or is [ErrBusy].
func (r *Runner) Start(asked rehearsal.Request, by string) error {
	site := r.options.Site()
	tried, err := r.tried(site, &asked)
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.cancel != nil {
		return ErrBusy
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	r.cancel = cancel
	r.state = rehearsal.State{State: rehearsal.Running, By: by, Request: &asked}
	r.wait.Go(func() {
		result, err := r.run(ctx, site, tried, &asked)
		r.mu.Lock()
		defer r.mu.Unlock()
		cancel(nil)
		r.cancel = nil
		switch {
		case errors.Is(context.Cause(ctx), errEnded):
			r.state.State = rehearsal.Ended
		case err != nil:
			r.state.State, r.state.Problem = rehearsal.Failed, err.Error()
		default:
			r.state.State, r.state.Result, r.state.Done = rehearsal.Done, result, 1
		}
	})
	return nil
}

// change is what is tried: a site with other bands and profiles, and the cohorts that have another profile.
type change struct {
	site     *config.Site
	profiles map[string]string
}

// tried applies a request to the site in force, and fills in what the request leaves as it is.
func (r *Runner) tried(site *config.Site, asked *rehearsal.Request) (*change, error) {
	switch {
	case asked.Range.Days() == 0:
		return nil, fmt.Errorf("the range is week, month or year, not %q", asked.Range)
	case len(asked.Bands)+len(asked.Profiles) == 0:
		return nil, errors.New("nothing is changed: change a limit, a delay, a deadband or a care profile")
	case len(asked.Bands) > maxAsked || len(asked.Profiles) > maxAsked:
		return nil, fmt.Errorf("more than %d changes cannot be tried at once", maxAsked)
	}
	if err := checkText(asked); err != nil {
		return nil, err
	}
	watched := r.watched(site)
	for i := range asked.Bands {
		b := &asked.Bands[i]
		q, err := quantity.Parse(b.Quantity)
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(site.Places, func(p config.Place) bool { return p.ID == b.Place }) {
			return nil, fmt.Errorf("there is no place %q", b.Place)
		}
		if slices.ContainsFunc(asked.Bands[:i], func(o rehearsal.Band) bool { return o.Place == b.Place && o.Quantity == b.Quantity }) {
			return nil, fmt.Errorf("the band of %s/%s is given twice", b.Place, b.Quantity)
		}
		now := watched.BandBy(quantity.Point{Place: b.Place, Quantity: q}, r.options.Now().Time(), true)
		asInForce(b, &now.Band, q)
	}
	read, err := parsed(asked, site)
	if err != nil {
		return nil, err
	}
	copied := *site
	made := &change{site: &copied, profiles: map[string]string{}}
	copied.Places = slices.Clone(site.Places)
	for i := range copied.Places {
		p := &copied.Places[i]
		for k := range read.Places {
			if read.Places[k].ID == p.ID {
				p.Bands = maps.Clone(p.Bands)
				if p.Bands == nil {
					p.Bands = map[quantity.Quantity]care.DayNight{}
				}
				maps.Copy(p.Bands, read.Places[k].Bands)
			}
		}
	}
	copied.Profiles = maps.Clone(site.Profiles)
	if copied.Profiles == nil {
		copied.Profiles = map[string]*care.Profile{}
	}
	maps.Copy(copied.Profiles, read.Profiles)
	for _, p := range asked.Profiles {
		if copied.Profiles[p.Profile] == nil {
			return nil, fmt.Errorf("there is no care profile %q", p.Profile)
		}
		made.profiles[p.Cohort] = p.Profile
	}
	return made, nil
}

// watched is a site as the core knows it, with the animals of the configuration.
func (r *Runner) watched(site *config.Site) watch.Site {
	return assemble.Site(site).WithRecord(r.record(context.Background()))
}

// record is the animals' record of the journal; empty where it cannot be read now.
func (r *Runner) record(ctx context.Context) []cohort.Entry {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	entries, err := report.Entries(ctx, r.options.Store, store.Filter{Kinds: cohort.Kinds()})
	if err != nil {
		return nil
	}
	return cohort.Read(entries)
}

// run compares the two sites.
func (r *Runner) run(ctx context.Context, site *config.Site, tried *change, asked *rehearsal.Request) (*rehearsal.Result, error) {
	record, err := report.Entries(ctx, r.options.Store, store.Filter{Kinds: replay.Kinds()})
	if err != nil {
		return nil, err
	}
	to := r.options.Now()
	from := report.DaysBefore(to, site.Location, asked.Range.Days())
	readings, err := replay.LongHistory(ctx, r.options.Store, from.Add(-replay.Lead), to)
	if err != nil {
		return nil, err
	}
	if readings.First.IsNone() || readings.First >= to {
		return nil, errors.New("no readings are kept of that time")
	}
	from = max(from, readings.First)
	slow(ctx, readings)
	side := func(name string, of *config.Site, profiles map[string]string) (made replay.Side, err error) {
		made = replay.Side{Name: name, Site: withProfiles(assemble.Site(of), record, profiles), Rules: assemble.Rules(of)}
		made.Judge, err = r.options.Sources(of, readings.Points)
		return made, err
	}
	before, err := side("in force", site, nil)
	if err != nil {
		return nil, err
	}
	after, err := side("tried", tried.site, tried.profiles)
	if err != nil {
		return nil, err
	}
	c, err := replay.Compare(readings, before, after, replay.Options{From: from, To: to, Most: maxHeld, Progress: r.progress})
	if errors.Is(err, replay.ErrTooMuch) {
		return nil, fmt.Errorf("%w: try a shorter time, or limits that ring less", err)
	}
	if err != nil {
		return nil, err
	}
	return resultOf(c, asked), nil
}

// withProfiles returns the site with its animals, of whom some have another care profile.
func withProfiles(site watch.Site, record []*journal.Entry, profiles map[string]string) watch.Site {
	site = replay.WithJournal(site, record)
	if len(profiles) == 0 {
		return site
	}
	site.Intervals = slices.Clone(site.Intervals)
	for i := range site.Intervals {
		if other := profiles[site.Intervals[i].Cohort]; other != "" {
			site.Intervals[i].Profile = other
		}
	}
	return site
}

func (r *Runner) progress(done, total int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.state.Done = exposure.Number(float64(done) / float64(max(1, total)))
}

// slow makes the rows of a record come in turns: after each the goroutine rests as long as it has worked. The end of ctx ends them.
func slow(ctx context.Context, readings *recorded.Stream) {
	rows := readings.Rows
	readings.Rows = func() iter.Seq2[recorded.Row, error] {
		return func(yield func(recorded.Row, error) bool) {
			began, n := time.Now(), 0
			for row, err := range rows() {
				if !yield(row, err) {
					return
				}
				if n++; n%512 != 0 {
					continue
				}
				worked := time.Since(began)
				if worked < workFor {
					continue
				}
				select {
				case <-ctx.Done():
					yield(recorded.Row{}, context.Cause(ctx))
					return
				case <-time.After(min(worked, 10*workFor)):
				}
				began = time.Now()
			}
		}
	}
}

// resultOf picks out what the page shows.
func resultOf(c *replay.Comparison, asked *rehearsal.Request) *rehearsal.Result {
	side := func(s *replay.SideReport) rehearsal.Side {
		return rehearsal.Side{Alarms: s.Alarms, ByPriority: s.ByPriority, OutsideS: s.OutsideS, Heard: s.Heard, Silent: s.Silent}
	}
	result := &rehearsal.Result{
		From: c.From, To: c.To, InForce: side(&c.InForce), Tried: side(&c.Tried), Points: []rehearsal.PointPair{}, Alarms: []rehearsal.AlarmPair{},
		Lines: Lines(asked),
	}
	for i := range c.Points {
		p := &c.Points[i]
		if p.Same {
			result.Same++
			continue
		}
		figures := func(f *exposure.Figures, alarms int) rehearsal.PointFigures {
			sum := func(zones ...watch.Zone) (s exposure.Seconds) {
				for _, z := range zones {
					s += exposure.Milliseconds(f.Seconds[z])
				}
				return s
			}
			return rehearsal.PointFigures{
				Alarms: alarms, BelowS: sum(watch.CriticalLowZone, watch.LowZone), AboveS: sum(watch.HighZone, watch.CriticalHighZone), LongestS: f.LongestExcursionS,
			}
		}
		result.Points = append(result.Points, rehearsal.PointPair{Point: p.Point.String(), InForce: figures(&p.InForce, p.Alarms[0]), Tried: figures(&p.Tried, p.Alarms[1])})
	}
	alarm := func(a *replay.AlarmReport) *rehearsal.Alarm {
		if a == nil {
			return nil
		}
		return &rehearsal.Alarm{Priority: a.Priority, Raised: a.Raised, Cleared: a.Cleared}
	}
	for _, a := range c.Alarms {
		if !a.Same {
			result.Alarms = append(result.Alarms, rehearsal.AlarmPair{Alarm: a.Alarm, InForce: alarm(a.InForce), Tried: alarm(a.Tried)})
		}
	}
	result.More = max(0, len(result.Alarms)-maxListed)
	result.Alarms = slices.Clone(result.Alarms[result.More:])
	return result
}

// Choices returns what there is to change.
func (r *Runner) Choices() rehearsal.Choices {
	site := r.options.Site()
	watched := r.watched(site)
	now := r.options.Now().Time()
	c := rehearsal.Choices{Points: []rehearsal.Point{}, Cohorts: []rehearsal.Profile{}, Profiles: configs.Profiles()}
	points := watch.New(watched, "").Points()
	slices.SortStableFunc(points, func(a, b quantity.Point) int {
		return cmp.Or(strings.Compare(a.Place, b.Place), cmp.Compare(a.Quantity, b.Quantity))
	})
	for _, p := range points {
		if p.Quantity == quantity.Pressure {
			continue
		}
		day, night := watched.BandBy(p, now, true).Band, watched.BandBy(p, now, false).Band
		made := rehearsal.Point{
			Point: p.String(), Unit: p.Quantity.Unit().Symbol(), Day: exposure.LimitsOf(&day), Night: exposure.LimitsOf(&night),
			OnDelayS: exposure.Seconds(day.OnDelayOf(care.High, p.Quantity)), CriticalOnDelayS: exposure.Seconds(day.OnDelayOf(care.CriticalHigh, p.Quantity)),
			OffDelayS: exposure.Seconds(day.OffDelay), Deadband: exposure.Number(day.Deadband),
		}
		if day.Priority != care.Unset {
			made.Priority = day.Priority.String()
		}
		c.Points = append(c.Points, made)
	}
	for i := range watched.Intervals {
		n := &watched.Intervals[i]
		if n.Holds(r.options.Now()) {
			c.Cohorts = append(c.Cohorts, rehearsal.Profile{Cohort: n.Cohort, Profile: n.Profile})
		}
	}
	for id := range site.Profiles {
		if !slices.Contains(c.Profiles, id) {
			c.Profiles = append(c.Profiles, id)
		}
	}
	slices.Sort(c.Profiles)
	return c
}
