package daemon

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/calibration"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver"
	"dewline/internal/server/status"
	"dewline/internal/store"
	"dewline/sensors"
)

// The intervals of the store: readings are committed once a minute, which spares the card, and the whole state of the core every half
// an hour, or after so many entries that have changed a part of it.
const (
	commitEvery   = time.Minute
	snapshotEvery = 30 * time.Minute
	maxParts      = 100
	pruneEvery    = time.Hour
)

// historyComponent is the index in the core of the history, where there is one: a person must look after a disk that cannot be written.
const historyComponent = 0

// recorder hands what happens to the store. Without a store it does nothing.
type recorder struct {
	store   *store.Store // nil: nothing is recorded
	refusal error        // why the file is not used at all
	*common
	path        string
	keep        time.Duration // how long readings are kept; 0 means for ever
	resolutions map[quantity.Point]float64
	last        intake.Reading // handed to the store

	// gather makes record collect entries in gathered instead, for an invented past, which need not be durable at once.
	gather   bool
	gathered []*journal.Entry

	next       struct{ commit, snapshot, prune time.Duration } // monotonic
	parts      int                                             // of the state, since it was recorded as a whole
	busy       sync.WaitGroup
	committing chan struct{} // holds a token while a commit is under way
	outcome    chan error    // of commits
	reported   int           // notices of the store that news has returned
	failures   []string      // logged since the store worked last
}

// openRecorder opens the store. A file that cannot be used is reported, and the store works in memory until it can.
func openRecorder(shared *common, history *config.History) *recorder {
	rec := &recorder{
		common: shared, path: history.Path, keep: history.Keep, resolutions: map[quantity.Point]float64{},
		committing: make(chan struct{}, 1), outcome: make(chan error, 4),
	}
	if rec.path == "" {
		return rec
	}
	store, err := store.Open(rec.path, store.Options{Log: rec.options.Log, Now: rec.clock.Now, Patience: patience})
	if err != nil {
		rec.options.Log.Error("the history is not written", "err", err)
	}
	if store == nil {
		rec.refusal = err
		rec.outcome <- err
		return rec
	}
	rec.store = store
	now := rec.options.Clock.Monotonic()
	rec.next.commit, rec.next.snapshot, rec.next.prune = now+commitEvery, now+snapshotEvery, now+pruneEvery
	return rec
}

// restore restores the core as it was recorded last. It returns the position of the last reading contained in it; nil if there
// is nothing to bring up to date.
func (rec *recorder) restore(core *watch.Core) (*store.Reach, error) {
	if rec.store == nil {
		return nil, nil
	}
	state, parts, reach, err := rec.store.LoadCore()
	if err != nil || state == nil {
		return nil, err
	}
	if err := core.Restore(state, parts...); err != nil {
		return nil, fmt.Errorf("the state of the last run is not restored: %w", err)
	}
	return &reach, nil
}

// bringUpToDate folds in the readings that came after the recorded state.
func (rec *recorder) bringUpToDate(ctx context.Context, reach *store.Reach, chain *pipeline.Pipeline, commit func(pipeline.Ready)) error {
	if reach == nil {
		return nil
	}
	from := *reach
	from.At = from.At.Add(-time.Minute)
	for s, err := range rec.store.ReadingsSince(ctx, from) {
		if err != nil {
			return fmt.Errorf("bringing the state of the last run up to date: %w", err)
		}
		point, ok := chain.Core.Index(s.Point)
		if !ok || s.Point.Quantity.Derived() {
			continue
		}
		chain.ReplayReading(watch.Event{At: s.At, Point: point, Value: s.Value, Flag: s.Flag})
		commit(chain.Ready())
	}
	return nil
}

const (
	// recentPage is how many entries of the journal are read at a time.
	recentPage = 2000
	// recentSpan is how far back all entries are needed to know which notifications were sent. The entries of an active alarm
	// are needed from its beginning on.
	recentSpan = 8 * 24 * time.Hour
	// recentSlack is how far the times of entries may be wrong, if the clock was set.
	recentSlack = 2 * 24 * time.Hour
)

// recent returns the journal entries from which the rules know which notifications were sent, the oldest first: those of the
// last days, and all entries of active alarms, however long ago they were raised. What lies weeks back and needs no page of its own is read
// of alarms that come too often.
func (rec *recorder) recent(ctx context.Context, alarms []watch.AlarmState) ([]*journal.Entry, error) {
	if rec.store == nil {
		return nil, nil
	}
	open := map[string]bool{}
	oldest := instant.Instant(math.MaxInt64)
	for i := range alarms {
		if a := &alarms[i]; a.Active && a.Occurrence != "" {
			open[a.Occurrence] = true
			oldest = min(oldest, a.Raised)
		}
	}
	var entries []*journal.Entry
	for before := uint64(0); ; {
		page, err := rec.store.Journal(ctx, store.Filter{Kinds: notify.Kinds(), Before: before, Limit: recentPage})
		if err != nil {
			return nil, err
		}
		for _, e := range page {
			age := time.Duration(0)
			if len(entries) > 0 {
				age = entries[0].At.Sub(e.At)
			}
			switch {
			case age <= recentSpan, open[e.Occurrence], e.Kind == journal.Frequent, e.Kind == journal.ClockStepped, e.Kind == journal.ClockConfirmed:
				entries = append(entries, e)
			}
		}
		if len(page) < recentPage {
			break
		}
		last := page[len(page)-1]
		before = last.Seq
		if entries[0].At.Sub(last.At) > recentSpan && last.At < oldest.Add(-recentSlack) {
			break
		}
	}
	slices.Reverse(entries)
	return entries, nil
}

