package calibrate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"dewline/internal/core/intake"
	"dewline/internal/source/poll"
	"dewline/sensors"
)

// Options say what is read, and when it counts as settled.
type Options struct {
	ID      string // of the sensor, for messages
	Sensor  sensors.Sensor
	Channel sensors.Channel
	Rule    Rule
	Every   time.Duration // between two reads; 0 means 5 s, never less than the part can
	// Progress is called after each read. It must not block.
	Progress func(Progress)
}

// Progress is the state of a comparison.
type Progress struct {
	Elapsed time.Duration
	Value   float64 // of the last good read
	Covered time.Duration
	Drift   float64 // over what is covered of the window; NaN with too few readings
	Scatter float64
	Err     error // of the last read; nil after a good one
}

// Taken is what was read once the sensor had settled.
type Taken struct {
	Readings    []float64 // of the channel, in its unit, before any correction
	Temperature float64   // mean of the sensor's own temperature in degrees Celsius; NaN where it has none
	Drift       float64   // of the line through them from the first to the last
	Scatter     float64   // standard deviation around it
	Last        time.Time
}

// failuresAllowed is how many reads may fail one after another.
const failuresAllowed = 10

// Settle reads a sensor until its readings have settled, and closes it. Failed reads, and those of a sensor that has just been reset
// or heated, are left out; if many are missing the window begins again.
func Settle(ctx context.Context, o Options) (*Taken, error) {
	every := max(cmp.Or(max(o.Every, 0), 5*time.Second), o.Sensor.Describe().MinimumInterval)
	reading, cancel := context.WithCancel(ctx)
	samples := make(chan intake.Sample)
	poller, err := poll.New([]poll.Job{{ID: o.ID, Sensor: o.Sensor, Every: every, Timeout: 5 * time.Second, RetryWithin: every}},
		poll.Options{Deliver: func(s intake.Sample) {
			select {
			case samples <- s:
			case <-reading.Done():
			}
		}})
	switch {
	case err != nil:
	case every*4 > o.Rule.Window:
		err = fmt.Errorf("a window of %s holds too few reads %s apart: read more often, or look longer", o.Rule.Window, every)
	case o.Rule.Within < o.Rule.Window:
		err = fmt.Errorf("%s cannot be seen to stand still for %s within %s: allow more time", o.ID, o.Rule.Window, o.Rule.Within)
	}
	if err != nil {
		cancel()
		return nil, errors.Join(err, o.Sensor.Close())
	}
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		_ = poller.Run(reading) // an error of closing the sensor does not affect its readings
	}()
	defer func() {
		cancel()
		<-closed
	}()
	s := settling{Options: o, every: every, began: time.Now(), limits: o.limits()}
	deadline := time.NewTimer(o.Rule.Within)
	defer deadline.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("stopped before the readings of %s stood still: nothing is changed", o.ID)
		case <-deadline.C:
			return nil, s.late()
		case sample := <-samples:
			taken, err := s.take(sample)
			if taken != nil || err != nil {
				return taken, err
			}
		}
	}
}

// limits are those of the rule, but never finer than the steps in which the sensor measures.
func (o *Options) limits() Rule {
	r := o.Rule
	if m, ok := o.Sensor.Describe().MeasureOf(o.Channel); ok {
		r.Drift, r.Scatter = max(r.Drift, m.Resolution), max(r.Scatter, m.Resolution)
	}
	return r
}

// settling is the state of a running comparison.
type settling struct {
	Options
	every    time.Duration
	began    time.Time
	limits   Rule
	failures int
	window   []mark
	last     Progress
}

type mark struct {
	at          time.Time
	value       float64
	temperature float64 // NaN where there is none
}

