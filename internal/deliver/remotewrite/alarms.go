package remotewrite

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline/internal/core/journal"
	"dewline/internal/format/metricname"
	"dewline/internal/store"
)

// alarmKinds are the entries that change whether an alarm is active or waits for a person.
var alarmKinds = []journal.Kind{
	journal.AlarmRaised, journal.AlarmCleared, journal.AlarmAcknowledged, journal.AlarmReset, journal.AlarmRepeated, journal.AlarmWorsened,
	journal.AlarmShelved, journal.AlarmUnshelved, journal.AlarmSuppressed, journal.AlarmReturned, journal.AlarmDisabled, journal.AlarmEnabled,
}

// entriesPage is how many entries are read at a time.
const entriesPage = 1000

// alarmEntries returns the entries about alarms in [from, to), in milliseconds, in the order of their times.
func alarmEntries(ctx context.Context, from Store, begin, end int64) ([]*journal.Entry, error) {
	var all []*journal.Entry
	for filter := (store.Filter{From: fromMillis(begin), To: fromMillis(end), Kinds: alarmKinds, Limit: entriesPage}); ; {
		page, err := from.Journal(ctx, filter)
		if err != nil {
			return nil, fmt.Errorf("reading the journal: %w", err)
		}
		all = append(all, page...)
		if len(page) < entriesPage {
			break
		}
		filter.Before = page[len(page)-1].Seq
	}
	slices.Reverse(all)
	slices.SortStableFunc(all, func(a, b *journal.Entry) int { return int(millis(a.At) - millis(b.At)) })
	return all, nil
}

// alarmMinute takes the entries of a minute that begins at a time into what is known of the alarms, and returns their series: a value at
// each change, and one at the end of the minute while an alarm is active or waits. known are the alarms that the site has; one that it has
// no more ends. nil means all of them.
func alarmMinute(site string, at int64, entries []*journal.Entry, active map[string]*alarmSeries, known map[string]bool) []Series {
	m := alarmSamples{site: site, series: map[string]*Series{}}
	for _, e := range entries {
		before, is := alarmSeries{}, active[e.Alarm]
		if is != nil {
			before = *is
		} else {
			is = &alarmSeries{Priority: e.Priority}
			active[e.Alarm] = is
		}
		if e.Priority != "" && e.Priority != is.Priority { // another label is another series: the one before ends
			m.end(e.Alarm, before, millis(e.At))
			is.Priority, before = e.Priority, alarmSeries{Priority: e.Priority}
		}
		switch e.Kind {
		case journal.AlarmRaised:
			is.Active = true
		case journal.AlarmCleared:
			is.Active = false
		}
		if e.State != "" {
			is.Unacknowledged = e.State.Waits()
		}
		m.change(e.Alarm, before, *is, millis(e.At))
	}
	end := at + minute - 1 // the next minute begins with its own changes
	for _, name := range slices.Sorted(maps.Keys(active)) {
		is := active[name]
		switch {
		case known != nil && !known[name]:
			m.end(name, *is, end)
			delete(active, name)
		case !is.Active && !is.Unacknowledged:
			delete(active, name)
		default:
			if is.Active {
				m.put(metricname.AlarmActive, name, is.Priority, end, 1)
			}
			if is.Unacknowledged {
				m.put(metricname.AlarmUnacknowledged, name, is.Priority, end, 1)
			}
		}
	}
	list := make([]Series, 0, len(m.series))
	for _, key := range slices.Sorted(maps.Keys(m.series)) {
		list = append(list, *m.series[key])
	}
	return list
}

// alarmSamples collects the samples of a minute.
type alarmSamples struct {
	site   string
	series map[string]*Series
}

// change puts in the values that differ.
func (m *alarmSamples) change(alarm string, before, is alarmSeries, at int64) {
	if before.Active != is.Active {
		m.put(metricname.AlarmActive, alarm, is.Priority, at, truth(is.Active))
	}
	if before.Unacknowledged != is.Unacknowledged {
		m.put(metricname.AlarmUnacknowledged, alarm, is.Priority, at, truth(is.Unacknowledged))
	}
}

// end puts in the end of an alarm.
func (m *alarmSamples) end(alarm string, was alarmSeries, at int64) {
	m.change(alarm, was, alarmSeries{Priority: was.Priority}, at)
}

// put adds a value, or takes the place of the one of the same time. The name of an alarm is place/quantity/limit, of a fault
// sensor/id/fault or sensor/id/channel/fault.
func (m *alarmSamples) put(family, alarm, priority string, at int64, value float64) {
	key := family + " " + alarm + " " + priority
	s := m.series[key]
	if s == nil {
		place, rest, _ := strings.Cut(alarm, "/")
		last := max(strings.LastIndexByte(rest, '/'), 0)
		s = &Series{Labels: []Label{
			{"__name__", family}, {"limit", strings.TrimPrefix(rest[last:], "/")}, {"place", place}, {"priority", priority},
			{"quantity", rest[:last]}, {"site", m.site},
		}}
		m.series[key] = s
	}
	if n := len(s.Samples); n > 0 && s.Samples[n-1].At >= at {
		s.Samples[n-1].Value = value
		return
	}
	s.Samples = append(s.Samples, Sample{at, value})
}

func truth(is bool) float64 {
	if is {
		return 1
	}
	return 0
}
