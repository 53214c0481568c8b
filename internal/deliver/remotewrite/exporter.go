package remotewrite

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/store"
)

// Store is the history as the export uses it; a *[store.Store] is one.
type Store interface {
	readings
	Points() []quantity.Point
	Journal(ctx context.Context, f store.Filter) ([]*journal.Entry, error)
	Progress(ctx context.Context, name string) ([]byte, error)
	SetProgress(name string, body []byte)
	Health() store.Health
}

// Options configure an [Exporter]. All but Since, Transport and Log are required.
type Options struct {
	Target Target
	Since  instant.Instant // nothing earlier is sent; None means from the first start on
	Store  Store
	Site   func() *watch.Site // with its animals as they are on record now; nil before there is one
	Now    func() time.Time
	// Confirmed reports whether the clock is known to be right. While it is not, times may still be corrected, and nothing is sent.
	Confirmed func() bool
	Transport http.RoundTripper // nil means one of its own
	Log       *slog.Logger      // nil means silence
}

// Status is the state of an export.
type Status struct {
	Behind   time.Duration // from the oldest that is not sent to what is in the file; 0 before anything is known
	Waiting  string        // why nothing is sent although the receiver is well; "" otherwise
	Sent     uint64        // samples that the receiver has taken in this run
	Refused  uint64        // samples that it has refused for good in this run
	LastSent time.Time     // when it took something last; zero for never
	Err      string        // the last failure; "" after a success
}

const (
	progressName = "remote-write"
	lookEvery    = 5 * time.Second
	// between is the pause between two requests, which bounds the rate at which an outage is made up for: 20 minutes a second.
	between = 50 * time.Millisecond
	// commitSlack is how much earlier than its end a commit may have taken what it wrote.
	commitSlack = 10 * time.Second
	// keepEvery is how often progress is kept, for the sake of the card.
	keepEvery = 5 * time.Minute
	// maxRound bounds how many minutes of all points are in memory together: an hour of twenty points.
	maxRound   = 60 * 20
	maxMinutes = 60
	// maxSamples is how many samples a request has at most, but for a point that alone has more: a choice of ours.
	maxSamples = 2000
)

// Exporter sends what is in a history to a metrics store.
type Exporter struct {
	o      Options
	client *client

	// These belong to the goroutine of Run.
	progress *progress
	kept     time.Time // when progress was kept last
	// doubtUntil is up to when an earlier run may have sent what its progress does not say; 0 for nothing.
	doubtUntil int64

	mu     sync.Mutex
	status Status
	oldest int64 // what is not sent begins here; 0 before that is known
}

// New returns an exporter; [Exporter.Run] starts it.
func New(o Options) (*Exporter, error) {
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	c, err := newClient(o.Target, o.Transport)
	if err != nil {
		return nil, err
	}
	return &Exporter{o: o, client: c}, nil
}

// Status returns the state of the export. It may be called from any goroutine.
func (e *Exporter) Status() Status {
	committed := e.committed()
	e.mu.Lock()
	defer e.mu.Unlock()
	s := e.status
	if e.oldest > 0 {
		s.Behind = time.Duration(max(committed-e.oldest, 0)) * time.Millisecond
	}
	return s
}

// Run sends until ctx ends. It always returns nil.
func (e *Exporter) Run(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			if e.progress != nil {
				e.keep()
			}
			return nil
		case <-timer.C:
		}
		if err := e.round(ctx); err != nil && ctx.Err() == nil {
			e.note(func(s *Status) { s.Waiting = err.Error() })
		} else if err == nil {
			e.note(func(s *Status) { s.Waiting = "" })
		}
		timer.Reset(lookEvery)
	}
}

var (
	errUnconfirmed = errors.New("the clock is not confirmed yet, so that times may still change")
	errNotWritten  = errors.New("the history has not been written yet since the start")
)

// committed returns up to when everything is in the file, in milliseconds; 0 where that is not known.
func (e *Exporter) committed() int64 {
	last := e.o.Store.Health().LastCommit
	if last.IsNone() {
		return 0
	}
	return millis(min(last, instant.Of(e.o.Now())).Add(-commitSlack))
}

// round sends everything that is ready.
func (e *Exporter) round(ctx context.Context) error {
	for ctx.Err() == nil {
		site := e.o.Site()
		committed := e.committed()
		switch {
		case !e.o.Confirmed():
			return errUnconfirmed
		case site == nil, committed == 0:
			return errNotWritten
		}
		if err := e.load(ctx, committed); err != nil {
			return err
		}
		batch, err := e.plan(ctx, site, committed)
		if err != nil {
			return err
		}
		if len(batch) == 0 {
			return nil
		}
		for _, m := range batch {
			if err := e.sendMinute(ctx, site.ID, m); err != nil {
				return err
			}
		}
	}
	return ctx.Err()
}