// animals returns the animals' record of the journal, and what has been recorded of their care lately.
func (rec *recorder) animals(ctx context.Context) ([]cohort.Entry, error) {
	if rec.store == nil {
		return nil, nil
	}
	all, err := rec.allOf(ctx, cohort.Kinds())
	if err != nil {
		return nil, err
	}
	lately, err := rec.store.Journal(ctx, store.Filter{Kinds: cohort.CareKinds(), Limit: recentPage})
	return cohort.Read(append(all, lately...)), err
}

// allOf returns all entries of kinds of which people write a few.
func (rec *recorder) allOf(ctx context.Context, kinds []journal.Kind) (all []*journal.Entry, err error) {
	for filter := (store.Filter{Kinds: kinds, Limit: recentPage}); ; {
		page, err := rec.store.Journal(ctx, filter)
		if err != nil {
			return nil, err
		}
		all = append(all, page...)
		if len(page) < recentPage {
			return all, nil
		}
		filter.Before = page[len(page)-1].Seq
	}
}

// sensors returns the record of the sensors of the journal.
func (rec *recorder) sensors(ctx context.Context) ([]calibration.Entry, error) {
	if rec.store == nil {
		return nil, nil
	}
	all, err := rec.allOf(ctx, calibration.Kinds())
	return calibration.Read(all), err
}

// reading records a reading of a sensor.
func (rec *recorder) reading(r *intake.Reading) {
	if rec.store != nil {
		rec.last = *r
		rec.store.Append(rec.id, r.Point, r.At, r.Value, r.Flag, rec.resolutions[r.Point])
	}
}

// amend records a flag that was decided after its reading was recorded.
func (rec *recorder) amend(a *intake.Amendment) {
	if rec.store != nil {
		rec.store.Amend(a.Point, a.At, a.Flag)
	}
}

// derivedSteps are the resolutions at which derived values are recorded: finer than the uncertainty of any sensor.
var derivedSteps = map[quantity.Quantity]float64{
	quantity.DewPoint: 0.01, quantity.VapourPressureDeficit: 1, quantity.AbsoluteHumidity: 1e-5,
	quantity.CondensationMargin: 0.01, quantity.OxygenSaturation: 1e-5,
}

// derived records a reading of a derived point.
func (rec *recorder) derived(p quantity.Point, e *watch.Effect) {
	if rec.store == nil {
		return
	}
	step := derivedSteps[p.Quantity]
	rec.store.Append(rec.id, p, e.At, math.Round(e.Value/step)/math.Round(1/step), e.Flag, step)
}

// record makes entries durable, together with the messages they cause and the state of the core. Only then may
// notifiers get them.
func (rec *recorder) record(entries []*journal.Entry, items []store.OutboxItem, core *watch.Core) {
	if rec.store == nil || len(entries) == 0 {
		return
	}
	if rec.gather {
		rec.gathered = append(rec.gathered, entries...)
		return
	}
	if err := rec.store.Record(context.Background(), entries, items, rec.save(core, false)); err != nil {
		rec.report(err)
	}
}

// save returns what the store has to record of the state of the core.
func (rec *recorder) save(core *watch.Core, whole bool) store.State {
	state, part, err := core.Save(whole)
	if err != nil {
		rec.options.Log.Error("history", "err", err)
		return store.State{}
	}
	if rec.parts++; !part {
		rec.parts, rec.next.snapshot = 0, rec.options.Clock.Monotonic()+snapshotEvery
	}
	return store.State{Data: state, Part: part}
}

// queue returns the queue of a notifier, which survives a restart if there is a store.
func (rec *recorder) queue(name string) deliver.Queue {
	if rec.store == nil {
		return store.NewQueue(name)
	}
	return rec.store.Queue(name)
}

// resolution notes the resolution of each point of a sensor, in which the store keeps its values.
func (rec *recorder) resolution(c *config.SensorConfig, part *sensors.Description) {
	for channel, point := range c.Feeds {
		if measure, ok := part.MeasureOf(channel); ok {
			rec.resolutions[point] = measure.Resolution
		}
	}
}

// report passes the outcome of a write to the loop, which raises an alarm from it.
func (rec *recorder) report(err error) {
	select {
	case rec.outcome <- err:
	default: // there are enough reports waiting
	}
}

