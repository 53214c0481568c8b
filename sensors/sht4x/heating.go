package sht4x

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"dewline/sensors"
	"dewline/sensors/internal/chip"
	"dewline/sensors/internal/sensirion"
)

// heating decides on heater pulses. Its zero value never heats.
type heating struct {
	allowed bool
	options Heater

	humidSince time.Time // zero: the last reading was not above the limit
	lastRead   time.Time
	lastPulse  time.Time
	failure    error // of the last pulse
}

func newHeating(o Heater) (heating, error) {
	o.Above = cmp.Or(o.Above, 90)
	if o.Above < 80 || o.Above > 100 {
		return heating{}, fmt.Errorf("%s: heating above %g %%RH: the limit must lie between 80 and 100", Driver, o.Above)
	}
	if o.For < 0 || o.Every < 0 {
		return heating{}, fmt.Errorf("%s: heating: a time must not be negative", Driver)
	}
	o.For = cmp.Or(o.For, time.Hour)
	o.Every = cmp.Or(o.Every, time.Hour)
	o.Every = max(o.Every, minBetween)
	return heating{allowed: true, options: o}, nil
}

// follow marks a reading that was taken hot, and gives a pulse after it where one is due.
func (h *heating) follow(ctx context.Context, conn *chip.Conn, reading *sensors.Measurement) {
	if !h.allowed {
		return
	}
	now := time.Now()
	reading.Heated = !h.lastPulse.IsZero() && now.Sub(h.lastPulse) < afterglow
	if h.due(now, *reading) && roomFor(ctx, now) {
		h.pulse(ctx, conn, now)
	}
}

// due keeps the account of humidity and reports whether a pulse is due.
func (h *heating) due(now time.Time, reading sensors.Measurement) bool {
	gap := now.Sub(h.lastRead)
	h.lastRead = now
	if reading.Heated {
		return false // a heated sensor reads too dry, which is no end of the humid spell
	}
	temperature, _ := reading.Measured(sensors.Temperature)
	humidity, _ := reading.Measured(sensors.Humidity)
	if humidity.Value < h.options.Above {
		h.humidSince = time.Time{}
		return false
	}
	if h.humidSince.IsZero() || gap > maxGap {
		h.humidSince = now
	}
	return now.Sub(h.humidSince) >= h.options.For &&
		(h.lastPulse.IsZero() || now.Sub(h.lastPulse) >= h.options.Every) &&
		temperature.Value < heatBelowCelsius
}

// roomFor reports whether a pulse fits before the deadline, so that it costs no reading.
func roomFor(ctx context.Context, now time.Time) bool {
	deadline, limited := ctx.Deadline()
	return !limited || deadline.Sub(now) > 2*waitHeat
}

// pulse heats. The measurement that ends it is taken while hot, so it only shows that the pulse came about. A failure
// spoils no reading: the next one will find a device that has gone.
func (h *heating) pulse(ctx context.Context, conn *chip.Conn, now time.Time) {
	h.lastPulse = now
	frame, err := conn.Command(ctx, "heating", waitHeat, 6, commandHeat)
	if err == nil {
		_, err = sensirion.Decode(frame)
	}
	h.failure = err
}
