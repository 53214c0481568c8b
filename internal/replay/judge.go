package replay

import (
	"fmt"
	"iter"
	"slices"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/source/recorded"
	"dewline/sensors"
)

// Judging says how the rows that carry no flag are judged: by one source for each point, named like it, that has a single feed. A
// point without a source is not judged, and its rows pass.
type Judging []intake.Source

// judge gives the rows of a record their flags, in the order in which they come.
type judge struct {
	points []*intake.Lone // by the number of the point in the record; nil for a point that is not judged
	// kept says that a daemon has judged the rows: their flags stay, while what the tests say of the channels counts as it did then.
	kept bool
	said intake.Judgement // of the row that is judged
}

// verdict is what the tests say of the channel of a row; known is false where they say nothing.
type verdict struct {
	known, unsteady, implausible bool
	failure                      string // "" for a good read
}

// judgedRow is a row with its verdict.
type judgedRow struct {
	recorded.Row
	verdict
}

// newJudge returns a judge of the points of a record.
func newJudge(by Judging, record *recorded.Stream) (*judge, error) {
	j := &judge{points: make([]*intake.Lone, len(record.Points)), kept: record.Kept}
	for i, p := range record.Points {
		if n := slices.IndexFunc(by, func(s intake.Source) bool { return s.Feeds[0].Point == p }); n >= 0 {
			of, err := intake.NewLone(&by[n])
			if err != nil {
				return nil, fmt.Errorf("judging the readings: %w", err)
			}
			j.points[i] = &of
		}
	}
	return j, nil
}

// take judges a row, and sets its flag where it carries none. A row that carries a flag keeps it; a later one is compared with it. Where the row
// before it gets another flag, amendment says so.
func (j *judge) take(row *recorded.Row) (v verdict, amendment *quality.Amendment) {
	p := j.points[row.Point]
	if p == nil || row.Flag == quantity.Missing || !row.Unflagged && !row.Flag.Usable() && !j.kept {
		return v, nil
	}
	p.Take(row.At, row.Value, &j.said)
	v = verdict{known: true, unsteady: j.said.Report.Unsteady, implausible: j.said.Report.Kind == sensors.Implausible, failure: j.said.Report.Failure}
	switch {
	case row.Unflagged:
		row.Flag = j.said.Flag
	case !j.kept:
		v.failure = ""
	}
	if j.said.Amended {
		amendment = &j.said.Amendment
	}
	return v, amendment
}

// Judged returns a record with the flags that its rows would have in the history of a daemon: those of the tests, late ones included.
// A row is held back until its flag can change no more, which is for the longest gap of the points.
func Judged(record *recorded.Stream, by Judging) *recorded.Stream {
	var hold time.Duration
	for _, s := range by {
		hold = max(hold, s.Gap, time.Minute)
	}
	final := *record
	final.Rows = func() iter.Seq2[recorded.Row, error] {
		return func(yield func(recorded.Row, error) bool) {
			j, err := newJudge(by, record)
			if err != nil {
				yield(recorded.Row{}, err)
				return
			}
			var held []recorded.Row
			for row, err := range record.Rows() {
				if err != nil {
					yield(row, err)
					return
				}
				if _, a := j.take(&row); a != nil {
					amend(held, row.Point, a)
				}
				ready := 0
				for ready < len(held) && row.At.Sub(held[ready].At) > hold {
					if !yield(held[ready], nil) {
						return
					}
					ready++
				}
				held = append(slices.Delete(held, 0, ready), row)
			}
			for _, row := range held {
				if !yield(row, nil) {
					return
				}
			}
		}
	}
	return &final
}

// amend gives a row that is held back another flag, unless the record gave it one.
func amend(held []recorded.Row, point int32, a *quality.Amendment) {
	for i := len(held) - 1; i >= 0 && held[i].At.Add(time.Millisecond) >= a.At; i-- {
		if row := &held[i]; row.Point == point && row.At.Rounded() == a.At {
			if row.Unflagged {
				row.Flag = a.Flag
			}
			return
		}
	}
}

// channelOf is the one channel that feeds a point: of which sensor of the site, and which of its channels, counted from 1.
type channelOf struct{ sensor, channel int32 }

// channelsOf finds the channels that alone feed the points of a record; sensor −1 for a point that none or several feed.
func channelsOf(site watch.Site, points []quantity.Point) []channelOf {
	list := make([]channelOf, len(points))
	for i, p := range points {
		list[i].sensor = -1
		feeders := 0
		for s := range site.Sensors {
			for c, channel := range site.Sensors[s].Channels {
				if channel.Feeds == p {
					list[i] = channelOf{int32(s), int32(c) + 1}
					feeders++
				}
			}
		}
		if feeders > 1 {
			list[i].sensor = -1
		}
	}
	return list
}

// judgedAlarms returns the alarms that a daemon would have raised of a record.
func judgedAlarms(
	site watch.Site, record *recorded.Stream, ignored map[quantity.Point]bool, from, to instant.Instant, by Judging,
) ([]AlarmReport, error) {
	live, err := newRun(site, record, ignored, from, to)
	if err != nil {
		return nil, err
	}
	if live.judge, err = newJudge(by, record); err != nil {
		return nil, err
	}
	live.channels, live.kept = channelsOf(site, record.Points), record.Kept
	err = live.fold()
	return live.alarms, err
}

// judgeGroup folds in the reports on the channels that fail, of the rows of one time. Those on the others are folded in after the
// readings, in the order of [pipeline.Pipeline.Take].
func (r *run) judgeGroup() {
	r.good = r.good[:0]
	if r.kept {
		r.absent()
	}
	for i := range r.group {
		row := &r.group[i]
		channel := r.channels[row.Point]
		if !row.known || channel.sensor < 0 {
			continue
		}
		if row.failure != "" || !r.core.Steady(channel.sensor, channel.channel) {
			r.report(row, channel)
		}
		if r.kept && !r.core.Steady(channel.sensor, 0) {
			r.good = append(r.good, watch.Event{Kind: watch.SensorEvent, At: row.At, Sensor: channel.sensor, Flag: quantity.Missing})
		}
	}
}

// report folds in what the tests say of the channel of a row, a good one later.
func (r *run) report(row *judgedRow, channel channelOf) {
	ev := watch.Event{
		Kind: watch.SensorEvent, At: row.At, Sensor: channel.sensor, Channel: channel.channel, Failure: row.failure, Flag: quantity.Missing,
		Unsteady: row.unsteady,
	}
	if row.implausible {
		ev.Flag = quantity.Fail
	}
	if ev.Failure == "" {
		r.good = append(r.good, ev)
	} else {
		r.step(ev)
	}
}

// absent folds in the reads that a daemon has recorded as missing: that of a sensor where it gave nothing at that time, else that of
// a channel.
func (r *run) absent() {
	answers := func(sensor int32) bool {
		return slices.ContainsFunc(r.group, func(row judgedRow) bool {
			return row.Flag != quantity.Missing && r.channels[row.Point].sensor == sensor
		})
	}
	for i := range r.group {
		row := &r.group[i]
		channel := r.channels[row.Point]
		if row.Flag != quantity.Missing || channel.sensor < 0 {
			continue
		}
		ev := watch.Event{Kind: watch.SensorEvent, At: row.At, Sensor: channel.sensor, Failure: "it gave no value", Flag: quantity.Missing}
		if answers(channel.sensor) {
			ev.Channel = channel.channel
		}
		r.step(ev)
	}
}
