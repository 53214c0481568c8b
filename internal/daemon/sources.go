package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/sim"
	"dewline/internal/source/mqttfed"
	"dewline/internal/source/poll"
	"dewline/sensors"
)

// sources are the sensors of the configuration in force, and the workers that read them.
type sources struct {
	fed    *mqttFeeds
	cancel context.CancelFunc
	done   sync.WaitGroup
	err    error

	descriptions map[string]*sensors.Description
}

// startSources opens the sensors of the configuration and begins to read them. A missing sensor is no error: it is read again
// at each interval until it answers.
func (l *loop) startSources() error {
	site := l.site
	w, err := Wire(site, l.options.Clock, newDevices(l.options).open)
	if err != nil {
		return err
	}
	s := &sources{descriptions: w.Descriptions}
	for i := range site.Sensors {
		if c := &site.Sensors[i]; c.Driver != "mqtt" {
			l.recorder.resolution(c, w.Descriptions[c.ID])
		}
	}
	fed, err := openFeeds(l.common, site, l.mqtt)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	s.cancel = cancel
	deliver := func(sample stamped) {
		select {
		case l.samples <- sample:
		case <-ctx.Done():
		}
	}
	if len(w.Jobs) > 0 {
		poller, err := poll.New(w.Jobs, poll.Options{
			Deliver: func(s intake.Sample) { deliver(stamped{s, 0}) }, Now: l.clock.monotonic, Log: l.options.Log,
		})
		if err != nil {
			cancel()
			return fmt.Errorf("sensors: %w", err)
		}
		s.done.Go(func() { s.err = poller.Run(ctx) })
	}
	s.fed = fed
	fed.start(l.options.Log, func(s intake.Sample) { deliver(stamped{s, l.clock.offset.Load()}) })
	l.chain.Line, l.sources = w.Line, s
	return nil
}

// Wiring connects the sensors of a site with its core.
type Wiring struct {
	Jobs         []poll.Job       // of the sensors that are polled
	Fed          []mqttfed.Source // those that are fed over MQTT
	Line         *intake.Line
	Descriptions map[string]*sensors.Description
}

// Wire makes the wiring of a configuration; open returns a sensor and the name of its bus. It starts nothing. It is exported
// so that tests can put broken devices behind the same wiring that the daemon uses.
func Wire(site *config.Site, clock Clock, open func(*config.SensorConfig) (sensors.Sensor, string, error)) (*Wiring, error) {
	w := &Wiring{Descriptions: map[string]*sensors.Description{}}
	for i := range site.Sensors {
		c := &site.Sensors[i]
		var description sensors.Description
		if c.Driver == "mqtt" {
			w.Fed = append(w.Fed, fedSource(c))
			description = mqttfed.Describe(fedSource(c))
		} else {
			sensor, bus, err := open(c)
			if err != nil {
				return nil, err
			}
			description = sensor.Describe()
			every := clock.Real(c.Every)
			w.Jobs = append(w.Jobs, poll.Job{
				ID: c.ID, Bus: bus, Sensor: paced{sensor, clock}, Every: every, Timeout: min(5*time.Second, max(every, time.Second)),
				RetryWithin: clock.Real(c.FaultAfter() / 2),
			})
		}
		w.Descriptions[c.ID] = &description
	}
	var err error
	w.Line, err = assemble.Line(site, w.Descriptions)
	return w, err
}

// Descriptions returns what the drivers say of the parts of a configuration, by sensor, without touching a device; nothing of a sensor
// whose driver cannot be made. Of the options Site is needed, and Config where a sensor plays a file.
func Descriptions(o Options) map[string]*sensors.Description {
	o.fill()
	devices := newDevices(o)
	all := map[string]*sensors.Description{}
	for i := range o.Site.Sensors {
		var description sensors.Description
		switch c := &o.Site.Sensors[i]; c.Driver {
		case "mqtt":
			description = mqttfed.Describe(fedSource(c))
		case "sim":
			description = sim.NewSensor(nil, sim.SensorOptions{ID: c.ID, Feeds: c.Feeds}).Describe()
		default:
			sensor, _, err := devices.open(c)
			if err != nil {
				continue
			}
			description = sensor.Describe()
			_ = sensor.Close() // it was never read
		}
		all[o.Site.Sensors[i].ID] = &description
	}
	return all
}

// paced shortens the minimum interval of a sensor under a clock that runs fast.
type paced struct {
	sensors.Sensor
	clock Clock
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
