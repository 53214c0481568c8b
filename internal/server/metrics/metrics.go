// Package metrics shows the picture of a site to a scraper, in the OpenMetrics text format. Names follow the naming
// rules of Prometheus: base units, unit last. A point whose data is stale is absent, never frozen.
package metrics

import (
	"net/http"
	"runtime"
	"runtime/debug"
	"strconv"

	"dewline/internal/core/care"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/metricname"
	"dewline/internal/server/status"
	"dewline/sensors"
)

// scaled is a pair of families for the values and the limits of quantities with the same canonical unit.
type scaled struct {
	reading, limit *family
	scale          float64 // from the canonical unit to the base unit of the families
}

// scaledFamilies makes the families of every unit.
func scaledFamilies() map[quantity.Unit]scaled {
	families := map[quantity.Unit]scaled{}
	for canonical, base := range metricname.ByUnit {
		families[canonical] = scaled{
			reading: gauge(base.Reading(), base.Unit, base.Help, "place", "quantity"),
			limit:   gauge("dewline_band_limit_"+base.Unit, base.Unit, "Limit of the band in force.", "place", "quantity", "limit"),
			scale:   base.Scale,
		}
	}
	return families
}

var (
	byUnit = scaledFamilies()

	zoneSeconds     = counter(metricname.ZoneSeconds, "seconds", "Time in each zone since the configuration was loaded.", "place", "quantity", "zone")
	excursions      = counter("dewline_excursions_total", "", "Excursions that began since the configuration was loaded.", "place", "quantity", "side")
	degreeSeconds   = counter("dewline_degree_seconds_total", "", "How far a temperature was beyond its band, in kelvin, times how long. Divide by 3600 for degree-hours.", "place", "quantity", "side")
	alarmActive     = gauge(metricname.AlarmActive, "", "1 while the condition of the alarm holds.", "place", "quantity", "limit", "priority")
	alarmUnacked    = gauge(metricname.AlarmUnacknowledged, "", "1 while the alarm waits for a person.", "place", "quantity", "limit", "priority")
	alarmSilenced   = gauge("dewline_alarm_suppressed", "", "1 while the alarm is shelved, suppressed by design or out of service.", "place", "quantity", "limit", "priority", "by")
	sensorReads     = counter("dewline_sensor_reads_total", "", "Reads of a sensor by result.", "sensor", "result")
	sensorSuccess   = gauge("dewline_sensor_last_success_timestamp_seconds", "seconds", "Time of the last good read.", "sensor")
	outboxPending   = gauge("dewline_outbox_pending", "", "Messages that wait to be delivered.", "outlet")
	outboxOldest    = gauge("dewline_outbox_oldest_timestamp_seconds", "seconds", "Time of the oldest message that waits.", "outlet")
	outboxSent      = counter("dewline_outbox_sent_total", "", "Messages that were delivered.", "outlet", "result")
	outboxDropped   = counter("dewline_outbox_dropped_total", "", "Messages that were given up.", "outlet")
	notifierUp      = gauge("dewline_outlet_connected", "", "1 while the notifier is connected.", "outlet")
	lastTick        = gauge("dewline_last_tick_timestamp_seconds", "seconds", "Time of the last step of the core.")
	clockConfirmed  = gauge("dewline_clock_synchronized", "", "1 when the kernel says that the clock is synchronised.")
	clockSteps      = counter("dewline_clock_step_seconds_total", "seconds", "Sum of the sizes of all steps of the clock.")
	reloadSuccess   = gauge("dewline_config_last_reload_success", "", "1 when the last attempt to load the configuration succeeded.")
	reloadTime      = gauge("dewline_config_reload_timestamp_seconds", "seconds", "Time at which the configuration in force was loaded.")
	alarmsTotal     = counter("dewline_alarms_total", "", "Times a person was asked for, repeats included.", "priority")
	alarmFlood      = gauge("dewline_alarm_flood", "", "1 while there are more alarms than a person can follow (EEMUA 191).")
	notifierFailing = gauge("dewline_outlet_failing_timestamp_seconds", "seconds", "Since when a notifier does not deliver; absent while it does.", "outlet")
	historyBytes    = gauge("dewline_history_bytes", "bytes", "Size of the history's file and its log.")
	historyErrors   = counter("dewline_history_write_errors_total", "", "Attempts to write the history that failed.")
	exportBehind    = gauge("dewline_export_behind_seconds", "seconds", "How much of the history the metrics store has not taken yet.")
	exportSamples   = counter("dewline_export_samples_total", "", "Samples that the metrics store has taken or refused.", "result")
	exportFailing   = gauge("dewline_export_failing_timestamp_seconds", "seconds", "Since when the metrics store takes nothing; absent while it does.")
	lateReadings    = counter("dewline_readings_late_total", "", "Readings that came after a newer one of their point.")
	buildInfo       = gauge("dewline_build_info", "", "What is running.", "version", "revision", "goversion")
)

// Results are the results of a read that exist from the start, so that a rate over them is never missing: ok, and the
// kinds of failure of package sensors.
var Results = []string{
	"ok", sensors.Absent.String(), sensors.Busy.String(), sensors.Checksum.String(), sensors.Timeout.String(),
	sensors.Implausible.String(), sensors.Unknown.String(),
}

