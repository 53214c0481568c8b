package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/watch"
	"dewline/internal/deliver"
	"dewline/internal/format/cloudevent"
	"dewline/internal/mqtt"
	"dewline/internal/sites"
)

// crowd is many sites at one broker, as their bridges speak to it.
type crowd struct {
	options       mqtt.Options
	folder        string // of the passwords, "" where none are wanted
	pid           int    // of the broker; 0 where its memory is not asked for
	sent, refused atomic.Int64
}

// play connects every site, lets each publish its state once a minute and an alarm now and then, and reads them as dewline sites does.
func (c *crowd) play(ctx context.Context, count int, length time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, length)
	defer cancel()
	var done sync.WaitGroup
	for i := range count {
		done.Go(func() {
			if err := c.site(ctx, i); err != nil && ctx.Err() == nil {
				c.refused.Add(1)
				log.Printf("room-%d: %v", i+1, err)
			}
		})
	}
	began, before := time.Now(), c.processor()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-time.After(time.Minute):
			if err := c.look(ctx, count, time.Since(began)); err != nil && ctx.Err() == nil {
				log.Print(err)
			}
		}
	}
	done.Wait()
	took := time.Since(began)
	fmt.Printf("the broker in %s: %d messages (%.0f/s), %d refused, %.1f s of processor (%.1f %%)\n", took.Round(time.Second), c.sent.Load(),
		float64(c.sent.Load())/took.Seconds(), c.refused.Load(), (c.processor() - before).Seconds(), 100*(c.processor()-before).Seconds()/took.Seconds())
	return nil
}

func (c *crowd) of(name string) mqtt.Options {
	options := c.options
	options.ClientID = "board-" + name
	if c.folder != "" {
		options.Username, options.PasswordFile = name, filepath.Join(c.folder, name+".password")
	}
	return options
}

// site publishes what board.conf hands on: status and points each minute, an alarm and its event every ten.
func (c *crowd) site(ctx context.Context, i int) error {
	site, points := siteOf(i)
	client, err := mqtt.New(c.of(site.ID))
	if err != nil {
		return err
	}
	ended := make(chan struct{})
	go func() { defer close(ended); _ = client.Run(ctx) }() // it returns nil
	defer func() { <-ended }()
	time.Sleep(rand.N(time.Minute)) // boards are switched on one after the other
	publish := func(branch string, payload []byte, retained bool) error {
		session, err := client.Session(ctx)
		if err != nil {
			return err
		}
		if err := session.Publish(ctx, mqtt.Message{Topic: "dewline/" + site.ID + "/" + branch, Payload: payload, QoS: 1, Retained: retained}); err != nil {
			return err
		}
		c.sent.Add(1)
		return nil
	}
	for minute := 0; ctx.Err() == nil; minute++ {
		now := instant.Of(time.Now())
		known := true
		payload, err := json.Marshal(deliver.StatusMessage{State: sites.Online, Time: &now, Boot: "run", Synchronized: &known})
		if err != nil {
			return err
		}
		if err := publish("status", payload, true); err != nil {
			return err
		}
		for _, p := range points {
			if payload, err = json.Marshal(deliver.MessageOf(&watch.PointState{Point: p, Value: 22.5, Zone: watch.InBand, LastReading: now, Since: now})); err != nil {
				return err
			}
			if err := publish("points/"+p.String(), payload, true); err != nil {
				return err
			}
		}
		if (minute+i)%10 == 0 {
			event, err := cloudevent.OfAlarm(site.ID, watch.AlarmState{
				Name: "tub-1/water-temperature/high", Place: "tub-1", Quantity: "water-temperature", Limit: "high", Letter: isa.Unacknowledged, Active: true,
				Priority: care.HighPriority, Since: now, Raised: now, Cleared: instant.None, Until: instant.None,
			})
			if err != nil {
				return err
			}
			if payload, err = event.JSON(); err != nil {
				return err
			}
			if err := publish("alarms/tub-1/water-temperature/high", payload, true); err != nil {
				return err
			}
			if err := publish("events", payload, false); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Minute):
		}
	}
	return nil
}

// look reads all sites from the broker, and what that takes.
func (c *crowd) look(ctx context.Context, count int, after time.Duration) error {
	book, began := sites.NewBook("dewline"), time.Now()
	if err := sites.Collect(ctx, c.of("keeper"), book, time.Minute); err != nil {
		return err
	}
	online := 0
	for _, s := range book.Sites(time.Now()) {
		if s.State == sites.Online {
			online++
		}
	}
	fmt.Printf("%4.0f s: %d of %d sites online, read in %s; %d messages; the broker has %s resident\n", after.Seconds(), online, count,
		time.Since(began).Round(time.Millisecond), c.sent.Load(), c.memory())
	return nil
}

// memory is what the broker has resident.
func (c *crowd) memory() string {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", c.pid))
	if err != nil {
		return "(unknown)"
	}
	_, rest, _ := strings.Cut(string(text), "VmRSS:")
	size, _, _ := strings.Cut(strings.TrimSpace(rest), "\n")
	return size
}

// processor is what the broker has had of the processors, by the clock ticks of the kernel (100 a second).
func (c *crowd) processor() time.Duration {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", c.pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest)
	var ticks int64
	for _, field := range fields[11:13] {
		n, err := strconv.ParseInt(field, 10, 64)
		if err != nil {
			return 0
		}
		ticks += n
	}
	return time.Duration(ticks) * time.Second / 100
}
