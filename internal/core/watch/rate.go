package watch

import (
	"math"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// How an enclosure follows its room is learned slot by slot, and believed within these bounds; engineering judgement, no published source.
const (
	rateMemory = 3 * usualSlots // slots after which 1/e of a slot's weight is left: three days
	minRated   = 32             // weight of slots that must be known
	rateError  = 0.2            // the largest standard error, as a share of the rate
	minMove    = 0.01           // of a difference to the room, in a slot: slower than a day and a half is no rate
	maxMove    = 1.9            // faster than a slot can show
	explained  = 0.5            // share of a slope that may have another cause than the room
	unnoticed  = 0.3 / 3600     // per second: a slope that may have any cause
	leadAge    = 10 * time.Minute
)

// rate learns how fast the temperature of an enclosure follows that of its room: T' = k·(T_room − T) + g, for the deviations of both from
// their usual days, in which lamps, heaters and the sun of each day are contained. It is a regression by recursive least squares with
// exponential forgetting, kept as its sums.
type rate struct {
	Day  int64 `json:"day"` // local day and slot in which it learned last
	Slot int   `json:"slot"`

	N  float64 `json:"n"` // Σ w
	X  float64 `json:"x"` // of the difference to the room, mean of two slots
	Y  float64 `json:"y"` // of the move from one slot to the next
	XX float64 `json:"xx"`
	XY float64 `json:"xy"`
	YY float64 `json:"yy"`
}

// note takes in a difference to the room and the move that came with it.
func (r *rate) note(x, y float64) {
	fade := math.Exp(-1. / rateMemory)
	r.N, r.X, r.Y = r.N*fade+1, r.X*fade+x, r.Y*fade+y
	r.XX, r.XY, r.YY = r.XX*fade+x*x, r.XY*fade+x*y, r.YY*fade+y*y
}

// known returns k, per second; false where the room has not moved enough to show it, or where the enclosure does not follow it.
func (r *rate) known() (k float64, known bool) {
	if r.N < minRated {
		return 0, false
	}
	xx, xy, yy := r.XX-r.X*r.X/r.N, r.XY-r.X*r.Y/r.N, r.YY-r.Y*r.Y/r.N
	if xx <= 0 {
		return 0, false
	}
	move := xy / xx
	square := max(yy-move*xy, 0) / r.N / xx // of the standard error
	if !(move > minMove && move < maxMove) || square > rateError*rateError*move*move {
		return 0, false
	}
	// Means of slots that follow an exponential differ by 2·tanh(k·slot/2) of their mean difference to its end.
	return 2 * math.Atanh(move/2) / (slotLength * 60), true
}

func (r *rate) valid() bool {
	return finite(r.N, r.X, r.Y, r.XX, r.XY, r.YY) && r.N >= 0 && r.XX >= 0 && r.YY >= 0 && r.Slot >= 0 && r.Slot < usualSlots
}

// lead is a look at a room, as its enclosures see it.
type lead struct {
	At      instant.Instant `json:"at"`
	Value   float64         `json:"value"` // deviation from the usual day
	Slope   float64         `json:"slope"`
	Horizon float64         `json:"horizon"`
	Known   bool            `json:"known,omitempty"`
}

func (l *lead) valid() bool {
	return validTimes(l.At) && finite(l.Value, l.Slope, l.Horizon) && (!l.Known || l.Horizon > 0)
}

// addLeads finds the air of the room for each temperature in an enclosure.
func (c *Core) addLeads() {
	for i := range c.points {
		p := &c.points[i]
		p.lead = -1
		room := c.room[p.name.Place]
		if room == "" || !p.name.Quantity.IsTemperature() || p.inputs != nil {
			continue
		}
		if air, ok := c.index[quantity.Point{Place: room, Quantity: quantity.AirTemperature}]; ok {
			p.lead, c.points[air].leads = air, true
		}
	}
}

// learnRate takes in the last two slots that are over for the point and for its room, once in each slot. The slot that has just ended is
// left out, since of two points that are read in turn either may come first. A gap or a jump of the point teaches nothing.
func (c *Core) learnRate(p *point) {
	u := &p.Usual
	if p.lead < 0 || p.Rate.Day == u.Day && p.Rate.Slot == u.Slot {
		return
	}
	p.Rate.Day, p.Rate.Slot = u.Day, u.Slot
	room := &c.points[p.lead]
	if u.Slot < 3 || room.Usual.Day != u.Day || p.Outlook.Span < 4*slotLength*60 {
		return
	}
	before, after := u.Slot-3, u.Slot-2
	move := p.deviated(after) - p.deviated(before)
	apart := (room.deviated(before) + room.deviated(after) - p.deviated(before) - p.deviated(after)) / 2
	if finite(move, apart) {
		p.Rate.note(apart, move)
	}
}

// deviated returns the deviation of a slot of this day from what is usual; NaN where either is not known.
func (p *point) deviated(slot int) float64 {
	if len(p.Usual.Days) == 0 {
		return math.NaN()
	}
	mean := p.Usual.Days.at(row(p.Usual.Day) + slot)
	if mean == unseen {
		return math.NaN()
	}
	p.settleCourse()
	return float64(mean)*stepOf(p.name.Quantity) - p.course[slot]
}

// follow draws the course of an enclosure after its room: it relaxes at its rate towards what is expected of the room. It does so only
// where most of its slope comes from the room: what has a cause of its own goes on as a trend.
func (c *Core) follow(g *glance, slope float64) {
	p := g.point
	if p.lead < 0 {
		return
	}
	k, known := p.Rate.known()
	room := c.points[p.lead].Leads[0]
	if g.at.Sub(room.At) < time.Minute { // of two points that are read in turn either may come first
		room = c.points[p.lead].Leads[1]
	}
	if age := g.at.Sub(room.At); !known || !room.Known || room.At.IsNone() || age < 0 || age > leadAge {
		return
	}
	age, memory := g.at.Sub(room.At).Seconds(), p.band.Foresee.Seconds()/5
	// The slope is what it was in the middle of what the trend remembers.
	own := slope - k*(room.Value+room.Slope*(age-memory)-(g.trend.value-slope*memory))
	if math.Abs(own) > max(explained*math.Abs(slope), unnoticed) {
		return
	}
	step := p.band.Foresee.Seconds() / lookSteps
	left, fade, stays := math.Exp(-age/room.Horizon), math.Exp(-step/room.Horizon), math.Exp(-k*step)
	expected := func() float64 {
		v := room.Value + room.Slope*room.Horizon*(1-left)
		left *= fade
		if v*room.Value < 0 {
			return 0 // what comes back to the usual day stays there
		}
		return v
	}
	now, value := expected(), g.trend.value
	for i := range g.drawn {
		g.drawn[i] = value + p.course.at(g.minute+float64(i)*step/60)
		next := expected()
		toward := (now+next)/2 + own/k
		value, now = toward+(value-toward)*stays, next
	}
	g.follows = true
}
