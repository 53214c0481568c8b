// Package kerneldevice is what the hwmon and the IIO reader have in common: a sensor whose kernel driver measures when a
// file is read, and whose answers may have to be doubted.
package kerneldevice

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"sync/atomic"
	"syscall"
	"time"

	"dewline/sensors"
	"dewline/sensors/kernelfile"
)

// Options of a device. Worth is required; [New] needs Description and Once, [Interface.Open] has them from Value.
type Options struct {
	Description sensors.Description
	// Once measures every channel once, in the order of Description.Measures. It returns the evidence also when it fails.
	Once func(context.Context) (sensors.Measurement, error)
	// Value reads one item of the device, and adds to the evidence.
	Value func(ctx context.Context, entry kernelfile.Entry, item Item, evidence *[]byte) (sensors.Value, error)
	// Heated reports, before anything is read, whether a heater spoils the reading. nil means that there is none.
	Heated func(context.Context, kernelfile.Entry) (bool, error)
	// Retry and Worth say how and after which failures Once is repeated.
	Retry kernelfile.Retry
	Worth func(error) bool
	// Unchecked says that nothing protects the answer on its way, so that a jump has to be confirmed.
	Unchecked bool
	// RefreshInterval returns how long the kernel repeats a value before it measures again. nil means not at all.
	RefreshInterval func(context.Context, kernelfile.Entry) (time.Duration, error)
	// Advice returns what an error means to the keeper, or "".
	Advice func(error) string
}

// Device is a [sensors.Sensor].
type Device struct {
	options Options
	find    func(context.Context) (kernelfile.Entry, error) // nil where there is no one entry
	closed  atomic.Bool
	last    map[sensors.Channel]float64
	here    bool // has answered, and not gone away since
}

// New returns a device.
func New(options Options) *Device {
	return &Device{options: options, last: map[sensors.Channel]float64{}}
}

// Describe returns what the device is.
func (d *Device) Describe() sensors.Description {
	text := d.options.Description
	text.Measures, text.Notes = slices.Clone(text.Measures), slices.Clone(text.Notes)
	return text
}

// Close ends the use of the device. It does not wait for a read that hangs.
func (d *Device) Close() error {
	d.closed.Store(true)
	return nil
}

// Read returns the values of all channels.
func (d *Device) Read(ctx context.Context) (sensors.Measurement, error) {
	if d.closed.Load() {
		return sensors.Measurement{}, fmt.Errorf("%s: the sensor was closed: %w", d.doing(), os.ErrClosed)
	}
	reading, err := d.measure(ctx)
	if err == nil {
		reading, err = d.confirm(ctx, reading)
	}
	if err != nil {
		d.here = d.here && sensors.KindOf(err) != sensors.Absent
		return sensors.Measurement{Evidence: reading.Evidence}, d.failed(err)
	}
	for _, v := range reading.Values {
		d.last[v.Channel] = v.Value
	}
	reading.First, d.here = !d.here, true
	return reading, nil
}

// measure reads until it succeeds or nothing more is to be hoped for.
func (d *Device) measure(ctx context.Context) (sensors.Measurement, error) {
	var reading sensors.Measurement
	err := d.options.Retry.Do(ctx, d.options.Worth, func() error {
		got, err := d.options.Once(ctx)
		if err == nil {
			err = got.RefuseOutside(d.options.Description.Measures)
		}
		if err == nil || got.Evidence != nil {
			reading = got
		}
		return err
	})
	return reading, err
}

// doubt holds the change between two readings of an unprotected channel that has to be confirmed, and how near the
// confirmation must come (engineering judgement, no published source).
var doubt = map[sensors.Channel]struct{ jump, agree float64 }{
	sensors.Temperature: {jump: 5, agree: 1},
	sensors.Humidity:    {jump: 15, agree: 5},
	sensors.Pressure:    {jump: 500, agree: 100},
}

// minPause is how long to wait at least before measuring again.
const minPause = 50 * time.Millisecond

// confirm measures again where an unprotected value jumped, and refuses it when the two do not agree.
func (d *Device) confirm(ctx context.Context, reading sensors.Measurement) (sensors.Measurement, error) {
	at := slices.IndexFunc(reading.Values, func(v sensors.Value) bool {
		before, known := d.last[v.Channel]
		limit, doubtful := doubt[v.Channel]
		return known && doubtful && math.Abs(v.Value-before) > limit.jump
	})
	if !d.options.Unchecked || at < 0 {
		return reading, nil
	}
	jumped := reading.Values[at]
	pause := minPause
	if d.options.RefreshInterval != nil {
		entry, err := d.find(ctx)
		if err != nil {
			return reading, err
		}
		wait, err := d.options.RefreshInterval(ctx, entry)
		if err != nil {
			return reading, err
		}
		pause += wait
	}
	if !kernelfile.Wait(ctx, pause, d.options.Retry.Needs) {
		return reading, sensors.Errorf(sensors.Implausible,
			"%s jumped from %.6g to %.6g in an answer that nothing protects, and no time is left to measure again",
			jumped.Channel, d.last[jumped.Channel], jumped.Value)
	}
	again, err := d.measure(ctx)
	again.Evidence = slices.Concat(reading.Evidence, again.Evidence) // both are needed to see what happened
	if err != nil {
		return again, err
	}
	for _, v := range again.Values {
		before, had := reading.Measured(v.Channel)
		if limit, ok := doubt[v.Channel]; ok && had && math.Abs(v.Value-before.Value) > limit.agree {
			return again, sensors.Errorf(sensors.Checksum, "%s went from %.6g to %.6g and then to %.6g: the answer was altered on its way",
				v.Channel, d.last[v.Channel], before.Value, v.Value)
		}
	}
	return again, nil
}

// failed says what was being done and, where an errno has a meaning of its own here, what it is.
func (d *Device) failed(err error) error {
	kind, advice := sensors.Unknown, ""
	switch {
	case errors.Is(err, syscall.ENODATA):
		kind, advice = sensors.Busy, "no value, the channel is switched off or the answer was cut short"
	case errors.Is(err, syscall.EINVAL):
		kind, advice = sensors.Implausible, "the part has skipped the measurement, as after a loss of power"
	case errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.EREMOTEIO):
		advice = "the part does not acknowledge, look for a loose wire"
	}
	if d.options.Advice != nil {
		advice = cmp.Or(d.options.Advice(err), advice)
	}
	doing := d.doing()
	if advice != "" {
		doing += ": " + advice
	}
	described := kernelfile.Doing(doing, err)
	if e, ok := described.(*sensors.Error); ok && kind != sensors.Unknown {
		e.Kind = kind
	}
	return described
}

func (d *Device) doing() string {
	return "reading " + d.options.Description.Driver + " " + d.options.Description.Where
}
