package kill_test

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"os/exec"
	"regexp"
	"slices"
	"sort"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/store"
)

// figures are what a run of the test has seen.
type figures struct {
	mu                                        sync.Mutex
	kills, transitions, events, repeats, acks int
	stored, heard, lost, written, pictures    int
	losses                                    []time.Duration // of each kill that lost something, on the house's clock
	start                                     time.Duration
	starts                                    int
}

func (f *figures) add(o *figures) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.kills, f.transitions, f.events, f.repeats, f.acks = f.kills+o.kills, f.transitions+o.transitions, f.events+o.events, f.repeats+o.repeats, f.acks+o.acks
	f.stored, f.heard, f.lost, f.written, f.pictures = f.stored+o.stored, f.heard+o.heard, f.lost+o.lost, f.written+o.written, f.pictures+o.pictures
	f.losses = append(f.losses, o.losses...)
	f.start, f.starts = f.start+o.start, f.starts+o.starts
}

// String prints the figures in a line.
func (f *figures) String() string {
	slices.Sort(f.losses)
	var median, worst time.Duration
	if n := len(f.losses); n > 0 {
		median, worst = f.losses[n/2], f.losses[n-1]
	}
	return fmt.Sprintf("%d kills; %d journal entries, %d of them alarm transitions, all heard, %d heard again; %d answered acknowledgements kept; "+
		"%d commits reported; %d readings stored, %d heard, %d of these lost after the last commit, the oldest %.1f s before the kill (median of the kills %.1f s); "+
		"%d pictures after a start as the journal has them; a start takes %v",
		f.kills, f.events, f.transitions, f.repeats, f.acks, f.written, f.stored, f.heard, f.lost, worst.Seconds(), median.Seconds(),
		f.pictures, (f.start / time.Duration(max(1, f.starts))).Round(time.Millisecond))
}

func command(ctx context.Context, path string, arguments ...string) *exec.Cmd {
	return exec.CommandContext(ctx, path, arguments...)
}

// reckon holds everything that was seen against the models.
func (h *house) reckon() *figures {
	h.t.Helper()
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: h.History, RawQuery: "mode=ro"}).String())
	require.NoError(h.t, err)
	checkIntegrity(h.t, db)
	require.NoError(h.t, db.Close())
	past, err := store.Open(h.History, store.Options{ReadOnly: true})
	require.NoError(h.t, err)
	defer past.Close(h.t.Context())
	require.Empty(h.t, past.Notices())
	entries := wholeJournal(h.t, past)
	h.Wait("every entry is heard", func() bool { return h.ears.count() >= len(entries) })
	h.ears.mu.Lock()
	defer h.ears.mu.Unlock()

	f := &figures{kills: len(h.deaths) - 2, events: len(entries), repeats: h.ears.repeats, acks: len(h.answered), start: h.started, starts: h.starts}
	h.checkHeard(entries)
	f.transitions = h.checkLetters(entries)
	f.pictures = len(h.pictures)
	h.checkAcknowledged(entries)
	samples := map[string][]store.Sample{}
	for n := range probes {
		p, err := quantity.ParsePoint(point(n + 1))
		require.NoError(h.t, err)
		for s, err := range past.AllReadings(h.t.Context(), p, instant.None, instant.None) {
			require.NoError(h.t, err)
			samples[point(n+1)] = append(samples[point(n+1)], s)
		}
	}
	h.checkReadings(samples, f)
	for n := range probes {
		h.checkReport(n, samples[point(n+1)])
		stale := slices.ContainsFunc(entries, func(e *journal.Entry) bool { return e.Alarm == point(n+1)+"/stale" })
		h.checkLedger(n, samples[point(n+1)], stale)
	}
	return f
}

// wholeJournal returns the journal, the oldest entry first.
func wholeJournal(t *testing.T, past *store.Store) []*journal.Entry {
	var entries []*journal.Entry
	for f := (store.Filter{Limit: 5000}); ; f.Before = entries[len(entries)-1].Seq {
		page, err := past.Journal(t.Context(), f)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		entries = append(entries, page...)
	}
	slices.Reverse(entries)
	return entries
}

// checkHeard: every entry has reached the subscriber, in order, with one identity and one content; and nothing was heard that
// the journal does not know.
func (h *house) checkHeard(entries []*journal.Entry) {
	h.t.Helper()
	require.Empty(h.t, h.ears.strange)
	require.Empty(h.t, h.ears.altered, "a repeat was another than the first")
	require.Len(h.t, h.ears.events, len(entries))
	ids := map[string]bool{}
	for i, e := range entries {
		require.Equal(h.t, uint64(i+1), e.Seq, "the journal counts without a hole")
		heard := h.ears.events[i]
		require.Equal(h.t, e.ID(), heard.id, "heard in order, what the journal has")
		require.False(h.t, ids[e.ID()], "an identity twice: %s", e.ID())
		ids[e.ID()] = true
		want, err := json.Marshal(e)
		require.NoError(h.t, err)
		got, err := json.Marshal(&heard.entry)
		require.NoError(h.t, err)
		require.JSONEq(h.t, string(want), string(got))
	}
}

