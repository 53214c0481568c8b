package report

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/format/exposure"
	"dewline/internal/store"
)

// Performance holds the measures of alarm performance over a range (ISA-18.2, clause 16). Its JSON form is described in the
// package comment.
type Performance struct {
	Report        string           `json:"report"`
	Version       int              `json:"version"`
	Site          string           `json:"site"`
	Timezone      string           `json:"timezone"`
	From          instant.Instant  `json:"from"`
	To            instant.Instant  `json:"to"`
	Made          instant.Instant  `json:"made"`
	MonitoredS    exposure.Seconds `json:"monitored_s"`
	Days          exposure.Number  `json:"days"` // monitored
	Enough        bool             `json:"enough"`
	Annunciations int              `json:"annunciations"`
	Repeats       int              `json:"repeats"`
	Figures       []Figure         `json:"figures"`
	Top           []Ranked         `json:"top"`
	Chattering    []Counted        `json:"chattering"`
	Fleeting      []Counted        `json:"fleeting"`
	Standing      []Standing       `json:"standing"`
	Responses     []Response       `json:"responses"`
	Suppressed    []Suppressed     `json:"suppressed"`

	location *time.Location
}

// Figure is one figure beside its published target.
type Figure struct {
	Name    string           `json:"name"`
	Title   string           `json:"title"`
	Value   *exposure.Number `json:"value"`
	Unit    string           `json:"unit,omitempty"` // "share" is from 0 to 1
	Target  string           `json:"target"`
	Source  string           `json:"source"`
	Verdict string           `json:"verdict"`
}

// Ranked is an alarm and its share in all annunciations.
type Ranked struct {
	Alarm string          `json:"alarm"`
	Count int             `json:"count"`
	Share exposure.Number `json:"share"`
}

// Counted is an alarm and how often something happened to it.
type Counted struct {
	Alarm string `json:"alarm"`
	Count int    `json:"count"`
}

// Standing is an occurrence that went on for more than a day.
type Standing struct {
	Alarm   string          `json:"alarm"`
	Raised  instant.Instant `json:"raised"`
	Cleared instant.Instant `json:"cleared"`
}

// Response is how soon a person acknowledged the alarms of one priority.
type Response struct {
	Priority     string            `json:"priority"`
	Raised       int               `json:"raised"` // occurrences that called for a person
	Acknowledged int               `json:"acknowledged"`
	MedianS      *exposure.Seconds `json:"median_s"`
	LongestS     *exposure.Seconds `json:"longest_s"`
	AllowableS   *exposure.Seconds `json:"allowable_s"`
	Within       int               `json:"within"` // acknowledged within the allowable time
}

// Suppressed is an alarm that was kept silent at the end of the range.
type Suppressed struct {
	Alarm  string          `json:"alarm"`
	State  string          `json:"state"`
	Since  instant.Instant `json:"since"`
	Until  instant.Instant `json:"until"`
	By     string          `json:"by,omitempty"`
	Reason string          `json:"reason,omitempty"`
}

// Alarms makes an alarm report of a range out of a history.
func Alarms(ctx context.Context, h History, r Request) (*Performance, error) {
	monitored, err := Monitored(ctx, h, r.From, r.To, widestGap(r))
	if err != nil {
		return nil, err
	}
	entries, err := Entries(ctx, h, store.Filter{To: r.To.Add(1)})
	if err != nil {
		return nil, err
	}
	watched := assemble.Site(r.Site)
	p := Judge(Evidence{
		Entries: entries, Monitored: monitored, From: r.From, To: r.To, Location: watched.Location, Light: watched.Light,
	})
	p.Site, p.Made = r.Site.ID, cmp.Or(r.Made, instant.None)
	return p, nil
}

func widestGap(r Request) time.Duration {
	var widest time.Duration
	for i := range r.Site.Sensors {
		widest = max(widest, r.Site.Sensors[i].GapOrDefault())
	}
	return widest
}

// Evidence is what [Judge] judges.
type Evidence struct {
	// Entries are the journal from its beginning to the end of the range, the oldest first.
	Entries []*journal.Entry
	// Monitored has one element for each ten minutes that overlap the range: whether any point was watched then. See [Monitored].
	Monitored []bool
	From, To  instant.Instant
	Location  *time.Location
	Light     care.Light
}

