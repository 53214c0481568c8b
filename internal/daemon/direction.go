package daemon

import (
	"time"

	"dewline/internal/config"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/quantity"
	"dewline/internal/core/today"
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
type present struct {
	*common
	chain      *pipeline.Pipeline
	points     []quantity.Point // of the core, by index
	directions directions
	day        chan today.Today // of the digest that is being made; nil while none is
}

// Residents implements [text.Now].
func (p *present) Residents(place string) []text.Resident {
	var list []text.Resident
	core, now := p.chain.Core, p.now()
	profiles := p.watched.Load().Profiles
	for _, r := range core.Residents(place, now) {
		resident := text.Resident{Cohort: r.Cohort, Stage: r.Stage.String()}
		if at := cohort.At(core.Animals(), r.Cohort, now); at != nil {
			resident.Profile = profiles[at.Profile]
		}
		list = append(list, resident)
	}
	return list
}

// Point implements [text.Now].
func (p *present) Point(of quantity.Point) (text.Latest, bool) {
	index, ok := p.chain.Core.Index(of)
	if !ok {
		return text.Latest{}, false
	}
	s := p.chain.Core.State(index)
	return text.Latest{Value: s.Value, At: s.LastReading, Fresh: s.Zone != watch.UnknownZone}, true
}

// Trend implements [text.Now].
func (p *present) Trend(of quantity.Point) (text.Earlier, bool) {
	return p.directions.earlier(of, p.now())
}

// Feeds implements [text.Now].
func (p *present) Feeds(sensor string) (points []quantity.Point) {
	site := p.watched.Load()
	for i := range site.Sensors {
		if site.Sensors[i].ID == sensor {
			for _, channel := range site.Sensors[i].Channels {
				points = append(points, channel.Feeds)
			}
		}
	}
	return points
}

// formatter returns the formatter of the messages of a site.
func (p *present) formatter(site *config.Site) *text.Formatter {
	return &text.Formatter{
		Site: site.ID, Location: site.Location, Temperature: site.Display.Temperature, Titles: *p.titles.Load(),
		PublicURL: site.Web.PublicURL, Now: p,
	}
}
