// Package poll reads sensors on time: each at its own interval, without letting one that is slow or hangs delay another. Its
// samples go to an [intake.Line], which judges them.
//
//	poller, err := poll.New(jobs, poll.Options{Deliver: func(s intake.Sample) { samples <- s }})
//	...
//	err = poller.Run(ctx)
package poll

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"dewline/internal/core/intake"
	"dewline/sensors"
)

// Job is a sensor to be read again and again.
type Job struct {
	// ID is the sensor's id.
	ID string
	// Bus names what the sensor shares with others: the sensors of one bus are read one after another, those of different
	// buses independently. An empty name is a bus of its own.
	Bus    string
	Sensor sensors.Sensor
	// Every is the interval between two reads; 0 means 10 s. It is never shorter than the sensor's minimum.
	Every time.Duration
	// Timeout is how long a read may take; 0 means 5 s, at most Every.
	Timeout time.Duration
	// RetryWithin is the longest time until the next read while the sensor fails. It must be shorter than the time after
	// which a fault or a stale point is announced, so that the alarm rests on a fresh try; 0 means the larger of Every
	// and 30 s.
	RetryWithin time.Duration
}

// Options are the surroundings of a [Poller].
type Options struct {
	// Deliver takes the samples. It is called by one goroutine per bus at the same time, and holds up the bus that
	// calls; once Run's context has ended it must not wait for anything.
	Deliver func(intake.Sample)
	// Now stamps the samples; nil means time.Now. It may be stepped: intervals are measured by the monotonic clock.
	Now func() time.Time
	// Grace is how long a read may outlast its timeout before the bus is taken to hang, and, at the end, how long Run
	// waits for a read to give up; 0 means 250 ms.
	Grace time.Duration
	Log   *slog.Logger // nil means silent
}

// Poller reads sensors, each at its own interval: the first time at once, then at fixed times that do not drift. A read
// that was missed is not made up for. While a sensor fails, its interval is doubled up to [Job.RetryWithin].
//
// A kernel call that hangs cannot be cancelled, only outlived. Then its sensor is reported as silent at each interval,
// and so are the other sensors of the bus, as nothing else may be sent over it; other buses go on. No sensor ever has two reads at
// the same time. When the hung read returns, its value is dropped, since the time of its measurement is unknown, and the bus
// continues at the next regular time.
type Poller struct {
	buses   [][]*work
	options Options
}

// work is a job and its state.
type work struct {
	Job
	due      time.Time
	failures int // in a row
}

// New checks the jobs and returns a poller of them. It touches no sensor.
func New(jobs []Job, options Options) (*Poller, error) {
	if options.Deliver == nil {
		return nil, errors.New("a poller needs somebody to deliver samples to")
	}
	if options.Now == nil {
		options.Now = time.Now
	}
	if options.Grace <= 0 {
		options.Grace = 250 * time.Millisecond
	}
	options.Log = cmp.Or(options.Log, slog.New(slog.DiscardHandler))
	p := &Poller{options: options}
	seen := map[string]bool{}
	place := map[string]int{}
	for _, job := range jobs {
		switch {
		case job.Sensor == nil:
			return nil, fmt.Errorf("sensor %q has no driver", job.ID)
		case seen[job.ID]:
			return nil, fmt.Errorf("sensor %q is to be polled twice", job.ID)
		case job.Every < 0 || job.Timeout < 0 || job.RetryWithin < 0:
			return nil, fmt.Errorf("sensor %q: an interval or timeout is negative", job.ID)
		}
		seen[job.ID] = true
		job.Every = max(cmp.Or(job.Every, 10*time.Second), job.Sensor.Describe().MinimumInterval)
		job.Timeout = cmp.Or(job.Timeout, min(job.Every, 5*time.Second))
		job.RetryWithin = max(cmp.Or(job.RetryWithin, 30*time.Second), job.Every)
		index, found := place[job.Bus]
		if !found || job.Bus == "" {
			index = len(p.buses)
			place[job.Bus] = index
			p.buses = append(p.buses, nil)
		}
		p.buses[index] = append(p.buses[index], &work{Job: job})
	}
	return p, nil
}

// Run polls until ctx ends, and then closes the sensors. A sensor whose read still hangs then is left alone, since a
// sensor is used by one goroutine at a time; the error names it. A Poller runs once.
func (p *Poller) Run(ctx context.Context) error {
	var buses sync.WaitGroup
	failures := make([]error, len(p.buses))
	for i, jobs := range p.buses {
		buses.Go(func() {
			b := bus{jobs: jobs, options: &p.options}
			failures[i] = b.run(ctx)
		})
	}
	buses.Wait()
	return errors.Join(failures...)
}

// bus is the worker of one bus.
type bus struct {
	jobs    []*work
	options *Options
	hung    *read // a read that outlasted its timeout and has not come back
}

// read is a read in flight.
type read struct {
	job   *work
	begun time.Time
	done  chan intake.Sample // holds the one result, so that a late read does not block
}