// load reads how far the export has come, once.
func (e *Exporter) load(ctx context.Context, committed int64) error {
	if e.progress != nil {
		return nil
	}
	body, err := e.o.Store.Progress(ctx, progressName)
	if err != nil {
		return err
	}
	p, err := progressOf(body)
	if err != nil {
		e.o.Log.Warn("the export begins anew", "err", err)
	}
	if p == nil {
		begin := whole(committed)
		if !e.o.Since.IsNone() {
			begin = whole(millis(e.o.Since))
		}
		if p, err = e.beginAt(ctx, begin); err != nil {
			return err
		}
	}
	if e.progress = p; body != nil {
		e.doubtUntil = committed
	}
	e.keep()
	return nil
}

// activeBefore is how far back the journal is read, once, for the alarms that are active when the export begins.
const activeBefore = 90 * 24 * time.Hour

// beginAt returns the progress of an export that begins at a time.
func (e *Exporter) beginAt(ctx context.Context, begin int64) (*progress, error) {
	p := newProgress(begin)
	entries, err := alarmEntries(ctx, e.o.Store, begin-activeBefore.Milliseconds(), begin)
	if err != nil {
		return nil, err
	}
	alarmMinute("", begin-minute, entries, p.Active, nil)
	return p, nil
}

// keep hands over how far the export has come, for the next commit to write.
func (e *Exporter) keep() {
	if body, err := json.Marshal(e.progress); err == nil { // it has nothing that cannot be encoded
		e.o.Store.SetProgress(progressName, body)
	}
	e.kept = e.o.Now()
}

// minuteBatch is a minute of all that is ready for it.
type minuteBatch struct {
	at     int64
	points []pointAt
	alarms bool // the alarms have not been sent up to the end of this minute
	// entries about alarms in this minute, and the alarms that there are.
	entries []*journal.Entry
	known   map[string]bool
}

type pointAt struct {
	point quantity.Point
	pointMinute
	zones bool // the site watches it
}

// plan returns the next minutes that can be sent, the oldest first.
func (e *Exporter) plan(ctx context.Context, site *watch.Site, committed int64) ([]*minuteBatch, error) {
	core := watch.New(*site, "export")
	points := e.o.Store.Points()
	if err := e.begin(ctx, points); err != nil {
		return nil, err
	}
	oldest := e.progress.oldest()
	e.mu.Lock()
	e.oldest = oldest
	e.mu.Unlock()
	limit := int64(min(max(maxRound/max(len(points), 1), 1), maxMinutes)) * minute
	end := min(whole(committed), oldest+limit)
	byTime := map[int64]*minuteBatch{}
	at := func(t int64) *minuteBatch {
		m := byTime[t]
		if m == nil {
			m = &minuteBatch{at: t}
			byTime[t] = m
		}
		return m
	}
	for _, p := range points {
		of := e.progress.point(p)
		if of == nil || of.At >= end {
			continue
		}
		index, watched := core.Index(p)
		gap := time.Minute
		if watched {
			gap = core.Gap(index)
		}
		minutes, err := minutesOf(ctx, e.o.Store, site, p, span{from: of.At, to: end, committed: committed, gap: gap})
		if err != nil {
			return nil, err
		}
		for i := range minutes {
			m := at(of.At + int64(i)*minute)
			m.points = append(m.points, pointAt{p, minutes[i], watched})
		}
	}
	if e.progress.Alarms < end {
		entries, err := alarmEntries(ctx, e.o.Store, e.progress.Alarms, end)
		if err != nil {
			return nil, err
		}
		known := map[string]bool{}
		for _, a := range core.Alarms() {
			known[a.Name] = true
		}
		for t := e.progress.Alarms; t < end; t += minute {
			m := at(t)
			m.alarms, m.known = true, known
			for len(entries) > 0 && millis(entries[0].At) < t+minute {
				m.entries, entries = append(m.entries, entries[0]), entries[1:]
			}
		}
	}
	batch := make([]*minuteBatch, 0, len(byTime))
	for _, m := range byTime {
		batch = append(batch, m)
	}
	slices.SortFunc(batch, func(a, b *minuteBatch) int { return cmp.Compare(a.at, b.at) })
	return batch, nil
}

