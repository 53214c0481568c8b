package intake

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// Feed says which point a channel of a sensor feeds, and how.
type Feed struct {
	Channel sensors.Channel
	Point   quantity.Point
	// Calibration corrects the channel; nil for none.
	Calibration *quality.Calibration
	// Tests are the thresholds; nil means the defaults of the quantity. Gap and Possible are filled in where they are
	// not set.
	Tests *quality.Tests
}

// Source is a sensor and the points it feeds.
type Source struct {
	ID    string
	Feeds []Feed
	// Gap is the longest time between two readings that belong together; 0 means 60 s.
	Gap time.Duration
	// Description is the driver's description of the part; the zero value where there is none.
	Description sensors.Description
}

// Sample is the outcome of one read, or of its absence.
type Sample struct {
	Sensor string
	// At is when the outcome was known, by the clock of what read it.
	At time.Time
	// Took is how long the read lasted.
	Took    time.Duration
	Reading sensors.Measurement
	Err     error // one of the kinds of sensors.KindOf; nil for a good read
}

// Reading is a reading of a point.
type Reading struct {
	Point quantity.Point
	At    instant.Instant
	Value float64 // NaN where nothing was obtained
	Flag  quantity.Flag
}

// Amendment is a late flag of a reading that was given out before.
type Amendment struct {
	Point quantity.Point
	At    instant.Instant // of that reading
	Flag  quantity.Flag
}

// Report is the state of a sensor, or of one of its channels, after a sample.
type Report struct {
	Channel sensors.Channel // "" for the part itself: whether it answers
	At      instant.Instant
	// Failure is what is wrong, for people; "" for a good read.
	Failure string
	Kind    sensors.Kind // of the failure
	// Unsteady means that the failure comes and goes: the channel is erratic, or differs from the others of its point.
	Unsteady bool
}

// Outcome is what a sample led to. Its slices are used again by the next call of Take.
type Outcome struct {
	Readings   []Reading
	Amendments []Amendment
	// Reports holds the report on the part and, if the part answers, one for each of its channels.
	Reports []Report
}

// Worst returns the report of the first thing that has failed, the part before its channels; without a failure that of the part.
func (o Outcome) Worst() Report {
	for _, r := range o.Reports {
		if r.Failure != "" {
			return r
		}
	}
	return o.Reports[0]
}

// Line turns samples into readings of points. It is used by one goroutine.
type Line struct {
	sources map[string]*source
	points  map[quantity.Point]*fusion
	outcome Outcome
}

// source is a sensor on the line.
type source struct {
	id     string
	feeds  []*feed
	single bool // the part has one channel: an impossible value is a fault of that channel, since the part answers
}

// feed is a channel and the point it feeds.
type feed struct {
	Feed
	configured *quality.Calibration // with which the line was made
	accuracy   float64              // expanded uncertainty of a value; 0 where it is not known
	judge      *quality.Judge
	to         *fusion
}

// fusion combines the sensors of one point.
type fusion struct {
	point    quantity.Point
	feeders  int
	choice   *quality.Redundancy
	disagree float64
	last     instant.Instant // time of the last reading given out
	// alone is the sensor whose reading was the last one returned unmixed, and can still be amended; "" for none.
	alone string
	at    instant.Instant
	odd   []string
	// spread is the distance between the sensors when odd was found.
	spread float64
}

// NewLine returns the line from sources to points. disagree is how far the sensors of a point may differ, in the unit of a
// difference; sensors of a point that is not in it are not compared.
func NewLine(sources []Source, disagree map[quantity.Point]float64) (*Line, error) {
	l := &Line{sources: map[string]*source{}, points: map[quantity.Point]*fusion{}}
	age := map[quantity.Point]time.Duration{}
	for _, s := range sources {
		if l.sources[s.ID] != nil {
			return nil, fmt.Errorf("sensor %q is there twice", s.ID)
		}
		gap := cmp.Or(s.Gap, time.Minute)
		on := &source{id: s.ID, single: max(len(s.Description.Measures), len(s.Feeds)) == 1}
		for _, f := range s.Feeds {
			made, err := newFeed(f, gap, s.Description)
			if err != nil {
				return nil, fmt.Errorf("sensor %q: %w", s.ID, err)
			}
			made.to = l.points[f.Point]
			if made.to == nil {
				made.to = &fusion{point: f.Point, disagree: disagree[f.Point], last: instant.None}
				l.points[f.Point] = made.to
			}
			if slices.ContainsFunc(on.feeds, func(other *feed) bool { return other.Point == f.Point || other.Channel == f.Channel }) {
				return nil, fmt.Errorf("sensor %q: %s and %s are fed twice", s.ID, f.Channel, f.Point)
			}
			made.to.feeders++
			age[f.Point] = max(age[f.Point], gap)
			on.feeds = append(on.feeds, made)
		}
		l.sources[s.ID] = on
	}
	for point, j := range l.points {
		if j.feeders > 1 {
			j.choice = quality.NewRedundancy(j.disagree, age[point])
		}
	}
	for point := range disagree {
		if l.points[point] == nil {
			return nil, fmt.Errorf("a difference between the sensors of %s is allowed, but no sensor feeds it", point)
		}
	}
	return l, nil
}