// standing is where an alarm is by the journal.
type alarmState struct {
	letter     isa.State
	occurrence string
	active     bool
}

// checkLetters replays the states of the alarms from the journal alone: each transition begins where the last one has ended,
// nothing is raised that is active already, nothing is cleared that does not, and each raise is an occurrence of its own. What the
// control socket answered after a start must be what the journal said at that time. It returns the number of transitions.
func (h *house) checkLetters(entries []*journal.Entry) (transitions int) {
	h.t.Helper()
	alarms := map[string]*alarmState{}
	occurrences := map[string]bool{}
	pictures := h.pictures
	settle := func(seq uint64) {
		pictures = slices.DeleteFunc(slices.Clone(pictures), func(p picture) bool {
			return p.from <= seq && seq <= p.to && shows(p.alarms, alarms)
		})
	}
	settle(0)
	for _, e := range entries {
		if e.Alarm != "" && e.Kind != journal.CommandRefused {
			transitions++
			s := alarms[e.Alarm]
			if s == nil {
				s = &alarmState{letter: "A"}
				alarms[e.Alarm] = s
			}
			about := fmt.Sprintf("entry %d, %s of %s", e.Seq, e.Kind, e.Alarm)
			require.Equal(h.t, s.letter, e.Was, about)
			switch e.Kind {
			case journal.AlarmRaised:
				require.False(h.t, s.active, "raised again: %s", about)
				require.False(h.t, occurrences[e.Occurrence], "an occurrence twice: %s", about)
				occurrences[e.Occurrence] = true
				s.active, s.occurrence = true, e.Occurrence
			case journal.AlarmCleared:
				require.True(h.t, s.active, about)
				s.active = false
			}
			require.Equal(h.t, s.occurrence, e.Occurrence, about)
			require.True(h.t, lawful(e.Kind, e.Was, e.State), "%s: from %s to %s", about, e.Was, e.State)
			s.letter = e.State
		}
		settle(e.Seq)
	}
	for _, p := range pictures {
		assert.Fail(h.t, "what the control socket said is not what the journal says", "entries %d to %d: %+v", p.from, p.to, p.alarms)
	}
	return transitions
}

// lawful holds a transition against ANSI/ISA-18.2-2016, figure 4 and its states A to I.
func lawful(kind journal.Kind, was, state isa.State) bool {
	switch kind {
	case journal.AlarmRaised:
		return state == "B" || state == "H" && was == "H"
	case journal.AlarmCleared:
		return slices.Contains([]string{"BD", "CA", "BE", "CF", "HH", "BA"}, string(was+state))
	case journal.AlarmAcknowledged:
		return slices.Contains([]string{"BC", "DA", "EF"}, string(was+state))
	case journal.AlarmWorsened: // it calls once more, also where it was acknowledged
		return state == "B" && (was == "B" || was == "C")
	case journal.AlarmReminded: // it is heard once more, and stays as it is
		return state == was && (was == "D" || was == "E")
	case journal.AlarmSuppressed:
		return state == "H"
	case journal.AlarmReturned:
		return was == "H" && (state == "A" || state == "B")
	}
	return false
}

// shows reports whether a picture is what the journal says.
func shows(listed []control.Alarm, alarms map[string]*alarmState) bool {
	for _, a := range listed {
		s := alarms[a.Alarm]
		if s == nil {
			s = &alarmState{letter: "A"}
		}
		if a.State != s.letter || a.Active != s.active || a.Occurrence != s.occurrence {
			return false
		}
	}
	return true
}

// checkAcknowledged: who was answered is not forgotten.
func (h *house) checkAcknowledged(entries []*journal.Entry) {
	h.t.Helper()
	for _, a := range h.answered {
		assert.True(h.t, slices.ContainsFunc(entries, func(e *journal.Entry) bool {
			return e.Kind == journal.AlarmAcknowledged && e.Alarm == a.Alarm && e.Occurrence == a.Occurrence && e.By == "keeper"
		}), "the acknowledgement of %s %s is lost", a.Alarm, a.Occurrence)
	}
}

// written is how the program logs a commit.
var written = regexp.MustCompile(`msg="readings are written" last=(\S+) at=(\S+)`)