// begin notes where the points begin that were not there before: with their first reading.
func (e *Exporter) begin(ctx context.Context, points []quantity.Point) error {
	for _, p := range points {
		if e.progress.point(p) != nil {
			continue
		}
		for r, err := range e.o.Store.Readings(ctx, p, fromMillis(e.progress.Begin), instant.None) {
			if err != nil {
				return err
			}
			e.progress.Points[p.String()] = &pointProgress{At: whole(millis(r.At))}
			break
		}
	}
	return nil
}

// sendMinute sends a minute, in as many requests as it takes, and notes how far the export has come after each.
func (e *Exporter) sendMinute(ctx context.Context, site string, m *minuteBatch) error {
	r := request{inDoubt: m.at < e.doubtUntil}
	for i := range m.points {
		p := &m.points[i]
		of := e.progress.point(p.point)
		next := *of
		series := p.series(site, p.point, m.at, &next, p.zones)
		if r.samples > 0 && r.samples+samplesOf(series) > maxSamples {
			if err := e.send(ctx, &r); err != nil {
				return err
			}
		}
		next.At = m.at + minute
		r.add(series, func() { *of = next })
	}
	if m.alarms {
		active := map[string]*alarmSeries{}
		for name, is := range e.progress.Active {
			active[name] = new(*is)
		}
		series := alarmMinute(site, m.at, m.entries, active, m.known)
		r.add(series, func() { e.progress.Active, e.progress.Alarms = active, m.at+minute })
	}
	if err := e.send(ctx, &r); err != nil {
		return err
	}
	oldest := e.progress.oldest()
	e.mu.Lock()
	e.oldest = oldest
	e.mu.Unlock()
	if since := e.o.Now().Sub(e.kept); since >= keepEvery || since < 0 {
		e.keep()
	}
	return nil
}

// request is what goes out together: the series of some points, and what is noted once they are sent.
type request struct {
	parts   [][]Series
	samples int
	sent    []func()
	// inDoubt says that the run before this one may have sent some of it already.
	inDoubt bool
}

func (r *request) add(part []Series, sent func()) {
	if len(part) > 0 {
		r.parts = append(r.parts, part)
		r.samples += samplesOf(part)
	}
	r.sent = append(r.sent, sent)
}

// send sends a request and empties it. A receiver may refuse all of a request because of one sample that it has already. So where the run
// before this one may have sent some of it, in other requests, each part is sent by itself then.
func (e *Exporter) send(ctx context.Context, r *request) error {
	if len(r.parts) > 0 {
		refused, err := e.deliver(ctx, slices.Concat(r.parts...), r.inDoubt)
		if err != nil {
			return err
		}
		for i := 0; refused && r.inDoubt && len(r.parts) > 1 && i < len(r.parts); i++ {
			if _, err := e.deliver(ctx, r.parts[i], true); err != nil {
				return err
			}
		}
	}
	for _, note := range r.sent {
		note()
	}
	*r = request{inDoubt: r.inDoubt}
	return nil
}

// deliver sends series until the receiver has taken or refused them. The only error is that of an ended context. A refusal of what the
// receiver may have already is not counted.
func (e *Exporter) deliver(ctx context.Context, list []Series, inDoubt bool) (refused bool, err error) {
	for failures := 1; ; failures++ {
		taken, err := e.client.attempt(ctx, list)
		if ctx.Err() != nil {
			return false, ctx.Err()
		}
		no, refused := errors.AsType[refusedError](err)
		if err == nil || refused {
			lost := max(samplesOf(list)-taken, 0)
			e.note(func(s *Status) {
				if s.Sent += uint64(taken); taken > 0 {
					s.LastSent = e.o.Now()
				}
				s.Err = ""
				switch {
				case inDoubt:
				case refused:
					s.Err = "samples were refused: " + no.Error()
				case lost > 0:
					s.Err = fmt.Sprintf("%d samples of a request were not written", lost)
				}
				if !inDoubt {
					s.Refused += uint64(lost)
				}
			})
			return refused, sleep(ctx, between)
		}
		e.note(func(s *Status) { s.Err = err.Error() })
		if err := sleep(ctx, e.client.pause(failures, err)); err != nil {
			return false, err
		}
	}
}

// note changes the status, and logs when a failure begins, changes or ends.
func (e *Exporter) note(change func(*Status)) {
	e.mu.Lock()
	before := e.status.Err
	change(&e.status)
	after := e.status.Err
	e.mu.Unlock()
	switch {
	case before == after:
	case after == "":
		e.o.Log.Info("the metrics store takes what is exported again")
	default:
		e.o.Log.Warn("the metrics store does not take what is exported", "err", after)
	}
}

func sleep(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
