// Package metrics shows the picture of a site to a scraper, in the OpenMetrics text format. Names follow the naming
// rules of Prometheus: base units, unit last. A point whose data is stale is absent, never frozen.
package metrics

import (
	"net/http"
	"runtime"
	"runtime/debug"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"dewline/internal/quantity"
	"dewline/internal/stage"
	"dewline/internal/status"
	"dewline/internal/watch"
)

// family describes one metric family that is made from the picture.
type family struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
}

func gauge(name, help string, labels ...string) family {
	return family{prometheus.NewDesc(name, help, labels, nil), prometheus.GaugeValue}
}

func counter(name, help string, labels ...string) family {
	return family{prometheus.NewDesc(name, help, labels, nil), prometheus.CounterValue}
}

var (
	readings = map[quantity.Unit]family{
		quantity.Celsius:                 gauge("dewline_reading_celsius", "Temperature or dew point.", "place", "quantity"),
		quantity.PercentRelativeHumidity: gauge("dewline_reading_ratio", "Relative humidity, 0 to 1.", "place", "quantity"),
		quantity.Pascal:                  gauge("dewline_reading_pascals", "Pressure or vapour-pressure deficit.", "place", "quantity"),
		quantity.KilogramPerCubicMetre:   gauge("dewline_reading_grams_per_cubic_meter", "Absolute humidity, or oxygen saturation of water.", "place", "quantity"),
		quantity.Kelvin:                  gauge("dewline_reading_kelvins", "Temperature difference, such as the condensation margin.", "place", "quantity"),
	}
	limits = map[quantity.Unit]family{
		quantity.Celsius:                 gauge("dewline_band_limit_celsius", "Limit of the band in force.", "place", "quantity", "limit"),
		quantity.PercentRelativeHumidity: gauge("dewline_band_limit_ratio", "Limit of the band in force.", "place", "quantity", "limit"),
		quantity.Pascal:                  gauge("dewline_band_limit_pascals", "Limit of the band in force.", "place", "quantity", "limit"),
	}
	zoneSeconds    = counter("dewline_zone_seconds_total", "Time in each zone since the start of the daemon.", "place", "quantity", "zone")
	excursions     = gauge("dewline_excursions_today", "Excursions that began in the local day so far.", "place", "quantity")
	alarmActive    = gauge("dewline_alarm_active", "1 while the condition of the alarm holds.", "place", "quantity", "limit", "priority")
	alarmUnacked   = gauge("dewline_alarm_unacknowledged", "1 while the alarm waits for a person.", "place", "quantity", "limit", "priority")
	alarmSilenced  = gauge("dewline_alarm_suppressed", "1 while the alarm is shelved, suppressed by design or out of service.", "place", "quantity", "limit", "priority", "by")
	sensorReads    = counter("dewline_sensor_reads_total", "Reads of a sensor by result.", "sensor", "result")
	sensorSuccess  = gauge("dewline_sensor_last_success_timestamp_seconds", "Time of the last good read.", "sensor")
	outboxPending  = gauge("dewline_outbox_pending", "Messages that wait to be delivered.", "outlet")
	outboxOldest   = gauge("dewline_outbox_oldest_timestamp_seconds", "Time of the oldest message that waits.", "outlet")
	outboxSent     = counter("dewline_outbox_sent_total", "Messages that were delivered.", "outlet")
	outboxDropped  = counter("dewline_outbox_dropped_total", "Messages that were given up.", "outlet")
	outletUp       = gauge("dewline_outlet_connected", "1 while the outlet is connected.", "outlet")
	lastTick       = gauge("dewline_last_tick_timestamp_seconds", "Time of the last step of the core.")
	clockConfirmed = gauge("dewline_clock_synchronized", "1 when the kernel says that the clock is synchronised.")
	clockSteps     = counter("dewline_clock_step_seconds_total", "Sum of the sizes of all steps of the clock.")
	reloadSuccess  = gauge("dewline_config_last_reload_success", "1 when the last attempt to load the configuration succeeded.")
	reloadTime     = gauge("dewline_config_reload_timestamp_seconds", "Time at which the configuration in force was loaded.")
	lateReadings   = counter("dewline_readings_late_total", "Readings that came after a newer one of their point.")
	buildInfo      = gauge("dewline_build_info", "What is running.", "version", "revision", "goversion")
)