// newFeed checks a feed and fills in range and resolution from the description of the part.
func newFeed(f Feed, gap time.Duration, part sensors.Description) (*feed, error) {
	if unit := f.Point.Quantity.Unit().Symbol(); unit == "" || f.Channel.Unit() != unit {
		return nil, fmt.Errorf("channel %s is in %s and cannot feed %s", f.Channel, cmp.Or(f.Channel.Unit(), "no unit"), f.Point)
	}
	if err := f.Calibration.Check(); err != nil {
		return nil, fmt.Errorf("%s: %w", f.Channel, err)
	}
	measure, _ := part.MeasureOf(f.Channel)
	possible := quality.Range{Low: measure.Low, High: measure.High}
	tests := quality.Defaults(f.Point.Quantity, possible, measure.Resolution)
	if f.Tests != nil {
		tests = *f.Tests
		if tests.Possible == (quality.Range{}) {
			tests.Possible = possible
		}
	}
	tests.Gap = cmp.Or(tests.Gap, gap)
	return &feed{Feed: f, configured: f.Calibration, judge: quality.NewJudge(tests)}, nil
}

// Recalibrate puts in force what is on record of the channels of the sensors, and how well each is known. A channel of which only the
// configuration says something is corrected as the line was made.
func (l *Line) Recalibrate(states []calibration.State) {
	for i := range states {
		s := &states[i]
		from := l.sources[s.Sensor]
		if from == nil {
			continue
		}
		for _, f := range from.feeds {
			if string(f.Channel) != s.Channel {
				continue
			}
			f.Calibration, f.accuracy = f.configured, s.Uncertainty
			if s.Origin == calibration.Journal || s.Lapsed {
				f.Calibration = s.Calibration
			}
		}
	}
}

// Take handles one sample. An unknown sensor is an error.
//
// The time of the sample is rounded to the millisecond here and nowhere else, since that is what the history keeps: what is
// interpolated from the readings of a replay is then the same instant as live.
func (l *Line) Take(s Sample) (Outcome, error) {
	from := l.sources[s.Sensor]
	if from == nil {
		return Outcome{}, fmt.Errorf("a sample of the sensor %q, which feeds nothing", s.Sensor)
	}
	at := instant.Of(s.At).Rounded()
	l.outcome.Readings, l.outcome.Amendments = l.outcome.Readings[:0], l.outcome.Amendments[:0]
	l.outcome.Reports = append(l.outcome.Reports[:0], Report{At: at})
	for _, f := range from.feeds {
		l.take(from, f, at, &s)
	}
	l.settleReports(from, &s)
	return l.outcome, nil
}

// settleReports decides whether a failure belongs to the part or to a channel. If the part does not answer there is no report on its
// channels; a part that gives none of its values counts as not answering.
func (l *Line) settleReports(from *source, s *Sample) {
	part, channels := &l.outcome.Reports[0], l.outcome.Reports[1:]
	switch {
	case s.Err == nil:
		missing := func(r Report) bool { return r.Failure != "" && r.Kind == sensors.Unknown }
		if len(channels) == 0 || slices.ContainsFunc(channels, func(r Report) bool { return !missing(r) }) {
			return
		}
		part.Failure = channels[0].Failure
	case from.single && sensors.KindOf(s.Err) == sensors.Implausible:
		channels[0].Failure, channels[0].Kind = s.Err.Error(), sensors.Implausible
		return
	default:
		part.Failure, part.Kind = s.Err.Error(), sensors.KindOf(s.Err)
	}
	l.outcome.Reports = l.outcome.Reports[:1]
}

// take handles one channel of a sample.
func (l *Line) take(from *source, f *feed, at instant.Instant, s *Sample) {
	measured, found := s.Reading.Measured(f.Channel)
	refusal, refused := s.Reading.RefusalOf(f.Channel)
	switch {
	case refused:
		measured = refusal.Value
	case !found:
		measured.Value = math.NaN()
	}
	l.outcome.Reports = append(l.outcome.Reports, Report{Channel: f.Channel, At: at})
	report := &l.outcome.Reports[len(l.outcome.Reports)-1]
	if refused {
		report.blame(sensors.Implausible, "%s", refusal.Err)
	}
	reading, verdict := f.judged(&quality.Observation{
		At:       at,
		Value:    f.Calibration.Apply(measured.Value),
		Measured: measured.Value,
		Raw:      measured.Raw,
		Wrong:    refused || s.Err != nil, // values that come with an error are evidence
		First:    s.Reading.First || s.Reading.Reset,
		Heated:   s.Reading.Heated,
	}, report)
	if f.to.choice == nil {
		l.outcome.Readings = append(l.outcome.Readings, reading)
		if verdict.Amended {
			l.amend(f, verdict.Amendment)
		}
		return
	}
	l.choose(from, f, report, &reading, &verdict)
}