// run reads the sensors of the bus in the order in which they are due.
func (b *bus) run(ctx context.Context) error {
	start := time.Now()
	for _, job := range b.jobs {
		job.due = start
	}
	for {
		next := slices.MinFunc(b.jobs, func(x, y *work) int { return x.due.Compare(y.due) })
		if !b.sleepUntil(ctx, next.due) {
			return b.close()
		}
		if b.hung != nil {
			b.options.Deliver(b.silence(next))
			next.schedule(1)
			continue
		}
		sample, ended := b.read(ctx, next)
		if ended {
			return b.close()
		}
		b.options.Deliver(sample)
		next.settle(sample.Err, b.hung != nil)
	}
}

// sleepUntil waits for a time and reports whether ctx has not ended by then. A hung read that returns meanwhile frees
// the bus.
func (b *bus) sleepUntil(ctx context.Context, due time.Time) bool {
	alarm := time.NewTimer(time.Until(due))
	defer alarm.Stop()
	for {
		var returned chan intake.Sample
		if b.hung != nil {
			returned = b.hung.done
		}
		select {
		case <-ctx.Done():
			return false
		case late := <-returned:
			b.freed(late)
		case <-alarm.C:
			// Both may be ready: a bus that is free now is not to be reported as held.
			select {
			case late := <-returned:
				b.freed(late)
			default:
			}
			return ctx.Err() == nil
		}
	}
}

// freed forgets the hung read, which has returned.
func (b *bus) freed(late intake.Sample) {
	b.options.Log.Info("a hung read returned, its value is dropped", "sensor", late.Sensor, "took", late.Took, "err", late.Err)
	b.hung = nil
}

// read reads one sensor. If the read does not return in time the bus is hung, and the sample reports that; ended reports that
// ctx ended meanwhile.
func (b *bus) read(ctx context.Context, job *work) (sample intake.Sample, ended bool) {
	r := &read{job: job, begun: time.Now(), done: make(chan intake.Sample, 1)}
	go b.readSensor(ctx, r)
	patience := time.NewTimer(job.Timeout + b.options.Grace)
	defer patience.Stop()
	select {
	case sample = <-r.done:
		// An end is no failure of the sensor.
		return sample, sample.Err != nil && ctx.Err() != nil
	case <-patience.C:
		b.hung = r
		b.options.Log.Warn("a read hangs", "sensor", job.ID, "bus", job.Bus, "timeout", job.Timeout)
		return b.silence(job), false
	case <-ctx.Done():
		b.hung = r
		patience.Reset(b.options.Grace)
		select {
		case <-r.done:
			b.hung = nil
		case <-patience.C:
		}
		return intake.Sample{}, true
	}
}

// readSensor makes one read. A driver that panics is a sensor that fails, not the end of the program.
func (b *bus) readSensor(ctx context.Context, r *read) {
	ctx, stop := context.WithTimeout(ctx, r.job.Timeout)
	defer stop()
	sample := intake.Sample{Sensor: r.job.ID}
	defer func() {
		if fault := recover(); fault != nil {
			sample.Err = sensors.Errorf(sensors.Unknown, "the driver of %s panicked: %v", r.job.ID, fault)
		}
		sample.At, sample.Took = b.options.Now(), time.Since(r.begun)
		r.done <- sample
	}()
	sample.Reading, sample.Err = r.job.Sensor.Read(ctx)
}

// silence is the sample of a sensor that cannot be read because a read hangs.
func (b *bus) silence(job *work) intake.Sample {
	waited := time.Since(b.hung.begun)
	sample := intake.Sample{Sensor: job.ID, At: b.options.Now()}
	if job == b.hung.job {
		sample.Took = waited
		sample.Err = sensors.Errorf(sensors.Timeout, "no answer from %s for %s", job.ID, waited.Round(time.Second/10))
	} else {
		sample.Err = sensors.Errorf(sensors.Busy, "bus %s is held by a read of %s that has not come back for %s",
			job.Bus, b.hung.job.ID, waited.Round(time.Second/10))
	}
	return sample
}

// settle sets the time of the next read by the outcome of this one.
func (w *work) settle(err error, hung bool) {
	if err == nil {
		w.failures = 0
		w.schedule(1)
		return
	}
	intervals := time.Duration(1)
	if !hung { // silence is reported at each interval
		intervals = min(1<<min(w.failures, 16), w.RetryWithin/w.Every)
		w.failures++
	}
	w.schedule(intervals)
}

// schedule sets the next read so many intervals later, on the grid that began with the first read. Times that have
// passed already are left out.
func (w *work) schedule(intervals time.Duration) {
	w.due = w.due.Add(intervals * w.Every)
	if late := time.Since(w.due); late > 0 {
		w.due = w.due.Add((late + w.Every - 1) / w.Every * w.Every)
	}
}

// close closes the sensors of the bus, but for one that hangs.
func (b *bus) close() error {
	var failures []error
	for _, job := range b.jobs {
		if b.hung != nil && b.hung.job == job {
			failures = append(failures, fmt.Errorf("sensor %s still hangs in a read begun %s ago and was left open",
				job.ID, time.Since(b.hung.begun).Round(time.Second/10)))
			continue
		}
		if err := job.Sensor.Close(); err != nil {
			failures = append(failures, fmt.Errorf("closing sensor %s: %w", job.ID, err))
		}
	}
	return errors.Join(failures...)
}
