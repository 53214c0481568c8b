package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"dewline/internal/config"
	"dewline/internal/intake"
	"dewline/internal/intake/mqttfeed"
	"dewline/internal/mqttlink"
)

// mqttFeeds are the sensors that are fed over MQTT: one feed, with a connection of its own, for each broker.
type mqttFeeds struct {
	feeds    []*mqttfeed.Feed
	links    []*mqttlink.Link
	stopFeed context.CancelFunc
	stopLink context.CancelFunc
	feedDone sync.WaitGroup
	linkDone sync.WaitGroup
}

// brokerKey tells connections apart.
type brokerKey struct{ address, username, passwordFile, caFile string }

// openFeeds gathers the fed sensors of the configuration by broker.
func (l *loop) openFeeds() (*mqttFeeds, error) {
	f := &mqttFeeds{}
	byBroker := map[brokerKey][]mqttfeed.Source{}
	var order []brokerKey
	for i := range l.site.Sensors {
		c := &l.site.Sensors[i]
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
		feed, err := mqttfeed.New(byBroker[key], mqttfeed.Options{Now: l.clock.Now, Log: l.options.Log})
		if err != nil {
			return nil, err
		}
		options, err := l.feedLink(key)
		if err != nil {
			return nil, err
		}
		options.ClientID = mqttlink.ClientID(l.site.ID, fmt.Sprintf("intake-%d", i+1))
		options.Log = l.options.Log
		link, err := mqttlink.New(options)
		if err != nil {
			return nil, fmt.Errorf("sensor %s: %w", byBroker[key][0].ID, err)
		}
		f.feeds, f.links = append(f.feeds, feed), append(f.links, link)
	}
	return f, nil
}

// fedSource describes a fed sensor for its feed. It is called silent early enough for the fault to be told before its points
// are stale.
func fedSource(c *config.Sensor) mqttfeed.Source {
	stale := c.StaleAfterOrDefault()
	return mqttfeed.Source{
		ID: c.ID, Topic: c.Topic, Pointer: c.Pointer, SenML: c.SenML, Unit: c.Unit, Every: c.Every,
		StaleAfter: stale, SilentAfter: max(stale-c.FaultAfter(), c.Every),
	}
}

// feedLink tells how to reach the broker of fed sensors: their own, the site's, or the embedded one.
func (l *loop) feedLink(key brokerKey) (mqttlink.Options, error) {
	if key.address != "" {
		return mqttlink.Options{Broker: key.address, Username: key.username, PasswordFile: key.passwordFile, CAFile: key.caFile}, nil
	}
	return l.siteBroker(&l.site.MQTT)
}

// siteBroker tells how to reach the site's broker, or the embedded one.
func (l *loop) siteBroker(m *config.MQTT) (mqttlink.Options, error) {
	if m.Broker != "" {
		return mqttlink.Options{
			Broker: m.Broker, Username: m.Username, PasswordFile: m.PasswordFile,
			CAFile: m.CAFile, CertFile: m.CertificateFile, KeyFile: m.KeyFile,
		}, nil
	}
	if l.links == nil || l.links.broker == nil {
		return mqttlink.Options{}, errors.New("there is no broker to hear sensors from: give mqtt: {broker: …}")
	}
	return mqttlink.Options{Broker: l.links.broker.URL(), Credentials: l.links.broker.Credentials}, nil
}

// start connects and listens.
func (f *mqttFeeds) start(l *loop, deliver func(intake.Sample)) {
	feedCtx, stopFeed := context.WithCancel(context.Background())
	linkCtx, stopLink := context.WithCancel(context.Background())
	f.stopFeed, f.stopLink = stopFeed, stopLink
	for i := range f.feeds {
		f.linkDone.Go(func() {
			if err := f.links[i].Run(linkCtx); err != nil {
				l.options.Log.Error("a link to a broker of sensors has ended", "err", err)
			}
		})
		f.feedDone.Go(func() {
			if err := f.feeds[i].Run(feedCtx, f.links[i], deliver); err != nil {
				l.options.Log.Error("a feed has ended", "err", err)
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