// The numbers by which alarms are judged.
const (
	enoughDays     = 30.0 // of data, ANSI/ISA-18.2-2016 clause 16
	standingBeyond = 24 * time.Hour
	fewAlarms      = 50 // with fewer different alarms the worst three are ranked instead of the worst ten (proposal)
)

// annunciation is an entry of an alarm into the state that calls for a person.
type annunciation struct {
	at       instant.Instant
	alarm    string
	priority string
	repeat   bool
}

// Judge computes the figures of ANSI/ISA-18.2-2016 clause 16 (read through public digests of it) and their companions in EEMUA
// 191 (through a published grid) and HSE Chemicals Sheet 6.
//
// Only annunciations count: entries into the state unacknowledged, the only one that calls for a person. Repeats and returns
// from shelves count as well, each in its own column. Rates are per monitored time, in bins of ten minutes and of an hour that
// are fixed to whole multiples of their length in UTC: a sliding window would find other floods. A flood begins with a bin of more
// than 10 and ends before the first bin of fewer than 5. A night is one of the site's light hours. An upset is the start of a
// run, or a room's alarm that speaks for its enclosures.
//
// The targets are made for a staffed console of a plant. For one keeper at home take a tenth of them or less; the figures
// with "home" in their source are this program's proposal. Below 30 days of data there is no verdict.
func Judge(e Evidence) *Performance {
	j := judge{Evidence: e}
	j.gather()
	p := &Performance{
		Report: "alarms", Version: 1, Timezone: e.Location.String(), From: e.From, To: e.To, Made: instant.None,
		MonitoredS: exposure.Seconds(j.monitored), Days: exposure.Number(j.monitored.Hours() / 24),
		Annunciations: len(j.calls), Top: []Ranked{}, Chattering: []Counted{}, Fleeting: []Counted{}, Standing: []Standing{},
		Responses: []Response{}, Suppressed: []Suppressed{}, location: e.Location,
	}
	p.Enough = float64(p.Days) >= enoughDays
	for _, c := range j.calls {
		if c.repeat {
			p.Repeats++
		}
	}
	p.Top = j.top()
	p.Chattering, p.Fleeting = j.restless()
	p.Standing = j.standing()
	p.Responses = j.responses()
	p.Suppressed = j.suppressed()
	p.Figures = j.figures(p)
	return p
}

type judge struct {
	Evidence
	calls       []annunciation
	occurrences []Alarm        // all that there were up to the end of the range
	monitored   time.Duration  // of the range
	bins        int            // monitored
	hours       map[int64]bool // with a monitored bin in them
	counts      map[int64]int  // annunciations by bin
}

func (j *judge) gather() {
	j.occurrences = occurrencesOf(j.Entries)
	j.counts = map[int64]int{}
	for _, e := range j.Entries {
		if c, ok := j.call(e); ok && e.At >= j.From && e.At < j.To {
			j.calls = append(j.calls, c)
			j.counts[nuisance.BinOf(e.At)]++
		}
	}
	slices.SortStableFunc(j.calls, func(a, b annunciation) int { return compare(a.at, b.at) })
	j.hours = map[int64]bool{}
	first := nuisance.BinOf(j.From)
	for i, seen := range j.Monitored {
		if !seen {
			continue
		}
		begin, end := max(nuisance.BinStart(first+int64(i)), j.From), min(nuisance.BinStart(first+int64(i)+1), j.To)
		if end > begin {
			j.bins++
			j.hours[int64(begin)/int64(time.Hour)] = true
			j.monitored += end.Sub(begin)
		}
	}
}

// call returns the annunciation of an entry, and false for an entry that does not call for a person.
func (j *judge) call(e *journal.Entry) (annunciation, bool) {
	if !nuisance.Calls(e) {
		return annunciation{}, false
	}
	return annunciation{e.At, e.Alarm, e.Priority, e.Kind != journal.AlarmRaised}, true
}

// inRange are the occurrences raised in the range.
func (j *judge) inRange() []*Alarm {
	var in []*Alarm
	for i := range j.occurrences {
		if a := &j.occurrences[i]; a.Raised >= j.From && a.Raised < j.To {
			in = append(in, a)
		}
	}
	return in
}

