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
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/status"
	"dewline/internal/store"
)

// The rhythm of the store: readings are committed once a minute, which spares the card, and the state of the core every half
// an hour, beside each time something happens.
const (
	commitEvery   = time.Minute
	snapshotEvery = 30 * time.Minute
	pruneEvery    = time.Hour
)

// storeSensor is the name under which a failing store raises a fault like a failing sensor does: a disk that cannot be
// written is something a person must see to.
const storeSensor = config.ReservedSensor

// keeper hands what happens to the store. Without a store it does nothing.
type recorder struct {
	store       *store.Store // nil: nothing is kept
	refusal     error        // why the file is not used at all
	loop        *loop
	resolutions map[quantity.Point]float64
	last        intake.Reading // that was handed to the store

	// gather makes record put entries aside instead, for an invented past that nobody needs to have durable at once.
	gather   bool
	gathered []*journal.Entry

	nextCommit, nextSnapshot, nextPrune time.Duration // monotonic
	busy                                sync.WaitGroup
	committing                          chan struct{} // holds a token while a commit is under way
	outcome                             chan error    // of commits
	told                                int           // notices of the store that the keeper has been told of
}

// openKeeper opens the store. A file that cannot be used is reported, and the store works in memory until it can.
func openKeeper(l *loop) *recorder {
	k := &recorder{loop: l, resolutions: map[quantity.Point]float64{}, committing: make(chan struct{}, 1), outcome: make(chan error, 4)}
	path := l.site.History.Path
	if path == "" {
		return k
	}
	store, err := store.Open(path, store.Options{Log: l.options.Log, Now: l.clock.Now, Patience: patience})
	if err != nil {
		l.options.Log.Error("the history is not written", "err", err)
	}
	if store == nil {
		k.refusal = err
		k.outcome <- err
		return k
	}
	k.store = store
	now := l.options.Clock.Monotonic()
	k.nextCommit, k.nextSnapshot, k.nextPrune = now+commitEvery, now+snapshotEvery, now+pruneEvery
	return k
}

// restore restores the core as it was recorded last. It returns up to where the readings are in it; nil where there is nothing to bring
// up to date.
func (k *recorder) restore() (*store.Reach, error) {
	if k.store == nil {
		return nil, nil
	}
	state, reach, err := k.store.LoadCore()
	if err != nil || state == nil {
		return nil, err
	}
	if err := k.loop.chain.Core.Restore(state); err != nil {
		return nil, fmt.Errorf("the state of the last run is not taken over: %w", err)
	}
	return &reach, nil
}

// bringUpToDate folds in the readings that came after the recorded state.
func (k *recorder) bringUpToDate(ctx context.Context, reach *store.Reach) error {
	if reach == nil {
		return nil
	}
	chain := &k.loop.chain
	from := *reach
	from.At = from.At.Add(-time.Minute)
	for s, err := range k.store.ReadingsSince(ctx, from) {
		if err != nil {
			return fmt.Errorf("bringing the state of the last run up to date: %w", err)
		}
		point, ok := chain.Core.Index(s.Point)
		if !ok || s.Point.Quantity.Derived() {
			continue
		}
		chain.ReplayReading(watch.Event{At: s.At, Point: point, Value: s.Value, Flag: s.Flag})
		k.loop.commit(chain.Ready())
	}
	return nil
}

const (
	// recentPage is how many entries of the journal are read at a time.
	recentPage = 2000
	// recentSpan is how far back all entries matter to know who was told of what; of an alarm that is active its own matter from its
	// beginning on.
	recentSpan = 3 * 24 * time.Hour
	// recentSlack is what the times of entries may be wrong by, where a clock was set.
	recentSlack = 2 * 24 * time.Hour
)

