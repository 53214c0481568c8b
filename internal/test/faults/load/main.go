package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// options are what was asked for. Times are those of the site.
type options struct {
	points      int
	every       time.Duration
	length      time.Duration
	subscribers int
	pages       int
	pace        float64
	alarms      float64 // a minute
	keep        string
}

// site is the id of the invented site.
const site = "north-loft"

// allowed is how long the 99th percentile of the alarms may take.
const allowed = 250 * time.Millisecond

func main() {
	o, err := parse(os.Args[1:])
	if err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return
		}
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(2)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	result, err := o.run(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(1)
	}
	result.print(os.Stdout)
	if problems := result.problems(); len(problems) > 0 {
		for _, p := range problems {
			fmt.Fprintln(os.Stderr, "load:", p)
		}
		os.Exit(1)
	}
}

func parse(arguments []string) (options, error) {
	var o options
	flags := flag.NewFlagSet("load", flag.ContinueOnError)
	soak := flags.Bool("soak", false, "the defaults of a soak: 40 points, a reading every 10s, for 24h at 60 times the pace")
	flags.IntVar(&o.points, "points", 1000, "how many points sensors feed")
	flags.DurationVar(&o.every, "every", time.Second, "interval between the readings of a point")
	flags.DurationVar(&o.length, "for", 10*time.Minute, "how long it is counted")
	flags.IntVar(&o.subscribers, "subscribers", 10, "clients that subscribe to all topics of the site")
	flags.IntVar(&o.pages, "pages", 5, "pages that are open")
	flags.Float64Var(&o.pace, "pace", 1, "how many times faster than life the site's clock runs")
	flags.Float64Var(&o.alarms, "alarms", 20, "alarms that are provoked a minute, by the machine's clock")
	flags.StringVar(&o.keep, "keep", "", "folder to leave everything in; without it a temporary one is removed")
	if err := flags.Parse(arguments); err != nil {
		return o, err
	}
	given := map[string]bool{}
	flags.Visit(func(f *flag.Flag) { given[f.Name] = true })
	if *soak {
		for name, value := range map[string]string{"points": "40", "every": "10s", "for": "24h", "pace": "60"} {
			if !given[name] {
				if err := flags.Set(name, value); err != nil {
					return o, err
				}
			}
		}
	}
	switch {
	case flags.NArg() > 0:
		return o, fmt.Errorf("%q is no flag", flags.Arg(0))
	case o.points < 1 || o.every <= 0 || o.length <= 0 || o.subscribers < 1 || o.pages < 0 || o.alarms < 0 || o.pace < 1:
		return o, errors.New("a number is too small: there is at least one point and one subscriber, and the pace is at least 1")
	}
	return o, nil
}

// real returns how long a stretch of the site's time lasts on the machine's clock.
func (o *options) real(d time.Duration) time.Duration { return time.Duration(float64(d) / o.pace) }

// run does everything.
func (o *options) run(ctx context.Context) (*result, error) {
	folder := o.keep
	if folder == "" {
		made, err := os.MkdirTemp("", "dewline-load-")
		if err != nil {
			return nil, err
		}
		defer os.RemoveAll(made)
		folder = made
	} else if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, err
	}
	folder, err := filepath.Abs(folder)
	if err != nil {
		return nil, err
	}
	broker, err := startBroker(folder)
	if err != nil {
		return nil, err
	}
	defer broker.stop()
	nodes := makeNodes(o.points, o.real(o.every))
	text := siteText(nodes, o.every, "mqtt://"+broker.address, folder)
	if err := os.WriteFile(filepath.Join(folder, "site.yaml"), []byte(text), 0o600); err != nil {
		return nil, err
	}
	now := time.Now
	var more []string
	if o.pace != 1 {
		begin := time.Now()
		now = func() time.Time { return begin.Add(time.Duration(float64(time.Since(begin)) * o.pace)) }
		if more, err = fastClock(folder, begin, o.pace); err != nil {
			return nil, err
		}
	}
	say("building and starting dewline: %d points at one reading per %s, pace %g", o.points, o.every, o.pace)
	child, err := startChild(ctx, folder, more...)
	if err != nil {
		return nil, err
	}
	r, err := o.measure(ctx, child, broker, nodes, now)
	stopping := time.Now()
	if stopped := child.stop(); err == nil && stopped != nil {
		err = fmt.Errorf("dewline ended with %w\n%s", stopped, tail(child.log.Name()))
	}
	if err != nil {
		return nil, err
	}
	r.stopped = time.Since(stopping)
	if r.kept, r.bytes, err = count(ctx, filepath.Join(folder, "history.db"), nodes); err != nil {
		return nil, err
	}
	return r, nil
}

