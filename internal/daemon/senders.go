package daemon

import (
	"context"
	"fmt"
	"sync"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/deliver"
	"dewline/internal/deliver/heartbeat"
	"dewline/internal/deliver/mail"
	"dewline/internal/deliver/serial"
	"dewline/internal/deliver/text"
	"dewline/internal/deliver/webhook"
	"dewline/internal/server/status"
	"dewline/internal/store"
)

// sender is a notifier that sends only what its rule asks for.
type sender interface {
	OfEntry(entry *journal.Entry) (deliver.Item, error)
	Add(item deliver.Item) error
	Run(ctx context.Context) error
	Status() serial.Status
}

// senders are the webhooks and e-mails of the configuration, and the outgoing heartbeat.
type senders struct {
	*common
	site    *config.Site
	names   []string // in the order of the configuration
	rules   []notify.Rule
	senders map[string]sender
	beat    *heartbeat.Beat
	cancel  context.CancelFunc
	done    sync.WaitGroup
}

// openSenders makes the notifiers of the configuration. One that cannot be made is reported and left out.
func openSenders(shared *common, site *config.Site, notifiers *notifierWatch, words *text.Formatter) (*senders, error) {
	c := &senders{common: shared, site: site, senders: map[string]sender{}}
	var problem error
	for i, name := range assemble.NotifierNames(site) {
		if name == "" {
			continue
		}
		o := &site.Notify[i]
		made, err := c.open(name, o, notifiers, words)
		if err != nil {
			problem = fmt.Errorf("notifier %s: %w", name, err)
			continue
		}
		c.names, c.senders[name] = append(c.names, name), made
		rule := assemble.Rule(name, o)
		rule.Except = journal.NotifierFault(name)
		c.rules = append(c.rules, rule)
	}
	if h := &site.Heartbeat; h.URL != "" || h.URLFile != "" {
		beat, err := heartbeat.New(heartbeat.Options{URL: h.URL, URLFile: h.URLFile, Every: h.Every, Healthy: c.healthy, Log: c.options.Log})
		if err != nil {
			problem = fmt.Errorf("heartbeat: %w", err)
		}
		c.beat = beat
	}
	return c, problem
}

// open makes one notifier. The queue of a name survives a new configuration, and, with a history, a restart.
func (c *senders) open(name string, o *config.NotifierConfig, notifiers *notifierWatch, words *text.Formatter) (sender, error) {
	queue := notifiers.queue(name)
	givenUp := func(item deliver.Item, reason error) {
		queue.lose(item, reason)
		notifiers.lost.add(lostMessage{name, item.Event, reason})
	}
	if o.Kind == "webhook" {
		return webhook.New(webhook.Options{
			Name: name, Site: c.site.ID, URL: o.URL, URLFile: o.URLFile, TokenFile: o.TokenFile, SecretFile: o.SecretFile, Queue: queue, GivenUp: givenUp, Log: c.options.Log,
			Format: webhook.Format(o.Format), TitleHeader: o.TitleHeader, Template: o.Template, Text: words,
		})
	}
	return mail.New(mail.Options{
		Name: name, Server: o.Server, Security: mail.Security(o.Security), Username: o.Username, PasswordFile: o.PasswordFile,
		From: o.From, To: o.To, Queue: queue, GivenUp: givenUp, Log: c.options.Log, Text: words,
	})
}

// start runs the senders and the heartbeat.
func (c *senders) start() {
	ctx, cancel := context.WithCancel(context.Background())
	c.cancel = cancel
	log := c.options.Log
	run := func(name string, work func(context.Context) error) {
		c.done.Go(func() {
			if err := work(ctx); err != nil {
				log.Error("a notifier has ended", "notifier", name, "err", err)
			}
		})
	}
	for name, s := range c.senders {
		run(name, s.Run)
	}
	if c.beat != nil {
		run("heartbeat", c.beat.Run)
	}
}

// stop ends the senders, which first send for a moment what waits.
func (c *senders) stop() {
	if c.cancel != nil {
		c.cancel()
		c.done.Wait()
	}
}

// items returns the deliveries as rows for the store, to be recorded with their entries.
func (c *senders) items(list []notify.Delivery) []store.OutboxItem {
	var items []store.OutboxItem
	for _, d := range list {
		s, ok := c.senders[d.Notifier]
		if !ok {
			continue
		}
		item, err := s.OfEntry(d.Written())
		if err != nil {
			c.options.Log.Error("a notification was not made", "notifier", d.Notifier, "seq", d.Entry.Seq, "err", err)
			continue
		}
		items = append(items, store.OutboxItem{Notifier: d.Notifier, Item: item})
	}
	return items
}

// states returns the health of the senders.
func (c *senders) states() []status.NotifierHealth {
	var list []status.NotifierHealth
	for _, name := range c.names {
		s := c.senders[name].Status()
		o := status.NotifierHealth{
			Name: name, Connected: s.Err == "", LastError: s.Err, Pending: s.Pending, Sent: s.Sent, Dropped: s.GivenUp, Refused: s.Refused,
		}
		if !s.Oldest.IsNone() {
			o.Oldest = s.Oldest.Time()
		}
		list = append(list, o)
	}
	return list
}
