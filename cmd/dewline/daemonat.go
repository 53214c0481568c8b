package main

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/server/control"
	"dewline/internal/timezone"
)

// daemonAt finds the control socket of the running daemon.
type daemonAt struct {
	Config string `placeholder:"FILE" help:"The daemon's configuration, which names its control socket; needed only where several daemons run."`
	Socket string `placeholder:"PATH" env:"DEWLINE_SOCKET" help:"The control socket itself; likewise."`
	Proc   string `default:"/proc" hidden:"" help:"Where procfs is."`
}

// dial returns a client for the daemon that is meant: the one named, or else the only one that runs.
func (d daemonAt) dial(ctx context.Context) (*control.Client, error) {
	switch {
	case d.Socket != "":
		return control.Dial(d.Socket), nil
	case d.Config != "":
		site, problems := config.Load(d.Config)
		if err := problems.Err(); err != nil {
			return nil, err
		}
		return control.Dial(site.Control.Socket), nil
	}
	running := control.Find(d.Proc)
	switch len(running) {
	case 0:
		return control.Dial(config.DefaultSocket), nil
	case 1:
		return control.Dial(running[0].Socket), nil
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d daemons run here: say which with --socket (or --config)", len(running))
	for _, r := range running {
		name := "it does not answer"
		ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
		if site, err := control.Dial(r.Socket).Site(ctx); err == nil {
			name = site.Site
		}
		cancel()
		fmt.Fprintf(&b, "\n  --socket %s   (%s, process %d)", r.Socket, name, r.Process)
	}
	return nil, usageError{fmt.Errorf("%s", b.String())}
}

// dialFor is dial for a command about an occurrence: where several daemons run, it is the one that has it.
func (d daemonAt) dialFor(ctx context.Context, occurrence string) (*control.Client, error) {
	client, ambiguous := d.dial(ctx)
	if ambiguous == nil || d.Config != "" || !strings.Contains(occurrence, "@") {
		return client, ambiguous
	}
	for _, r := range control.Find(d.Proc) {
		candidate := control.Dial(r.Socket)
		limited, cancel := context.WithTimeout(ctx, 2*time.Second)
		alarms, err := candidate.Alarms(limited)
		cancel()
		if err != nil {
			continue
		}
		for i := range alarms {
			if alarms[i].Occurrence == occurrence {
				return candidate, nil
			}
		}
	}
	return nil, ambiguous
}

// show writes what a daemon says as its site shows it to people.
type show struct {
	control.Site
	location *time.Location
	celsius  quantity.Unit // in which temperatures are shown
}

// shownBy asks the daemon how its site shows times and values.
func shownBy(ctx context.Context, client *control.Client) (show, error) {
	site, err := client.Site(ctx)
	if err != nil {
		return show{}, err
	}
	location, err := timezone.Load(site.Timezone)
	if err != nil {
		return show{}, fmt.Errorf("the time zone of %s: %w", site.Site, err)
	}
	unit, err := quantity.ParseUnit(site.Temperature)
	return show{site, location, unit}, err
}

// asked asks the daemon for something, and how its site shows it.
func asked[T any](ctx context.Context, at daemonAt, question func(*control.Client, context.Context) (T, error)) (answer T, site show, err error) {
	client, err := at.dial(ctx)
	if err == nil {
		answer, err = question(client, ctx)
	}
	if err == nil {
		site, err = shownBy(ctx, client)
	}
	return answer, site, err
}

// time writes a moment by the clock of the site, without the parts that are those of now; "" for none.
func (w show) time(i instant.Instant) string {
	if i.IsNone() {
		return ""
	}
	at, now := i.Time().In(w.location), time.Now().In(w.location)
	switch {
	case at.Format(time.DateOnly) == now.Format(time.DateOnly):
		return at.Format("15:04")
	case at.Year() == now.Year():
		return at.Format("Mon 2 Jan 15:04")
	}
	return at.Format("2 Jan 2006 15:04")
}

// date writes a moment with its day and year; the hour is left out at midnight.
func (w show) date(i instant.Instant) string {
	at := i.Time().In(w.location)
	if at.Hour() == 0 && at.Minute() == 0 {
		return at.Format("2 Jan 2006")
	}
	return at.Format("2 Jan 2006 15:04")
}

// value writes a value of an alarm's point in the unit of the site; "" where there is none.
func (w show) value(a *control.Alarm, v *float64) string {
	parts := strings.Split(a.Alarm, "/")
	if v == nil || len(parts) != 3 {
		return ""
	}
	q, err := quantity.Parse(parts[1])
	if err != nil {
		return ""
	}
	return q.Keeper(w.celsius).Print(*v, q.Decimals())
}

// place writes what people call the place of an alarm.
func (w show) place(a *control.Alarm) string {
	place, _, _ := strings.Cut(a.Alarm, "/")
	return w.title(place)
}

// words writes what is on record as the site shows it.
func (w show) words() control.Words {
	return control.Words{Location: w.location, Titles: w.Places, Temperature: w.celsius}
}

func (w show) title(place string) string { return cmp.Or(w.Places[place], place) }