// judged makes a reading of an observation of a channel, and blames it in the report for what is wrong with the value.
func (f *feed) judged(o *quality.Observation, report *Report) (Reading, quality.Verdict) {
	verdict := f.judge.Judge(*o)
	reading := Reading{Point: f.Point, At: o.At, Value: o.Value, Flag: verdict.Flag}
	switch {
	case verdict.Flag == quantity.Missing:
		reading.Value = math.NaN()
		report.blame(sensors.Unknown, "it gave no %s", f.Channel)
	case verdict.Erratic && verdict.Flag == quantity.Fail:
		report.blameUnsteady("%s is raving and cannot be believed: it jumps to and fro", f.Channel)
	case verdict.Flag == quantity.Fail:
		report.blame(sensors.Implausible, "%s %s: %s", f.Channel, shown(reading.Value, f.Point.Quantity), verdict.Why)
	}
	return reading, verdict
}

// choose handles a reading of a point that several sensors feed.
func (l *Line) choose(from *source, f *feed, report *Report, reading *Reading, verdict *quality.Verdict) {
	j := f.to
	if verdict.Amended && j.alone == from.id && j.at == verdict.Amendment.At {
		l.amend(f, verdict.Amendment)
	}
	offered := quality.Candidate{Sensor: from.id, At: reading.At, Value: reading.Value, Flag: reading.Flag, Uncertainty: f.accuracy}
	if offered.Flag.Usable() && j.choice.Another(from.id, reading.At) {
		// Of a channel that raves even the steady readings count only where there is nothing better, and so do values that no room has.
		if verdict.Why == quality.Expectation {
			report.blame(sensors.Implausible, "%s %s: %s, and another sensor says otherwise", f.Channel, shown(reading.Value, f.Point.Quantity), verdict.Why)
		}
		if verdict.Erratic || verdict.Why == quality.Expectation {
			offered.Flag = quantity.Fail
		}
	}
	choice := j.choice.Offer(offered)
	j.odd, j.spread = choice.Odd, choice.Spread
	if slices.Contains(j.odd, from.id) {
		report.blameUnsteady("%s", j.disagreement(from.id))
	}
	if choice.Of > 0 && !offered.Flag.Usable() {
		return // another sensor speaks for the point
	}
	if j.last < reading.At || j.last.Sub(reading.At) > time.Minute {
		j.last = reading.At
	} else {
		return // two sensors at the same moment are one reading; this one counts in the next
	}
	if choice.Of <= 1 {
		j.alone, j.at = from.id, reading.At
	} else {
		j.alone = ""
		reading.Value, reading.Flag = choice.Value, choice.Flag
	}
	l.outcome.Readings = append(l.outcome.Readings, *reading)
}

// disagreement returns the text, for people, that a sensor differs from the others of its point.
func (j *fusion) disagreement(id string) string {
	unit := j.point.Quantity.DifferenceUnit()
	text := fmt.Sprintf("the sensors of %s differ by %s %s (allowed: %s)", j.point,
		strconv.FormatFloat(j.spread, 'f', 1, 64), unit.Shown(), strconv.FormatFloat(j.disagree, 'g', 3, 64))
	others := slices.DeleteFunc(slices.Clone(j.odd), func(other string) bool { return other == id })
	if len(others) > 0 {
		return text + ", and this one or " + strings.Join(others, ", ") + " is wrong"
	}
	return text + ", and this one is the farthest from the rest"
}

// amend passes on a late flag.
func (l *Line) amend(f *feed, a quality.Amendment) {
	l.outcome.Amendments = append(l.outcome.Amendments, Amendment{Point: f.Point, At: a.At, Flag: a.Flag})
}

// blame sets the failure unless there is one.
func (r *Report) blame(kind sensors.Kind, format string, args ...any) {
	if r.Failure == "" {
		r.Failure, r.Kind = fmt.Sprintf(format, args...), kind
	}
}

// blameUnsteady is blame for a failure that comes and goes.
func (r *Report) blameUnsteady(format string, args ...any) {
	r.blame(sensors.Implausible, format, args...)
	r.Unsteady = true
}

// Distrust takes the channel that feeds a point to be erratic from a time on: it was so when the last line ended.
func (l *Line) Distrust(sensor string, point quantity.Point, at instant.Instant) {
	if s := l.sources[sensor]; s != nil {
		for _, f := range s.feeds {
			if f.Point == point {
				f.judge.Distrust(at)
			}
		}
	}
}

// shown prints a value for a message.
func shown(value float64, q quantity.Quantity) string {
	return strconv.FormatFloat(value, 'g', 6, 64) + " " + q.Unit().Shown()
}

// Shift moves all remembered times by a step of the clock.
func (l *Line) Shift(by time.Duration) {
	for _, s := range l.sources {
		for _, f := range s.feeds {
			f.judge.Shift(by)
		}
	}
	for _, j := range l.points {
		if j.choice != nil {
			j.choice.Shift(by)
		}
		instant.Shift(by, &j.at, &j.last)
	}
}
