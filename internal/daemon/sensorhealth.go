package daemon

import (
	"log/slog"
	"maps"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/server/status"
	"dewline/sensors"
)

// sensorHealth is the health of the sensors, in the order of the configuration.
type sensorHealth []status.SensorHealth

// of returns the health of the sensors of a configuration; what is known of one that stays is kept.
func (s sensorHealth) of(site *config.Site) sensorHealth {
	known := map[string]status.SensorHealth{}
	for _, h := range s {
		known[h.ID] = h
	}
	var list sensorHealth
	for i := range site.Sensors {
		c := &site.Sensors[i]
		h, ok := known[c.ID]
		if !ok {
			h = status.SensorHealth{ID: c.ID, Reads: map[string]uint64{}}
		}
		h.Driver = c.Driver
		list = append(list, h)
	}
	return list
}

// note counts a read of a sensor and notes its outcome. part may be nil.
func (s sensorHealth) note(index int, part *sensors.Description, at time.Time, r *intake.Report, log *slog.Logger) {
	h := &s[index]
	if part != nil {
		h.Part, h.Where = part.Part, part.Where
	}
	if r.Failure == "" {
		if h.Failures > 0 {
			log.Info("a sensor is back", "sensor", h.ID, "after", h.Failures)
		}
		h.LastSuccess, h.LastError, h.LastKind, h.Failures = at, "", "", 0
		h.Reads["ok"]++
		return
	}
	h.LastError, h.LastKind = r.Failure, r.Kind.String()
	h.Reads[h.LastKind]++
	h.Failures++
	if h.Failures == 1 {
		log.Warn("a sensor failed", "sensor", h.ID, "err", r.Failure)
	}
}

// shift moves the remembered times by a step of the clock.
func (s sensorHealth) shift(by time.Duration) {
	for i := range s {
		instant.ShiftKnown(by, &s[i].LastSuccess)
	}
}

// copied returns a copy that no later read changes.
func (s sensorHealth) copied() []status.SensorHealth {
	list := make([]status.SensorHealth, 0, len(s))
	for _, h := range s {
		h.Reads = maps.Clone(h.Reads)
		list = append(list, h)
	}
	return list
}
