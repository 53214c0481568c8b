package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"sync"

	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/mqtt"
	"dewline/internal/source/mqttfed"
)

// mqttFeeds are the sensors that are fed over MQTT: one feed, with a connection of its own, for each broker.
type mqttFeeds struct {
	feeds    []*mqttfed.Feed
	links    []*mqtt.Client
	stopFeed context.CancelFunc
	stopLink context.CancelFunc
	feedDone sync.WaitGroup
	linkDone sync.WaitGroup
}

// brokerKey identifies a connection.
type brokerKey struct{ address, username, passwordFile, caFile string }

// openFeeds gathers the fed sensors of the configuration by broker.
func openFeeds(shared *common, site *config.Site, own *mqttService) (*mqttFeeds, error) {
	f := &mqttFeeds{}
	byBroker := map[brokerKey][]mqttfed.Source{}
	var order []brokerKey
	for i := range site.Sensors {
		c := &site.Sensors[i]
		if c.Driver != "mqtt" {
			continue
		}
		key := brokerKey{c.Broker, c.Username, c.PasswordFile, c.CAFile}
		if _, known := byBroker[key]; !known {
			order = append(order, key)
		}
		byBroker[key] = append(byBroker[key], fedSource(c))
	}
	for i, key := range order {
		feed, err := mqttfed.New(byBroker[key], mqttfed.Options{Now: shared.clock.Now, Log: shared.options.Log})
		if err != nil {
			return nil, err
		}
		options, err := key.options(own, &site.MQTT)
		if err != nil {
			return nil, err
		}
		options.ClientID = mqtt.ClientID(site.ID, fmt.Sprintf("intake-%d", i+1))
		options.Log = shared.options.Log
		link, err := mqtt.New(options)
		if err != nil {
			return nil, fmt.Errorf("sensor %s: %w", byBroker[key][0].ID, err)
		}
		f.feeds, f.links = append(f.feeds, feed), append(f.links, link)
	}
	return f, nil
}

// fedSource describes a fed sensor for its feed. It counts as silent early enough that its fault alarm is raised before its
// points are stale.
func fedSource(c *config.SensorConfig) mqttfed.Source {
	stale := c.StaleAfterOrDefault()
	return mqttfed.Source{
		ID: c.ID, Topic: c.Topic, Pointer: c.Pointer, SenML: c.SenML, Unit: c.Unit, Every: c.Every,
		StaleAfter: stale, SilentAfter: max(stale-c.FaultAfter(), c.Every),
	}
}

// options returns the connection options for the broker of fed sensors: their own, the site's, or the embedded one.
func (key brokerKey) options(own *mqttService, site *config.MQTT) (mqtt.Options, error) {
	if key.address != "" {
		return mqtt.Options{Broker: key.address, Username: key.username, PasswordFile: key.passwordFile, CAFile: key.caFile}, nil
	}
	return own.brokerOptions(site)
}

// start connects and listens.
func (f *mqttFeeds) start(log *slog.Logger, deliver func(intake.Sample)) {
	feedCtx, stopFeed := context.WithCancel(context.Background())
	linkCtx, stopLink := context.WithCancel(context.Background())
	f.stopFeed, f.stopLink = stopFeed, stopLink
	for i := range f.feeds {
		f.linkDone.Go(func() {
			if err := f.links[i].Run(linkCtx); err != nil {
				log.Error("a link to a broker of sensors has ended", "err", err)
			}
		})
		f.feedDone.Go(func() {
			if err := f.feeds[i].Run(feedCtx, f.links[i], deliver); err != nil {
				log.Error("a feed has ended", "err", err)
			}
		})
	}
}

func (f *mqttFeeds) stop() {
	if f == nil || f.stopFeed == nil {
		return
	}
	f.stopFeed()
	f.feedDone.Wait()
	f.stopLink()
	f.linkDone.Wait()
}