// Handler serves the current picture, and what the process says of itself, in the OpenMetrics format to those who ask for it.
func Handler(current *status.Current, version string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var all exposition
		collect(current.Get(), all.send)
		all.send(buildInfo, 1, version, Revision(), runtime.Version())
		collectProcess(all.send)
		all.serve(w, r)
	})
}

// collect sends everything in a picture.
func collect(p *status.Snapshot, send sender) {
	for i := range p.Points {
		collectPoint(&p.Points[i], send)
	}
	for i := range p.Alarms {
		collectAlarm(&p.Alarms[i], send)
	}
	for _, s := range p.Sensors {
		for _, result := range Results {
			send(sensorReads, float64(s.Reads[result]), s.ID, result)
		}
		if !s.LastSuccess.IsZero() {
			send(sensorSuccess, unixSeconds(s.LastSuccess), s.ID)
		}
	}
	for _, o := range p.Notifiers {
		send(outboxPending, float64(o.Pending), o.Name)
		send(outboxSent, float64(o.Sent), o.Name, "ok")
		send(outboxDropped, float64(o.Dropped), o.Name)
		send(notifierUp, truth(o.Connected), o.Name)
		if !o.FailingSince.IsZero() {
			send(notifierFailing, unixSeconds(o.FailingSince), o.Name)
		}
		if !o.Oldest.IsZero() {
			send(outboxOldest, unixSeconds(o.Oldest), o.Name)
		}
	}
	if !p.At.IsZero() {
		send(lastTick, unixSeconds(p.At))
		send(clockConfirmed, truth(p.Confirmed))
		send(clockSteps, p.ClockSteps.Seconds())
		send(reloadSuccess, truth(p.ReloadOK))
		send(reloadTime, unixSeconds(p.Reloaded))
		send(lateReadings, float64(p.Late))
		send(alarmFlood, truth(!p.FloodSince.IsZero()))
		for priority := care.LowPriority; priority <= care.CriticalPriority; priority++ {
			send(alarmsTotal, float64(p.Calls[priority.String()]), priority.String())
		}
		if h := p.History; h != nil {
			send(historyBytes, float64(h.Bytes))
			send(historyErrors, float64(h.WriteErrors))
		}
	}
	if e := p.Export; e != nil {
		send(exportBehind, e.Behind.Seconds())
		send(exportSamples, float64(e.Sent), "ok")
		send(exportSamples, float64(e.Refused), "refused")
		if !e.FailingSince.IsZero() {
			send(exportFailing, unixSeconds(e.FailingSince))
		}
	}
}

type sender func(of *family, value float64, labels ...string)

func collectPoint(s *watch.PointState, send sender) {
	place, name, unit := s.Point.Place, s.Point.Quantity.String(), s.Point.Quantity.Unit()
	of := byUnit[unit]
	if !status.Stale(s) {
		send(of.reading, of.base(s.Value), place, name)
	}
	for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
		if s.Band.Has(limit) {
			send(of.limit, of.base(s.Band.Limits[limit]), place, name, limit.String())
		}
	}
	for _, zone := range watch.Zones() {
		send(zoneSeconds, s.Total[zone], place, name, zone.String())
	}
	for _, side := range []watch.Side{watch.BelowBand, watch.AboveBand} {
		send(excursions, float64(s.Departures[side]), place, name, side.String())
		if unit == quantity.Celsius || unit == quantity.Kelvin {
			send(degreeSeconds, s.Degree[side], place, name, side.String())
		}
	}
}

// base turns a canonical value into the base unit of the families. Nine digits are more than a sensor has, and free of
// the noise that scaling a binary fraction brings.
func (s *scaled) base(canonical float64) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(canonical*s.scale, 'g', 9, 64), 64)
	if err != nil {
		return canonical * s.scale
	}
	return rounded
}

func collectAlarm(a *watch.AlarmState, send sender) {
	priority, of := priorityOf(a).String(), a.Quantity
	if a.Channel != "" {
		of += "/" + a.Channel
	}
	send(alarmActive, truth(a.Active), a.Place, of, a.Limit, priority)
	send(alarmUnacked, truth(a.Letter.Waits()), a.Place, of, a.Limit, priority)
	for _, by := range []struct {
		name   string
		letter isa.State
	}{{"shelved", isa.Shelved}, {"design", isa.SuppressedByDesign}, {"service", isa.OutOfService}} {
		send(alarmSilenced, truth(a.Letter == by.letter), a.Place, of, a.Limit, priority, by.name)
	}
}

// priorityOf returns the priority of an alarm. One that is on no limit has none before it is raised for the first time,
// and a series must not change its labels then.
func priorityOf(a *watch.AlarmState) care.Priority {
	switch {
	case a.Priority != care.Unset:
		return a.Priority
	case a.Place == journal.FaultPlace:
		return care.HighPriority
	}
	return care.MediumPriority
}

func truth(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

func unixSeconds(t interface{ UnixMilli() int64 }) float64 { return float64(t.UnixMilli()) / 1000 }

// revision is the commit that the program was built from. The Makefile sets it, since a machine may be set to leave it out
// (-buildvcs=false).
var revision string

// Revision returns the revision the program was built from, "unknown" where the build does not say.
func Revision() string {
	if revision != "" {
		return revision
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				return s.Value
			}
		}
	}
	return "unknown"
}
