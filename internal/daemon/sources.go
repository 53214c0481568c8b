package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"dewline/internal/config"
	"dewline/internal/intake"
	"dewline/internal/intake/mqttfeed"
	"dewline/sensors"
)

// sources are the sensors of the configuration in force, and the workers that read them.
type sources struct {
	polled map[string]sensors.Sensor
	fed    *mqttFeeds
	cancel context.CancelFunc
	done   sync.WaitGroup
	err    error

	descriptions map[string]*sensors.Description
}

// startSources opens the sensors of the configuration and begins to read them. A sensor that is not there yet is no error: it
// is read again and again until it is.
func (l *loop) startSources() error {
	site := l.site
	devices := newDevices(l.options)
	s := &sources{polled: map[string]sensors.Sensor{}, descriptions: map[string]*sensors.Description{}}
	var jobs []intake.Job
	var lines []intake.Source
	for i := range site.Sensors {
		c := &site.Sensors[i]
		source := intake.Source{ID: c.ID, Gap: c.GapOrDefault()}
		if c.Driver != "mqtt" {
			sensor, bus, err := devices.open(c)
			if err != nil {
				return err
			}
			source.Description = sensor.Describe()
			s.polled[c.ID] = sensor
			s.descriptions[c.ID] = &source.Description
			l.noteResolutions(c, source.Description)
			every := l.options.Clock.Real(c.Every)
			jobs = append(jobs, intake.Job{
				ID: c.ID, Bus: bus, Sensor: paced{sensor, l.options.Clock}, Every: every, Timeout: min(5*time.Second, max(every, time.Second)),
				RetryWithin: l.options.Clock.Real(c.FaultAfter() / 2),
			})
		}
		if c.Driver == "mqtt" {
			source.Description = mqttfeed.Describe(fedSource(c))
			s.descriptions[c.ID] = &source.Description
		}
		list, err := feeds(c, source.Description)
		if err != nil {
			return err
		}
		source.Feeds = list
		lines = append(lines, source)
	}
	line, err := intake.NewLine(lines, disagreements(site))
	if err != nil {
		return err
	}
	fed, err := l.openFeeds()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	s.cancel = cancel
	deliver := func(sample intake.Sample) {
		select {
		case l.samples <- sample:
		case <-ctx.Done():
		}
	}
	if len(jobs) > 0 {
		poller, err := intake.NewPoller(jobs, intake.PollerOptions{Deliver: deliver, Now: l.options.Clock.Now, Log: l.options.Log})
		if err != nil {
			cancel()
			return fmt.Errorf("sensors: %w", err)
		}
		s.done.Go(func() { s.err = poller.Run(ctx) })
	}
	s.fed = fed
	fed.start(l, deliver)
	l.line, l.sources = line, s
	return nil
}

// noteResolutions tells the store in which steps the values of a sensor come.
func (l *loop) noteResolutions(c *config.Sensor, description sensors.Description) {
	for channel, point := range c.Feeds {
		if measure, ok := description.MeasureOf(channel); ok {
			l.keeper.resolutions[point] = measure.Resolution
		}
	}
}

// paced lets the interval of a sensor shrink with a clock that runs fast.
type paced struct {
	sensors.Sensor
	clock Timepiece
}

// Describe returns the sensor's description with its minimum interval on the machine's own clock.
func (p paced) Describe() sensors.Description {
	d := p.Sensor.Describe()
	d.MinimumInterval = p.clock.Real(d.MinimumInterval)
	if p.clock.Real(time.Hour) < time.Hour && d.MinimumInterval <= time.Millisecond {
		d.MinimumInterval = 0
	}
	return d
}

// description returns what a sensor is; nil for one that is not polled.
func (s *sources) description(id string) *sensors.Description { return s.descriptions[id] }

// stop ends the reading and closes the sensors.
func (s *sources) stop(log *slog.Logger) {
	s.cancel()
	s.done.Wait()
	s.fed.stop()
	if s.err != nil && !errors.Is(s.err, context.Canceled) {
		log.Warn("closing the sensors", "err", s.err)
	}
}
