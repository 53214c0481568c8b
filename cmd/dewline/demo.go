package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"dewline/configs"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
	"dewline/internal/daemon"
	"dewline/internal/format/timetext"
	"dewline/internal/server/control"
	"dewline/internal/sim"
)

// demoCommand runs a simulated room.
type demoCommand struct {
	Speed        float64           `default:"60" help:"How many times faster than life time passes."`
	Listen       string            `default:"127.0.0.1:8420" placeholder:"ADDRESS" help:"Where pages and metrics are served."`
	BrokerListen string            `default:"127.0.0.1:1883" placeholder:"ADDRESS" help:"Where the embedded MQTT broker listens."`
	Weeks        int               `default:"4" help:"How many weeks of invented past there are to look at."`
	For          timetext.Duration `placeholder:"5m" help:"Stop by itself after this time."`
}

// Run runs the demo until ctx ends or the time of --for is over.
func (c *demoCommand) Run(ctx context.Context, s streams) error {
	if !(c.Speed >= 1 && c.Speed <= 3600) {
		return usageError{fmt.Errorf("--speed %g: give a number from 1 to 3600", c.Speed)}
	}
	if c.Weeks < 0 || c.Weeks > 60 {
		return usageError{fmt.Errorf("--weeks %d: give a number from 0 to 60", c.Weeks)}
	}
	listen, err := demoAddress("--listen", c.Listen, "127.0.0.1:8420", s)
	if err != nil {
		return err
	}
	broker, err := demoAddress("--broker-listen", c.BrokerListen, "127.0.0.1:1883", s)
	if err != nil {
		return err
	}
	site, problems := config.LoadFS(configs.Files, "demo.yaml")
	if err := problems.Err(); err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "dewline-demo-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	site.Web.Listen, site.MQTT.Embedded.Listen = listen, broker
	site.Control.Socket = filepath.Join(folder, "control.sock")
	site.History = config.History{Path: filepath.Join(folder, "history.db")}
	begin := sim.DemoStart(site.Location)
	room := northLoft(site, begin)
	loft, err := c.live(ctx, site, room, begin, s)
	if err != nil {
		return err
	}
	ctx, cancel := lasting(ctx, time.Duration(c.For))
	defer cancel()
	clock := daemon.FastClock(begin, c.Speed)
	fmt.Fprintf(s.out, "A simulated room, all of it invented: the North Loft, at %g times life's pace, from %s on.\n"+
		"The air conditioner has just failed on a hot afternoon. Within a minute the tub by the window leaves its band.\n\n",
		c.Speed, begin.Format("2 January 2006, 15:04"))
	return daemon.Run(ctx, daemon.Options{
		Site: site, Log: logger(streams{err: s.err, terminal: true}, false), Console: s.out, Clock: clock, Version: version,
		World: sim.NewWorld(loft, clock.Now),
		Ready: func(a daemon.Addresses) {
			c.introduce(s, site.ID, a)
			go c.reportMistings(ctx, a.Socket, room, clock)
		},
	})
}

// northLoft is the room of the demo with its incidents.
func northLoft(site *config.Site, begin time.Time) sim.Options {
	options := sim.NorthLoft(begin, 1, site.Light)
	options.Incidents(begin)
	return options
}

// reportMistings records the mistings of the room as they come, as a mister with a line to dewline would, until ctx ends.
func (c *demoCommand) reportMistings(ctx context.Context, socket string, room sim.Options, clock daemon.Clock) {
	const apart = 20 * time.Second // by the clock of the room
	ticker := time.NewTicker(max(10*time.Millisecond, time.Duration(float64(apart)/c.Speed)))
	defer ticker.Stop()
	client := control.Dial(socket)
	for from := clock.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		to := clock.Now()
		for place, times := range room.MistingTimes(from, to) {
			for range times {
				// Where the daemon is going down, the misting is not on record, as with a real one.
				_, _ = client.Command(ctx, control.Request{Verb: watch.RecordMist, Place: place, ForSeconds: 30, By: "mister"})
			}
		}
		from = to
	}
}

// live makes the invented past of the demo: the weeks before it begins.
func (c *demoCommand) live(ctx context.Context, site *config.Site, options sim.Options, begin time.Time, s streams) (*sim.Loft, error) {
	options.Start = begin.AddDate(0, 0, -7*c.Weeks)
	loft := sim.New(options)
	if c.Weeks == 0 {
		return loft, nil
	}
	if s.terminal {
		fmt.Fprintf(s.err, "making %d weeks of invented past …", c.Weeks)
		defer s.wipe()
	}
	note := func(day int, place, text string) watch.Command {
		return watch.Command{Verb: watch.WriteNote, Place: place, Text: text, By: "keeper", At: instant.Of(begin.AddDate(0, 0, -day))}
	}
	return loft, daemon.Backfill{
		Site: site, Loft: loft, Until: begin, Every: time.Minute,
		Mistings: options.MistingTimes(options.Start, begin),
		Notes: append(keptUp(site, options.Start, begin),
			note(11, "loft", "Air conditioner tripped its breaker. Windows open, fan on. (invented)"),
			note(9, "vivarium-2", "schedule changed to 07:30, 13:00, 18:30: it was too dry every afternoon (invented)"),
			note(2, "vivarium-2", "The mister's nozzle was clogged; cleaned it. (invented)"),
			note(2, "tub-1", "Hind-limb buds on most of them. (invented)"),
		),
	}.Run(ctx)
}

// introduce prints the addresses of the running demo and the commands to try on it.
func (c *demoCommand) introduce(s streams, site string, a daemon.Addresses) {
	if a.Web != "" {
		fmt.Fprintf(s.out, "  pages        http://%s/\n  metrics      http://%s/metrics\n", a.Web, a.Web)
	}
	if host, port, err := net.SplitHostPort(a.Broker); err == nil {
		fmt.Fprintf(s.out, "  MQTT         mosquitto_sub -h %s -p %s -v -t 'dewline/%s/events'   (or any client; alarms are at …/alarms/#)\n", host, port, site)
	}
	if a.Socket != "" {
		program := os.Args[0]
		fmt.Fprintf(s.out, "  alarms       %s alarm list\n  acknowledge  %s alarm acknowledge loft/air-temperature/high\n", program, program)
		fmt.Fprintf(s.out, "               (where another dewline runs too: with --socket %s)\n", a.Socket)
	}
	fmt.Fprint(s.out, "  stop         Ctrl-C\n\nWhat happens, in the room's own time:\n")
}

// demoAddress checks an address to listen on. Where the usual one is taken, by another broker for example, any free
// port will do for a demo; an address that was asked for is an error then.
func demoAddress(flag, address, usual string, s streams) (string, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return "", usageError{fmt.Errorf("%s %q: want an address such as %s", flag, address, usual)}
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return "", usageError{fmt.Errorf("%s %s: the demo has no log-in, so it listens on loopback addresses only", flag, address)}
	}
	listener, err := net.Listen("tcp", address)
	if err == nil {
		return address, listener.Close()
	}
	if address == usual && errors.Is(err, syscall.EADDRINUSE) {
		fmt.Fprintf(s.err, "%s is taken by another program, so the demo takes a free port\n", address)
		return net.JoinHostPort(host, "0"), nil
	}
	return "", fmt.Errorf("%s: %w", flag, err)
}