// take adds a read, and returns the result once the readings have settled.
func (s *settling) take(sample intake.Sample) (*Taken, error) {
	value, measured := sample.Reading.Measured(s.Channel)
	good := sample.Err == nil && measured && !math.IsNaN(value.Value)
	switch {
	case good:
		s.failures = 0
	case sample.Err == nil:
		sample.Err = fmt.Errorf("%s gives no %s", s.ID, s.Channel)
		fallthrough
	default:
		s.failures++
		if s.failures >= failuresAllowed {
			return nil, fmt.Errorf("%s has failed %d times one after another: %w", s.ID, s.failures, sample.Err)
		}
	}
	if good && !sample.Reading.Heated && !sample.Reading.Reset && !sample.Reading.First {
		m := mark{sample.At, value.Value, math.NaN()}
		if t, ok := sample.Reading.Measured(sensors.Temperature); ok {
			m.temperature = t.Value
		}
		s.push(m)
	}
	drift, scatter := line(s.window)
	s.last.Elapsed, s.last.Err, s.last.Drift, s.last.Scatter = time.Since(s.began), sample.Err, drift, scatter
	if n := len(s.window); n > 0 {
		s.last.Value, s.last.Covered = s.window[n-1].value, s.window[n-1].at.Sub(s.window[0].at)
	}
	if s.Progress != nil {
		s.Progress(s.last)
	}
	if !good || s.last.Covered < s.limits.Window-s.every || math.IsNaN(drift) || math.Abs(drift) > s.limits.Drift || scatter > s.limits.Scatter {
		return nil, nil
	}
	taken := &Taken{Drift: drift, Scatter: scatter, Temperature: s.meanTemperature(), Last: sample.At}
	for _, m := range s.window {
		taken.Readings = append(taken.Readings, m.value)
	}
	return taken, nil
}

// push adds a reading to the window and drops what has left it. After a silence of several reads the window begins again.
func (s *settling) push(m mark) {
	if n := len(s.window); n > 0 && m.at.Sub(s.window[n-1].at) > 5*s.every {
		s.window = s.window[:0]
	}
	s.window = append(s.window, m)
	first := 0
	for m.at.Sub(s.window[first].at) > s.limits.Window {
		first++
	}
	s.window = s.window[first:]
}

// line returns by how much the straight line of least squares through the readings moves from the first to the last, and
// how they scatter around it.
func line(marks []mark) (drift, scatter float64) {
	n := float64(len(marks))
	if n < 4 {
		return math.NaN(), math.NaN()
	}
	var meanT, meanV float64
	seconds := func(m mark) float64 { return m.at.Sub(marks[0].at).Seconds() }
	for _, m := range marks {
		meanT += seconds(m) / n
		meanV += m.value / n
	}
	var tt, tv, vv float64
	for _, m := range marks {
		t, v := seconds(m)-meanT, m.value-meanV
		tt, tv, vv = tt+t*t, tv+t*v, vv+v*v
	}
	if tt == 0 {
		return math.NaN(), math.NaN()
	}
	slope := tv / tt
	return slope * seconds(marks[len(marks)-1]), math.Sqrt(max(0, vv-slope*tv) / (n - 2))
}

func (s *settling) meanTemperature() float64 {
	var sum float64
	for _, m := range s.window {
		sum += m.temperature // NaN where one has none
	}
	return sum / float64(len(s.window))
}

// late explains why it took too long.
func (s *settling) late() error {
	unit := forms[s.Channel].difference
	switch {
	case len(s.window) == 0 && s.last.Err != nil:
		return fmt.Errorf("%s gave nothing within %s: %w", s.ID, s.limits.Within, s.last.Err)
	case len(s.window) == 0:
		return fmt.Errorf("%s gave nothing within %s", s.ID, s.limits.Within)
	case s.last.Covered < s.limits.Window-s.every:
		return fmt.Errorf("%s was not read long enough without a break within %s: see to its wiring", s.ID, s.limits.Within)
	}
	return fmt.Errorf("%s did not stand still within %s: in the last %s it moved by %.2f %s (at most %.2g) and scattered by %.2f (at most %.2g); "+
		"see to the reference, wait longer before you begin, or give --within", s.ID, s.limits.Within, s.last.Covered.Round(time.Second),
		math.Abs(s.last.Drift), unit, s.limits.Drift, s.last.Scatter, s.limits.Scatter)
}