// checkReadings: what was read up to the last commit of a run is there, to the last bit.
func (h *house) checkReadings(samples map[string][]store.Sample, f *figures) {
	h.t.Helper()
	stored := map[heardReading]bool{}
	for name, list := range samples {
		f.stored += len(list)
		for _, s := range list {
			stored[heardReading{name, s.At, s.Value}] = true
		}
	}
	// The subscriber hears microseconds, the store keeps milliseconds: rounding twice may differ by one.
	millis := func(at instant.Instant) instant.Instant { return instant.Of(at.Time().Round(time.Millisecond)) }
	near := func(a, b instant.Instant) bool { return a.Sub(b).Abs() <= time.Millisecond }
	kept := func(r heardReading) bool {
		for _, by := range []time.Duration{0, -time.Millisecond, time.Millisecond} {
			if stored[heardReading{r.point, r.at.Add(by), r.value}] {
				return true
			}
		}
		return false
	}
	heard := slices.Clone(h.ears.readings)
	for i := range heard {
		heard[i].at = millis(heard[i].at)
	}
	f.heard = len(heard)
	for number, d := range h.deaths {
		from := instant.Of(d.launched)
		to := instant.Of(d.at)
		until, last := -1, heardReading{at: instant.None}
		for _, match := range written.FindAllStringSubmatch(d.log, -1) {
			at, err := time.Parse(time.RFC3339Nano, match[2])
			require.NoError(h.t, err)
			last = heardReading{point: match[1], at: millis(instant.Of(at))}
			f.written++
		}
		if !last.at.IsNone() {
			until = slices.IndexFunc(heard, func(r heardReading) bool { return r.point == last.point && near(r.at, last.at) })
		}
		oldest := to
		for i, r := range heard {
			if r.at < from || r.at > to || kept(r) {
				continue
			}
			committed := i <= until || r.point == last.point && r.at <= last.at
			require.False(h.t, committed, "run %d: reading %v was committed (up to %v) and is lost", number+1, r, last)
			f.lost++
			oldest = min(oldest, r.at)
		}
		if oldest < to {
			f.losses = append(f.losses, to.Sub(oldest))
		}
	}
	require.Positive(h.t, f.written)
}

// limits of the bands of all tubs.
var limits = []float64{17, 20, 24, 27}

var zoneNames = []string{"critical-low", "low", "in-band", "high", "critical-high", "no-band", "unknown"}

// zonesOf computes the time in each zone, in seconds, from stored readings and nothing else: straight lines between readings that are
// no further apart than the gap, cut where they cross a limit; all other time is unknown. Where there are breaks, nothing is joined
// across one.
func zonesOf(list []store.Sample, gap time.Duration, from, to instant.Instant, breaks ...instant.Instant) map[string]float64 {
	zones := map[string]float64{}
	for _, name := range zoneNames {
		zones[name] = 0
	}
	known := 0.0
	var last *store.Sample
	for i := range list {
		s := &list[i]
		if !s.Flag.Usable() {
			continue
		}
		apart := last == nil || s.At.Sub(last.At) > gap || s.At <= last.At ||
			slices.ContainsFunc(breaks, func(b instant.Instant) bool { return last.At <= b && b < s.At })
		if !apart {
			whole := s.At.Sub(last.At).Seconds()
			// Cuts are parts of the way from one reading to the next.
			cuts := []float64{0, 1}
			for _, limit := range limits {
				if part := (limit - last.Value) / (s.Value - last.Value); part > 0 && part < 1 {
					cuts = append(cuts, part)
				}
			}
			begin := from.Sub(last.At).Seconds() / whole
			end := to.Sub(last.At).Seconds() / whole
			for _, edge := range []float64{begin, end} {
				if edge > 0 && edge < 1 {
					cuts = append(cuts, edge)
				}
			}
			sort.Float64s(cuts)
			for k := 1; k < len(cuts); k++ {
				middle := (cuts[k-1] + cuts[k]) / 2
				if middle < begin || middle > end {
					continue
				}
				v := last.Value + middle*(s.Value-last.Value)
				zone := 0
				for zone < 4 && (v > limits[zone] || zone < 2 && v == limits[zone]) {
					zone++
				}
				seconds := (cuts[k] - cuts[k-1]) * whole
				zones[zoneNames[zone]] += seconds
				known += seconds
			}
		}
		last = s
	}
	zones["unknown"] = to.Sub(from).Seconds() - known
	return zones
}