// per counts annunciations in bins of a length.
func (j *judge) per(length time.Duration) map[int64]int {
	counts := map[int64]int{}
	for _, c := range j.calls {
		counts[int64(c.at)/int64(length)]++
	}
	return counts
}

func largest[K comparable](counts map[K]int) int {
	most := 0
	for _, n := range counts {
		most = max(most, n)
	}
	return most
}

func above[K comparable](counts map[K]int, limit int) int {
	n := 0
	for _, c := range counts {
		if c > limit {
			n++
		}
	}
	return n
}

// floods returns how many floods there were, and the bins they lasted.
func (j *judge) floods() (floods, bins int) {
	if j.To <= j.From {
		return 0, 0
	}
	inFlood := false
	for b := nuisance.BinOf(j.From); b <= nuisance.BinOf(j.To-1); b++ {
		before := inFlood
		if inFlood = nuisance.InFlood(before, j.counts[b]); inFlood {
			bins++
			if !before {
				floods++
			}
		}
	}
	return floods, bins
}

// top ranks the most frequent alarms.
func (j *judge) top() []Ranked {
	ranked := []Ranked{}
	for _, c := range tally(j.calls, func(c annunciation) string { return c.alarm }) {
		ranked = append(ranked, Ranked{c.Alarm, c.Count, exposure.Number(float64(c.Count) / float64(len(j.calls)))})
	}
	most := 10
	if len(ranked) < fewAlarms {
		most = 3
	}
	return ranked[:min(most, len(ranked))]
}

// tally counts by name, the most frequent first.
func tally[T any](all []T, name func(T) string) []Counted {
	counts := map[string]int{}
	for _, v := range all {
		counts[name(v)]++
	}
	list := []Counted{}
	for name, n := range counts {
		list = append(list, Counted{name, n})
	}
	slices.SortStableFunc(list, func(a, b Counted) int { return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Alarm, b.Alarm)) })
	return list
}

// restless finds the alarms that chatter, and those that flit by. A raise and a clear are never the doing of a person.
func (j *judge) restless() (chattering, fleeting []Counted) {
	byAlarm := map[string][]nuisance.Stay{}
	for _, a := range j.inRange() {
		if a.announced {
			byAlarm[a.Alarm] = append(byAlarm[a.Alarm], nuisance.Stay{Raised: a.Raised, Cleared: a.Cleared})
		}
	}
	var chatters, flits []string
	for name, list := range byAlarm {
		for i := range list {
			if nuisance.Chatters(list, i) {
				chatters = append(chatters, name)
			}
			if nuisance.Fleeting(list, i) {
				flits = append(flits, name)
			}
		}
	}
	itself := func(s string) string { return s }
	return tally(chatters, itself), tally(flits, itself)
}

// standing are the occurrences that had been active for more than a day at some time of the range.
func (j *judge) standing() []Standing {
	list := []Standing{}
	for i := range j.occurrences {
		if from, to := j.stood(&j.occurrences[i]); from < to {
			a := &j.occurrences[i]
			list = append(list, Standing{a.Alarm, a.Raised, a.Cleared})
		}
	}
	return list
}

// stood returns the part of the range in which an occurrence had been active for more than a day.
func (j *judge) stood(a *Alarm) (from, to instant.Instant) {
	to = j.To
	if !a.Cleared.IsNone() {
		to = min(to, a.Cleared)
	}
	return max(j.From, a.Raised.Add(standingBeyond)), to
}

// maxStanding is the largest number of standing alarms on one local day.
func (j *judge) maxStanding() int {
	most := 0
	for day := j.From; day < j.To; {
		end := min(j.To, instant.Of(care.NextMidnight(day.Time(), j.Location)))
		n := 0
		for i := range j.occurrences {
			if from, to := j.stood(&j.occurrences[i]); from < to && from < end && to > day {
				n++
			}
		}
		most, day = max(most, n), end
	}
	return most
}

