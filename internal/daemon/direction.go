package daemon

import (
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver/text"
)

// directions holds for each point values of some minutes ago, so that a message can say in which direction a value moves.
type directions map[quantity.Point]*[2]text.Earlier // the newer one first

// The ages between which an earlier value is compared with the present one.
const (
	minEarlier = 5 * time.Minute
	maxEarlier = 30 * time.Minute
)

// note takes in a usable reading. After a step of the clock or a long gap the comparison begins again.
func (d directions) note(p quantity.Point, at instant.Instant, value float64) {
	pair := d[p]
	if pair == nil {
		pair = new([2]text.Earlier)
		d[p] = pair
	}
	switch age := at.Sub(pair[0].At); {
	case pair[0].At == 0 || age < 0 || age > maxEarlier:
		*pair = [2]text.Earlier{{At: at, Value: value}}
	case age >= maxEarlier/2-minEarlier/2:
		pair[1], pair[0] = pair[0], text.Earlier{At: at, Value: value}
	}
}

// earlier returns a value of five to thirty minutes before a time, the oldest one held.
func (d directions) earlier(p quantity.Point, now instant.Instant) (text.Earlier, bool) {
	if pair := d[p]; pair != nil {
		for _, e := range [2]text.Earlier{pair[1], pair[0]} {
			if age := now.Sub(e.At); e.At != 0 && age >= minEarlier && age <= maxEarlier {
				return e, true
			}
		}
	}
	return text.Earlier{}, false
}

// present is what the loop knows beyond a journal entry while a message on it is written: [text.Now]. It is used by the goroutine of
// the loop only.
type present struct{ loop *loop }

// Residents implements [text.Now].
func (p present) Residents(place string) []text.Resident {
	var list []text.Resident
	site := p.loop.watched.Load()
	for _, r := range p.loop.chain.Core.Residents(place, p.loop.now()) {
		resident := text.Resident{Cohort: r.Cohort, Stage: r.Stage.String()}
		for i := range site.Cohorts {
			if site.Cohorts[i].ID == r.Cohort {
				resident.Profile = site.Profiles[site.Cohorts[i].Profile]
			}
		}
		list = append(list, resident)
	}
	return list
}

// Point implements [text.Now].
func (p present) Point(of quantity.Point) (watch.PointState, bool) {
	index, ok := p.loop.chain.Core.Index(of)
	if !ok {
		return watch.PointState{}, false
	}
	return p.loop.chain.Core.State(index), true
}

// Trend implements [text.Now].
func (p present) Trend(of quantity.Point) (text.Earlier, bool) {
	return p.loop.directions.earlier(of, p.loop.now())
}

// Feeds implements [text.Now].
func (p present) Feeds(sensor string) (points []quantity.Point) {
	site := p.loop.watched.Load()
	for i := range site.Sensors {
		if site.Sensors[i].ID == sensor {
			for _, channel := range site.Sensors[i].Channels {
				points = append(points, channel.Feeds)
			}
		}
	}
	return points
}

// formatter returns the formatter of the messages of the site in force.
func (l *loop) formatter() *text.Formatter {
	return &text.Formatter{
		Site: l.site.ID, Location: l.site.Location, Temperature: l.site.Display.Temperature, Titles: *l.titles.Load(),
		PublicURL: l.site.Web.PublicURL, Now: present{l},
	}
}
