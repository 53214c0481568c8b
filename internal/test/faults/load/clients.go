package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dewline/internal/core/journal"
	"dewline/internal/format/cloudevent"
)

// connect logs a client in at the broker.
func (b *broker) connect(user, id string, received mqtt.MessageHandler) (mqtt.Client, error) {
	options := mqtt.NewClientOptions().AddBroker("tcp://" + b.address).SetClientID(id).SetUsername(user).SetPassword(b.passwords[user]).
		SetAutoReconnect(false).SetOrderMatters(true).SetDefaultPublishHandler(received)
	client := mqtt.NewClient(options)
	token := client.Connect()
	if !token.WaitTimeout(10 * time.Second) {
		return nil, fmt.Errorf("client %s: no answer of the broker", id)
	}
	return client, token.Error()
}

// alarmWatch takes the time of alarms: from the moment at which the reading that establishes one is published, until each client
// has heard of it.
type alarmWatch struct {
	clients int

	mu       sync.Mutex
	open     map[string]*provoked // by alarm
	took     []time.Duration
	bare     []time.Duration // what the broker alone takes: of messages that pass dewline by
	made     int
	missed   int // times a client had not heard of an alarm
	messages atomic.Uint64
}

type provoked struct {
	at    time.Time
	heard map[int]bool
}

// provoke notes that the reading which establishes an alarm is published now.
func (w *alarmWatch) provoke(alarm string, at time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.made++
	w.open[alarm] = &provoked{at: at, heard: map[int]bool{}}
}

// settle forgets an alarm whose value is back inside its limit, and counts the clients that never heard of it.
func (w *alarmWatch) settle(alarm string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if p := w.open[alarm]; p != nil {
		w.missed += w.clients - len(p.heard)
		delete(w.open, alarm)
	}
}

// compare publishes, each second until ctx ends, a message that goes through the broker to the same clients and passes dewline
// by. On a machine that has other things to do this shows which part of the latency is the machine's.
func (w *alarmWatch) compare(ctx context.Context, client mqtt.Client) {
	again := time.NewTicker(time.Second)
	defer again.Stop()
	for {
		select {
		case <-again.C:
			client.Publish(compareTopic, 1, false, time.Now().Format(time.RFC3339Nano))
		case <-ctx.Done():
			return
		}
	}
}

const compareTopic = "dewline/" + site + "/load-program"

// subscribe lets so many clients listen to all topics of the site.
func (w *alarmWatch) subscribe(b *broker, site string) (stop func(), err error) {
	events := "dewline/" + site + "/events"
	raised := cloudevent.TypeOf(journal.AlarmRaised)
	var clients []mqtt.Client
	stop = func() {
		for _, c := range clients {
			c.Disconnect(250)
		}
	}
	for i := range w.clients {
		client, err := b.connect(clientUser, fmt.Sprintf("phone-%d", i+1), func(_ mqtt.Client, m mqtt.Message) {
			w.messages.Add(1)
			now := time.Now()
			if m.Topic() == compareTopic {
				if at, err := time.Parse(time.RFC3339Nano, string(m.Payload())); err == nil {
					w.mu.Lock()
					w.bare = append(w.bare, now.Sub(at))
					w.mu.Unlock()
				}
				return
			}
			if m.Topic() != events {
				return
			}
			var e struct{ Type, Subject string }
			if json.Unmarshal(m.Payload(), &e) != nil || e.Type != raised {
				return
			}
			w.hear(i, e.Subject, now)
		})
		if err != nil {
			stop()
			return nil, err
		}
		clients = append(clients, client)
		if token := client.Subscribe("dewline/"+site+"/#", 1, nil); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			stop()
			return nil, fmt.Errorf("client %d was not let in: %w", i+1, token.Error())
		}
	}
	return stop, nil
}

func (w *alarmWatch) hear(client int, alarm string, at time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if p := w.open[alarm]; p != nil && !p.heard[client] {
		p.heard[client] = true
		w.took = append(w.took, at.Sub(p.at))
	}
}

// pages are open on the stream of the daemon, as a browser would be.
type pages struct {
	events, bytes atomic.Uint64
	failures      atomic.Uint64
	wait          sync.WaitGroup
}

// open opens so many pages until ctx ends: each reads the stream, and asks for the trend of a point twice a minute.
func (p *pages) open(ctx context.Context, count int, address string, nodes []*node) {
	for i := range count {
		p.wait.Go(func() {
			for ctx.Err() == nil {
				if err := p.stream(ctx, address); err != nil && ctx.Err() == nil {
					p.failures.Add(1)
					time.Sleep(time.Second)
				}
			}
		})
		p.wait.Go(func() {
			again := time.NewTicker(30 * time.Second)
			defer again.Stop()
			for {
				select {
				case <-again.C:
				case <-ctx.Done():
					return
				}
				for _, path := range []string{"/", "/api/now", "/trend?point=" + nodes[i%len(nodes)].point()} {
					if err := fetch(ctx, "http://"+address+path); err != nil && ctx.Err() == nil {
						p.failures.Add(1)
					}
				}
			}
		})
	}
}

func (p *pages) stream(ctx context.Context, address string) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/api/live", nil)
	if err != nil {
		return err
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if response.StatusCode != http.StatusOK {
		return fmt.Errorf("%s", response.Status)
	}
	lines := bufio.NewReaderSize(response.Body, 64<<10)
	for {
		line, err := lines.ReadSlice('\n')
		p.bytes.Add(uint64(len(line)))
		switch {
		case err == bufio.ErrBufferFull: // a picture is longer than the buffer
		case err != nil:
			return err
		case strings.HasPrefix(string(line[:min(len(line), 6)]), "event:"):
			p.events.Add(1)
		}
	}
}

func fetch(ctx context.Context, address string) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return err
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if _, err := io.Copy(io.Discard, response.Body); err != nil {
		return err
	}
	if response.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", address, response.Status)
	}
	return nil
}