// recent returns the entries of the journal by which the rules know who was told of what, the oldest first: those of the last days, and
// everything about alarms that are active, however long ago they were raised and whatever lies in between.
func (k *recorder) recent(ctx context.Context) ([]*journal.Entry, error) {
	if k.store == nil {
		return nil, nil
	}
	open := map[string]bool{}
	oldest := instant.Instant(math.MaxInt64)
	alarms := k.loop.chain.Core.Alarms()
	for i := range alarms {
		if a := &alarms[i]; a.Active && a.Occurrence != "" {
			open[a.Occurrence] = true
			oldest = min(oldest, a.Raised)
		}
	}
	var entries []*journal.Entry
	for before := uint64(0); ; {
		page, err := k.store.Journal(ctx, store.Filter{Kinds: notify.Kinds(), Before: before, Limit: recentPage})
		if err != nil {
			return nil, err
		}
		for _, e := range page {
			age := time.Duration(0)
			if len(entries) > 0 {
				age = entries[0].At.Sub(e.At)
			}
			switch {
			case age <= recentSpan, open[e.Occurrence], e.Kind == journal.ClockStepped, e.Kind == journal.ClockConfirmed:
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

// reading keeps a reading of a sensor.
func (k *recorder) reading(r *intake.Reading) {
	if k.store != nil {
		k.last = *r
		k.store.Append(k.loop.id, r.Point, r.At, r.Value, r.Flag, k.resolutions[r.Point])
	}
}

// amend keeps a flag that was decided late.
func (k *recorder) amend(a *intake.Amendment) {
	if k.store != nil {
		k.store.Amend(a.Point, a.At, a.Flag)
	}
}

// derivedSteps are the steps at which derived values are kept: finer than any sensor makes them certain.
var derivedSteps = map[quantity.Quantity]float64{
	quantity.DewPoint: 0.01, quantity.VapourPressureDeficit: 1, quantity.AbsoluteHumidity: 1e-5,
	quantity.CondensationMargin: 0.01, quantity.OxygenSaturation: 1e-5,
}

// derived keeps a reading of a derived point.
func (k *recorder) derived(e *watch.Effect) {
	if k.store == nil {
		return
	}
	p := k.loop.points[e.Point]
	step := derivedSteps[p.Quantity]
	k.store.Append(k.loop.id, p, e.At, math.Round(e.Value/step)*step, e.Flag, step)
}

// record makes entries durable, together with what must go out because of them and with the state of the core. Only then may
// anybody else hear of them.
func (k *recorder) record(entries []*journal.Entry, deliveries []notify.Delivery) {
	if k.store == nil || len(entries) == 0 {
		return
	}
	if k.gather {
		k.gathered = append(k.gathered, entries...)
		return
	}
	var items []store.OutboxItem
	for _, e := range entries {
		items = append(items, k.loop.links.items(e)...)
	}
	items = append(items, k.loop.callers.items(deliveries)...)
	state, err := k.loop.chain.Core.Snapshot()
	if err != nil {
		k.loop.options.Log.Error("history", "err", err)
	}
	if err := k.store.Record(context.Background(), entries, items, state); err != nil {
		k.report(err)
	}
	k.nextSnapshot = k.loop.options.Clock.Monotonic() + snapshotEvery
}

// report notes how the store fares; the loop makes an alarm of it.
func (k *recorder) report(err error) {
	select {
	case k.outcome <- err:
	default: // there are enough reports waiting
	}
}

// patience is how long the loop waits for the disk before an entry counts as kept in memory. A slow card that tidies itself up
// may well need a second.
const patience = 2 * time.Second

// longestWrite is how long a write may take before the store counts as failing, by the machine's clock: longer than SQLite waits
// for others.
const maxWrite = 10 * time.Second

// tick commits when it is time, in the background: the core does not wait for the card.
func (k *recorder) tick(now instant.Instant, mono time.Duration, confirmed bool) {
	if k.store == nil {
		return
	}
	if mono >= k.nextCommit {
		if k.inBackground(k.commit(k.last)) {
			k.nextCommit = mono + commitEvery
		} else if took := k.store.Health().Writing; took > maxWrite {
			k.nextCommit = mono + commitEvery
			k.report(k.stuck())
		}
	}
	if mono >= k.nextSnapshot {
		if state, err := k.loop.chain.Core.Snapshot(); err == nil {
			if k.inBackground(func(ctx context.Context) error { return k.store.Record(ctx, nil, nil, state) }) {
				k.nextSnapshot = mono + snapshotEvery
			}
		}
	}
	if keep := k.loop.site.History.Keep; keep > 0 && mono >= k.nextPrune {
		if k.inBackground(func(ctx context.Context) error { return k.prune(ctx, keep, now, confirmed) }) {
			k.nextPrune = mono + pruneEvery
		}
	}
}

// stuck is the failure of a write that does not come back.
func (k *recorder) stuck() error {
	return &store.Error{Doing: "writing", Path: k.loop.site.History.Path, Kind: store.ErrSlow}
}

// commit returns the work of writing the readings up to the last one. What it tells is what a power cut from then on leaves.
func (k *recorder) commit(last intake.Reading) func(context.Context) error {
	log := k.loop.options.Log
	return func(ctx context.Context) error {
		log.Debug("writing readings")
		err := k.store.Commit(ctx)
		if err == nil && last.At != 0 {
			log.Debug("readings are written", "last", last.Point, "at", last.At)
		}
		return err
	}
}

// prune removes what is older than it is to be kept, in small steps between which others get their turn.
func (k *recorder) prune(ctx context.Context, keep time.Duration, now instant.Instant, confirmed bool) error {
	for {
		more, err := k.store.Prune(ctx, store.Retention{Keep: keep}, now, confirmed)
		if err != nil || !more {
			return err
		}
	}
}

// inBackground does one thing at a time with the store. It returns false, and does nothing, while another is under way.
func (k *recorder) inBackground(work func(context.Context) error) bool {
	select {
	case k.committing <- struct{}{}:
	default:
		return false
	}
	k.busy.Go(func() {
		defer func() { <-k.committing }()
		k.report(work(context.Background()))
	})
	return true
}

// news returns what the store has found and done by itself since the last call: a damaged file that was set aside, for example.
func (k *recorder) news() []store.Notice {
	if k.store == nil {
		return nil
	}
	notices := k.store.Notices()
	fresh := notices[k.told:]
	k.told = len(notices)
	return fresh
}

// state tells how the store does; nil where nothing is kept.
func (k *recorder) state() *status.History {
	if k.refusal != nil {
		return &status.History{LastError: k.refusal.Error()}
	}
	if k.store == nil {
		return nil
	}
	h := k.store.Health()
	s := &status.History{Bytes: h.Bytes, WriteErrors: h.WriteErrors, Pending: h.PendingReadings}
	switch {
	case h.Writing > maxWrite: // what it says at last will come too late, if it ever does
		s.LastError = k.stuck().Error()
	case h.LastError != nil:
		s.LastError = h.LastError.Error()
	}
	return s
}

// stepped tells the store of a step of the clock. It returns the mark for what was read before.
func (k *recorder) stepped() int64 {
	if k.store == nil {
		return 0
	}
	return k.store.Stepped()
}

// correct moves what was in doubt by the steps that have made the clock right. The entry that tells of it makes that durable.
func (k *recorder) correct(doubt watch.UnconfirmedClock) {
	if k.store == nil {
		return
	}
	for _, step := range doubt.Steps {
		k.store.Restamp(store.Shift{Runs: doubt.Runs, By: step.By, Mark: step.Mark, Seq: step.Seq})
	}
}

// close writes what is left.
func (k *recorder) close() {
	if k.store == nil {
		return
	}
	k.busy.Wait()
	if state, err := k.loop.chain.Core.Snapshot(); err == nil {
		if err := k.store.Record(context.Background(), nil, nil, state); err != nil {
			k.loop.options.Log.Error("history", "err", err)
		}
	}
	if err := k.store.Close(context.Background()); err != nil && !errors.Is(err, context.Canceled) {
		k.loop.options.Log.Error("closing the history", "err", err)
	}
}