// measure feeds the child, first until it has heard every sensor, then for as long as was asked.
func (o *options) measure(ctx context.Context, c *child, b *broker, nodes []*node, now func() time.Time) (*result, error) {
	watch := &alarmWatch{clients: o.subscribers, open: map[string]*provoked{}}
	leave, err := watch.subscribe(b, site)
	if err != nil {
		return nil, err
	}
	defer leave()
	client, err := b.connect(nodeUser, "sensors", func(mqtt.Client, mqtt.Message) {})
	if err != nil {
		return nil, err
	}
	defer client.Disconnect(250)
	ctx, cancel := context.WithCancel(ctx)
	var open pages
	defer open.wait.Wait()
	defer cancel()
	open.open(ctx, o.pages, c.web, nodes)

	f := &feeder{client: client, nodes: nodes, every: o.real(o.every), now: now, hot: 20 * time.Second}
	before, err := o.settle(ctx, c, f)
	if err != nil {
		return nil, err
	}
	say("every sensor was heard; counting for %s by the site's clock", o.length)
	heardBefore := watch.messages.Load()
	f.sent.Store(0)
	f.late = 0
	f.watch, f.chance = watch, o.alarms/60*f.every.Seconds()/float64(len(nodes))
	start := time.Now()
	counted, enough := context.WithTimeout(ctx, o.real(o.length))
	defer enough()
	fed := make(chan error, 1)
	go func() { fed <- f.run(counted) }()
	open.wait.Go(func() { watch.compare(counted, client) })
	var seen []vitals
	look := time.NewTicker(10 * time.Second)
	defer look.Stop()
	for feeding := true; feeding; {
		select {
		case err := <-c.done:
			c.done <- err
			return nil, fmt.Errorf("dewline ended by itself: %v\n%s", err, tail(c.log.Name()))
		case err := <-fed:
			if err != nil {
				return nil, fmt.Errorf("publishing readings: %w", err)
			}
			feeding = false
		case <-look.C:
			v, err := c.look(ctx)
			if err != nil {
				return nil, err
			}
			v.at = time.Since(start)
			seen = append(seen, v)
			watch.mu.Lock()
			say("%6s  sent %d, rss %.1f MiB, live heap %.1f MiB, goroutines %.0f, cpu %.0f s, alarms %d, outbox %.0f, load %s", v.at.Round(time.Second), f.sent.Load(),
				v.resident, v.live, v.goroutines, v.processor, watch.made, v.outboxPending, loadAverage())
			watch.mu.Unlock()
		}
	}
	took := time.Since(start)
	time.Sleep(3 * time.Second) // what is under way arrives
	for _, n := range nodes {
		watch.settle(n.point() + "/high")
	}
	last, err := c.look(ctx)
	if err != nil {
		return nil, err
	}
	last.at = took
	collections, err := c.collections(start)
	if err != nil {
		return nil, err
	}
	return &result{
		options: *o, collections: collections, nodes: len(nodes), before: before, sent: f.sent.Load(), late: f.late, took: took, seen: append(seen, last), load: loadAverage(),
		alarms: watch.made, missed: watch.missed, latencies: watch.took, bare: watch.bare, messages: watch.messages.Load() - heardBefore,
		pictures: open.events.Load(), pageBytes: open.bytes.Load(), pageFailures: open.failures.Load(),
	}, ctx.Err()
}

// settle feeds the child until it has heard every sensor, waits until nothing is under way any more, and returns how many
// readings it has taken by then.
func (o *options) settle(ctx context.Context, c *child, f *feeder) (int64, error) {
	warm, cancel := context.WithCancel(ctx)
	fed := make(chan error, 1)
	go func() { fed <- f.run(warm) }()
	deadline := time.Now().Add(2 * time.Minute)
	var err error
	for heard := 0; heard < len(f.nodes) && err == nil; {
		time.Sleep(time.Second)
		var v vitals
		if v, err = c.look(ctx); err == nil {
			_, heard = v.readings(f.nodes)
		}
		if time.Now().After(deadline) {
			err = fmt.Errorf("after two minutes dewline has heard %d of %d sensors\n%s", heard, len(f.nodes), tail(c.log.Name()))
		}
	}
	cancel()
	if err := errors.Join(err, <-fed); err != nil {
		return 0, err
	}
	time.Sleep(3 * time.Second)
	v, err := c.look(ctx)
	readings, _ := v.readings(f.nodes)
	return readings, err
}

func say(format string, args ...any) {
	fmt.Fprintf(os.Stderr, time.Now().Format("15:04:05 ")+format+"\n", args...)
}