// Results are the results of a read that exist from the start, so that a rate over them is never missing.
var Results = []string{"ok", "absent", "busy", "checksum", "timeout", "implausible", "unknown"}

// Collector turns the current picture into metrics at each scrape.
type Collector struct {
	Current *status.Current
	Version string
}

// Describe sends no descriptions: which points there are changes with the configuration.
func (c *Collector) Describe(chan<- *prometheus.Desc) {}

// Collect writes the picture.
func (c *Collector) Collect(out chan<- prometheus.Metric) {
	p := c.Current.Get()
	send := func(f family, value float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(f.desc, f.kind, value, labels...)
	}
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
	for _, o := range p.Outlets {
		send(outboxPending, float64(o.Pending), o.Name)
		send(outboxSent, float64(o.Sent), o.Name)
		send(outboxDropped, float64(o.Dropped), o.Name)
		send(outletUp, flag(o.Connected), o.Name)
		if !o.Oldest.IsZero() {
			send(outboxOldest, unixSeconds(o.Oldest), o.Name)
		}
	}
	if !p.At.IsZero() {
		send(lastTick, unixSeconds(p.At))
		send(clockConfirmed, flag(p.Confirmed))
		send(clockSteps, p.ClockSteps.Seconds())
		send(reloadSuccess, flag(p.ReloadOK))
		send(reloadTime, unixSeconds(p.Reloaded))
		send(lateReadings, float64(p.Late))
	}
	send(buildInfo, 1, c.Version, Revision(), runtime.Version())
}

// scale turns a canonical value into the base unit of its family.
func scale(u quantity.Unit, v float64) float64 {
	switch u {
	case quantity.PercentRelativeHumidity:
		return v / 100
	case quantity.KilogramPerCubicMetre:
		return v * 1000
	}
	return v
}

type sender func(f family, value float64, labels ...string)

func collectPoint(s *watch.PointState, send sender) {
	place, name, unit := s.Point.Place, s.Point.Quantity.String(), s.Point.Quantity.Unit()
	if !status.Stale(s) {
		send(readings[unit], scale(unit, s.Value), place, name)
	}
	for _, zone := range watch.Zones() {
		send(zoneSeconds, s.Total[zone], place, name, zone.String())
	}
	if s.Band.Empty() {
		return
	}
	send(excursions, float64(s.Today.Excursions), place, name)
	if f, ok := limits[unit]; ok {
		for limit := stage.CriticalLow; limit <= stage.CriticalHigh; limit++ {
			if s.Band.Has(limit) {
				send(f, scale(unit, s.Band.Limits[limit]), place, name, limit.String())
			}
		}
	}
}

func collectAlarm(a *watch.AlarmState, send sender) {
	priority := a.Priority.String()
	send(alarmActive, flag(a.Active), a.Place, a.Quantity, a.Limit, priority)
	send(alarmUnacked, flag(a.Letter == watch.Unacknowledged || a.Letter == watch.ReturnedUnacknowledged ||
		a.Letter == watch.LatchedUnacknowledged), a.Place, a.Quantity, a.Limit, priority)
	by := ""
	switch a.Letter {
	case watch.Shelved:
		by = "shelved"
	case watch.SuppressedByDesign:
		by = "design"
	case watch.OutOfServiceState:
		by = "service"
	}
	if by != "" {
		send(alarmSilenced, 1, a.Place, a.Quantity, a.Limit, priority, by)
	}
}

func flag(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

func unixSeconds(t interface{ UnixMilli() int64 }) float64 { return float64(t.UnixMilli()) / 1000 }

// Revision returns the revision the program was built from, "unknown" where the build does not say.
func Revision() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				return s.Value
			}
		}
	}
	return "unknown"
}

// Registry returns a registry with the picture's metrics and the process's own.
func Registry(c *Collector) *prometheus.Registry {
	registry := prometheus.NewRegistry()
	registry.MustRegister(c, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return registry
}

// Handler serves the registry, in the OpenMetrics format to those who ask for it.
func Handler(registry *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{EnableOpenMetrics: true, Registry: registry})
}