// checkReport: the program's own report of the whole time counts as the model does, and accounts for every millisecond.
func (h *house) checkReport(probe int, list []store.Sample) {
	h.t.Helper()
	from, to := instant.Of(begin), instant.Of(h.deaths[len(h.deaths)-1].at.Truncate(time.Millisecond))
	first := max(from, instant.Of(list[0].At.Time().Round(time.Millisecond))) // what is before it does not count
	var r struct {
		Points []struct {
			Point string
			Whole struct {
				From, To instant.Instant
				Elapsed  float64 `json:"elapsed_s"`
				Seconds  map[string]float64
			}
		}
	}
	out := h.program(h.t.Context(), "report", "--config", h.Config, "--format", "json", "--place", fmt.Sprintf("tub-%d", probe+1),
		"--from", from.String(), "--to", to.String())
	require.NoError(h.t, json.Unmarshal(out, &r))
	require.Len(h.t, r.Points, 1)
	whole := r.Points[0].Whole
	assert.Equal(h.t, first, whole.From)
	assert.Equal(h.t, to, whole.To)
	assert.InDelta(h.t, to.Sub(first).Seconds(), sum(whole.Seconds), 1e-6, "%s: the seven zones are the elapsed time", point(probe+1))
	want := zonesOf(list, gaps[probe], first, to)
	for _, zone := range zoneNames {
		assert.InDelta(h.t, want[zone], whole.Seconds[zone], 0.002, "%s: %s", point(probe+1), zone)
	}
}

// checkLedger: the ledger that the program kept through all its deaths accounts for every millisecond, with each downtime as
// unknown time, however short: a run joins nothing to what was read before it. Apart from that it may know more than the stored
// readings show, since an entry of the journal takes with it what was read after the last commit. It may know less only where
// the machine was so busy that readings came to the core when their gap had passed, which on a clock this fast takes a few hundredths of
// a second: a twentieth of the time is left for that, and where the core waited so long that it called a point stale, nothing is said.
func (h *house) checkLedger(probe int, list []store.Sample, stale bool) {
	h.t.Helper()
	messages := h.ears.points[fmt.Sprintf("tub-%d/water-temperature", probe+1)]
	require.NotEmpty(h.t, messages)
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(h.t, err)
	kept := h.firstCommit()
	begins := map[instant.Instant]bool{}
	for _, m := range messages {
		require.InDelta(h.t, m.Today.To.Sub(m.Today.From).Seconds(), time.Duration(m.Today.ElapsedS).Seconds(), 1e-6, "%s at %s", point(probe+1), m.Time)
		if m.Today.To > kept && m.Today.From.Time().In(lisbon).Format(time.TimeOnly) != "00:00:00" {
			begins[m.Today.From] = true
		}
	}
	last := messages[len(messages)-1].Today
	require.LessOrEqual(h.t, len(begins), 1, "once its begin is written the ledger begins there and at midnights: %v", begins)
	var breaks []instant.Instant
	for _, d := range h.deaths {
		breaks = append(breaks, instant.Of(d.at))
	}
	most := zonesOf(list, gaps[probe], last.From, last.To, breaks...)["unknown"]
	var least float64
	for i, d := range h.deaths[:len(h.deaths)-1] {
		died := instant.Of(d.at)
		first := instant.Instant(math.MaxInt64)
		for _, s := range list {
			if s.At > died {
				first = min(first, s.At)
			}
		}
		for _, r := range h.ears.readings {
			if r.point == point(probe+1) && r.at > died {
				first = min(first, r.at)
			}
		}
		// Deaths that follow each other without a reading between them are one downtime.
		if next := instant.Of(h.deaths[i+1].at); first > next {
			first = next
		}
		died, first = max(died, last.From), min(first, last.To)
		if dead := first.Sub(died); dead > 0 {
			least += dead.Seconds()
		}
	}
	elapsed := last.To.Sub(last.From).Seconds()
	if !stale {
		assert.LessOrEqual(h.t, float64(last.Seconds[watch.UnknownZone])/1000, most+elapsed/20, point(probe+1))
	}
	assert.GreaterOrEqual(h.t, float64(last.Seconds[watch.UnknownZone])/1000, least, point(probe+1))
	h.t.Logf("%s: unknown %.0f s of %.0f s; by the stored readings %.0f s, downtimes %.0f s",
		point(probe+1), float64(last.Seconds[watch.UnknownZone])/1000, elapsed, most, least)
}

// firstCommit returns when the first run died that had logged a commit: what was accounted for then is kept ever after.
func (h *house) firstCommit() instant.Instant {
	for _, d := range h.deaths {
		if written.MatchString(d.log) {
			return instant.Of(d.at)
		}
	}
	return instant.None
}

func sum(zones map[string]float64) (total float64) {
	for _, seconds := range zones {
		total += seconds
	}
	return total
}