// patience is how long the loop waits for the disk before it goes on with an entry held in memory only. A slow card may pause
// for a second while it reorganises its blocks.
const patience = 2 * time.Second

// maxWrite is how long a write may take before the store counts as failing, by the machine's clock: longer than SQLite waits
// for a lock.
const maxWrite = 10 * time.Second

// tick commits when it is due, in the background: the core does not wait for the card.
func (rec *recorder) tick(core *watch.Core, now instant.Instant, mono time.Duration) {
	if rec.store == nil {
		return
	}
	if mono >= rec.next.snapshot || rec.parts >= maxParts { // the next commit writes it
		if err := rec.store.Keep(rec.save(core, true)); err != nil {
			rec.options.Log.Error("history", "err", err)
		}
	}
	if mono >= rec.next.commit {
		if rec.inBackground(rec.commit(rec.last)) {
			rec.next.commit = mono + commitEvery
		} else if took := rec.store.Health().Writing; took > maxWrite {
			rec.next.commit = mono + commitEvery
			rec.report(rec.stuck())
		}
	}
	if keep, confirmed := rec.keep, rec.clock.confirmed; keep > 0 && mono >= rec.next.prune {
		if rec.inBackground(func(ctx context.Context) error { return rec.prune(ctx, keep, now, confirmed) }) {
			rec.next.prune = mono + pruneEvery
		}
	}
}

// stuck is the failure of a write that does not return.
func (rec *recorder) stuck() error {
	return &store.Error{Doing: "writing", Path: rec.path, Kind: store.ErrSlow}
}

// commit returns the work of writing the readings up to the last one. What it logs as written survives a power cut.
func (rec *recorder) commit(last intake.Reading) func(context.Context) error {
	log := rec.options.Log
	return func(ctx context.Context) error {
		log.Debug("writing readings")
		err := rec.store.Commit(ctx)
		if err == nil && last.At != 0 {
			log.Debug("readings are written", "last", last.Point, "at", last.At)
		}
		return err
	}
}

// prune removes what is older than the retention, in small steps between which other writes get their turn.
func (rec *recorder) prune(ctx context.Context, keep time.Duration, now instant.Instant, confirmed bool) error {
	for {
		more, err := rec.store.Prune(ctx, keep, now, confirmed)
		if err != nil || !more {
			return err
		}
	}
}

// inBackground does one piece of work at a time with the store. It returns false, and does nothing, while another is running.
func (rec *recorder) inBackground(work func(context.Context) error) bool {
	select {
	case rec.committing <- struct{}{}:
	default:
		return false
	}
	rec.busy.Go(func() {
		defer func() { <-rec.committing }()
		rec.report(work(context.Background()))
	})
	return true
}

// news returns the notices of the store since the last call: a damaged file that was set aside, for example.
func (rec *recorder) news() []store.Notice {
	if rec.store == nil {
		return nil
	}
	notices := rec.store.Notices()
	unreported := notices[rec.reported:]
	if len(unreported) > 0 {
		rec.next.snapshot = 0 // what was saved of a damaged file may not be all
	}
	rec.reported = len(notices)
	return unreported
}

// state returns the health of the store; nil if nothing is recorded.
func (rec *recorder) state() *status.History {
	if rec.refusal != nil {
		return &status.History{LastError: rec.refusal.Error()}
	}
	if rec.store == nil {
		return nil
	}
	h := rec.store.Health()
	s := &status.History{Bytes: h.Bytes, WriteErrors: h.WriteErrors, Pending: h.PendingReadings}
	switch {
	case h.Writing > maxWrite: // its own error may come much later, or never
		s.LastError = rec.stuck().Error()
	case h.LastError != nil:
		s.LastError = h.LastError.Error()
	}
	return s
}

// stepped passes a step of the clock to the store. It returns the mark of the readings before it.
func (rec *recorder) stepped() int64 {
	if rec.store == nil {
		return 0
	}
	return rec.store.Stepped()
}

// correct moves the records of the unconfirmed time by the steps that have made the clock right. The journal entry that
// follows makes that durable.
func (rec *recorder) correct(doubt watch.UnconfirmedClock) {
	if rec.store == nil {
		return
	}
	for _, step := range doubt.Steps {
		rec.store.Restamp(store.Shift{Runs: doubt.Runs, By: step.By, Mark: step.Mark, Seq: step.Seq})
	}
}

// close writes what is left.
func (rec *recorder) close(core *watch.Core) {
	if rec.store == nil {
		return
	}
	rec.busy.Wait()
	if err := rec.store.Record(context.Background(), nil, nil, rec.save(core, true)); err != nil {
		rec.options.Log.Error("history", "err", err)
	}
	if err := rec.store.Close(context.Background()); err != nil && !errors.Is(err, context.Canceled) {
		rec.options.Log.Error("closing the history", "err", err)
	}
}