// responses computes, for each priority, how soon alarms were acknowledged.
func (j *judge) responses() []Response {
	list := []Response{}
	for _, priority := range []care.Priority{care.CriticalPriority, care.HighPriority, care.MediumPriority, care.LowPriority} {
		r := Response{Priority: priority.String()}
		limit, limited := priority.Allowable(), priority != care.LowPriority // which has none but the next visit
		var waits []time.Duration
		for _, a := range j.inRange() {
			if a.Priority != r.Priority || !a.announced || asksForNothing(a.Alarm) {
				continue
			}
			r.Raised++
			if !a.Acknowledged.IsNone() {
				waits = append(waits, a.Acknowledged.Sub(a.Raised))
			}
		}
		if r.Raised == 0 {
			continue
		}
		slices.Sort(waits)
		if r.Acknowledged = len(waits); r.Acknowledged > 0 {
			r.MedianS, r.LongestS = new(exposure.Seconds(median(waits))), new(exposure.Seconds(waits[len(waits)-1]))
		}
		if limited {
			r.AllowableS = new(exposure.Seconds(limit))
			for _, w := range waits {
				if w <= limit {
					r.Within++
				}
			}
		}
		list = append(list, r)
	}
	return list
}

func median(sorted []time.Duration) time.Duration {
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// asksForNothing reports whether an alarm is only a notice of what may come: it needs no acknowledgement.
func asksForNothing(alarm string) bool {
	return strings.HasSuffix(alarm, "/rising") || strings.HasSuffix(alarm, "/falling")
}

// suppressed lists what was kept silent at the end of the range.
func (j *judge) suppressed() []Suppressed {
	last := map[string]Suppressed{}
	for _, e := range j.Entries {
		if e.Alarm == "" || e.State == "" {
			continue
		}
		words := e.State.Words()
		switch before, was := last[e.Alarm]; {
		case !e.State.Silenced():
			delete(last, e.Alarm)
		case was && before.State == words && e.Kind != journal.AlarmShelved: // a raise or a clear in the same state
		default:
			s := Suppressed{Alarm: e.Alarm, State: words, Since: e.At, Until: instant.None, By: e.By, Reason: e.Reason}
			if e.Until != nil {
				s.Until = *e.Until
			}
			last[e.Alarm] = s
		}
	}
	list := []Suppressed{}
	for _, s := range last {
		list = append(list, s)
	}
	slices.SortStableFunc(list, func(a, b Suppressed) int { return cmp.Or(compare(a.Since, b.Since), cmp.Compare(a.Alarm, b.Alarm)) })
	return list
}

// afterUpset is the largest number of annunciations within ten minutes of an upset.
func (j *judge) afterUpset() (most, upsets int) {
	for _, e := range j.Entries {
		upset := e.Kind == journal.RunStarted || e.Kind == journal.AlarmRaised && len(e.Names) > 0
		if !upset || e.At < j.From || e.At >= j.To {
			continue
		}
		upsets++
		n := 0
		for _, c := range j.calls {
			if c.at >= e.At && c.at < e.At.Add(nuisance.Bin) {
				n++
			}
		}
		most = max(most, n)
	}
	return most, upsets
}

// worst returns the largest numbers of annunciations in one local day and in one night.
func (j *judge) worst() (day, night int) {
	days, nights := map[instant.Instant]int{}, map[instant.Instant]int{}
	for _, c := range j.calls {
		days[instant.Of(care.NextMidnight(c.at.Time(), j.Location))]++
		if !j.Light.IsDay(c.at.Time()) {
			nights[instant.Of(j.Light.NextSwitch(c.at.Time()))]++ // one night has one end
		}
	}
	return largest(days), largest(nights)
}

// goal is a target that a value is held against.
type goal struct {
	limit float64
	below bool // the limit itself misses it
}

// figures holds everything against its target.
func (j *judge) figures(p *Performance) []Figure {
	n := float64(len(j.calls))
	share := func(part, whole float64) float64 { // NaN where there is nothing to have a share of
		return part / whole
	}
	hours := j.monitored.Hours()
	floods, floodBins := j.floods()
	upset, upsets := j.afterUpset()
	day, night := j.worst()
	topShare := 0.0
	for _, r := range p.Top {
		topShare += float64(r.Share)
	}
	if len(j.calls) == 0 {
		topShare = math.NaN()
	}
	count := func(list []Counted) float64 { return float64(len(list)) }
	var list []Figure
	add := func(name, title string, value float64, unit, target, source string, g *goal) {
		f := Figure{Name: name, Title: title, Value: exposure.NumberOf(value), Unit: unit, Target: target, Source: source}
		switch {
		case f.Value == nil:
			f.Verdict = "nothing to judge"
		case g == nil:
			f.Verdict = ""
		case !p.Enough:
			f.Verdict = fmt.Sprintf("%s, not enough", daysOf(float64(p.Days)))
		case value < g.limit || !g.below && value == g.limit:
			f.Verdict = "met"
		default:
			f.Verdict = "missed"
		}
		list = append(list, f)
	}
	most := func(limit float64) *goal { return &goal{limit: limit} }
	under := func(limit float64) *goal { return &goal{limit: limit, below: true} }
	const isa, eemua, hse, home = "ANSI/ISA-18.2-2016", "EEMUA 191", "HSE Chemicals Sheet 6", "for one keeper at home: proposal, no published source"
	add("per_hour", "alarms an hour", n/hours, "1/h", "about 6, at most 12", isa, most(12))
	add("per_10_min", "alarms in ten minutes, on average", share(n, float64(j.bins)), "", "about 1, at most 2", isa, most(2))
	add("per_day", "alarms a day", n/hours*24, "1/d", "about 150, at most 300", "ANSI/ISA-18.2-2009 and "+eemua, most(300))
	add("worst_day", "alarms on the worst local day", float64(day), "", "at most 2", home, most(2))
	if !j.Light.AlwaysDay {
		add("worst_night", "alarms in the worst night", float64(night), "", "at most 1", home, most(1))
	}
	add("hours_above_30", "hours with more than 30", share(float64(above(j.per(time.Hour), 30)), float64(len(j.hours))), "share", "below 1 %", isa, under(0.01))
	add("bins_above_10", "ten minutes with more than 10", share(float64(above(j.counts, 10)), float64(j.bins)), "share", "below 1 %", isa, under(0.01))
	add("peak_10_min", "most in ten minutes", float64(largest(j.counts)), "", "at most 10", isa, most(10))
	add("peak_hour", "most in an hour", float64(largest(j.per(time.Hour))), "", "at most 15", eemua, most(15))
	add("peak_minute", "most in a minute", float64(largest(j.per(time.Minute))), "", "at most 2", eemua, most(2))
	add("floods", "floods", float64(floods), "", "none", home, most(0))
	add("time_in_flood", "time in flood", share(float64(floodBins), float64(j.bins)), "share", "below 1 %", isa, under(0.01))
	upsetValue := float64(upset)
	if upsets == 0 {
		upsetValue = math.NaN()
	}
	add("after_upset", "most in the first ten minutes after an upset", upsetValue, "", "at most 10", hse, most(10))
	title := "share of the three most frequent alarms"
	if len(p.Top) > 3 {
		title = "share of the ten most frequent alarms"
	}
	add("top_share", title, topShare, "share", "1 % to 5 %, with a plan for each (of ten)", isa, nil)
	add("chattering", "alarms that chatter (3 times within a minute)", count(p.Chattering), "", "none", isa+"; the number is common practice", most(0))
	add("fleeting", "alarms that flit by (under 10 s, once)", count(p.Fleeting), "", "none", isa+"; the number is common practice", most(0))
	add("standing", "alarms that stood for over 24 h, on the worst day", float64(j.maxStanding()), "", "fewer than 5", isa, under(5))
	for _, s := range []struct {
		priority care.Priority
		target   string
		goal     *goal
	}{
		{care.CriticalPriority, "below 1 % (the highest of four)", under(0.01)},
		{care.HighPriority, "about 5 %", nil}, {care.MediumPriority, "about 15 %", nil}, {care.LowPriority, "about 80 %", nil},
	} {
		of := 0
		for _, c := range j.calls {
			if c.priority == s.priority.String() {
				of++
			}
		}
		add("share_"+s.priority.String(), "share of priority "+s.priority.String(), share(float64(of), n), "share", s.target, isa, s.goal)
	}
	return list
}

// daysOf writes a number of days of data.
func daysOf(days float64) string {
	if days < 10 {
		return fmt.Sprintf("%.1f days", days)
	}
	return fmt.Sprintf("%.0f days", math.Floor(days))
}
