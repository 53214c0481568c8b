package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// Weather is the air outside. It is a function of time alone, so that any moment can be asked for in any order.
type Weather struct {
	Seed     uint64
	Location *time.Location
	// Mean is the yearly mean in °C, Season half the difference between the warmest and the coldest month, Day half the
	// difference between afternoon and dawn.
	Mean, Season, Day float64
	// Spells are hot or cold spells: kelvin added while they last, with soft edges of six hours.
	Spells []Spell
}

// Spell is a time of unusual weather.
type Spell struct {
	From, To time.Time
	Kelvin   float64
}

// Temperature returns the outside air temperature in °C. It is warmest in the middle of July and at 15:00.
func (w *Weather) Temperature(t time.Time) float64 { return w.temperature(w.moment(t, &moodsOf{})) }

func (w *Weather) temperature(m moment) float64 {
	hour := float64(m.hour) + float64(m.minute)/60 + float64(m.second)/3600
	season := math.Cos(2 * math.Pi * (float64(m.yearDay) + hour/24 - 196) / 365.25)
	day := math.Cos(2 * math.Pi * (hour - 15) / 24)
	celsius := w.Mean + w.Season*season + w.Day*day + m.mood
	for i := range w.Spells {
		s := &w.Spells[i]
		celsius += s.Kelvin * s.strength(m.at)
	}
	return celsius
}

// DewPoint returns the outside dew point in °C: that of the morning, which the day hardly changes.
func (w *Weather) DewPoint(t time.Time) float64 { return w.dewPoint(w.moment(t, &moodsOf{})) }

func (w *Weather) dewPoint(m moment) float64 {
	season := math.Cos(2 * math.Pi * (float64(m.yearDay) - 196) / 365.25)
	return w.Mean + w.Season*season - w.Day - 1 + m.mood/2
}

// moment is a time with what the calendar and the weather of the day make of it.
type moment struct {
	at                            time.Time
	yearDay, hour, minute, second int // local
	mood                          float64
}

// moment looks at a time. It draws moods only where those that were drawn last are of another day.
func (w *Weather) moment(t time.Time, moods *moodsOf) moment {
	local := t.In(w.Location)
	m := moment{at: t, yearDay: local.YearDay(), mood: w.mood(t, moods)}
	m.hour, m.minute, m.second = local.Clock()
	return m
}

// minuteOfDay counts from local midnight.
func (m *moment) minuteOfDay() int { return m.hour*60 + m.minute }

// mood is the weather of the day: each day has one of its own, and days run into one another.
func (w *Weather) mood(t time.Time, moods *moodsOf) float64 {
	day := float64(t.Unix()) / 86400
	whole := math.Floor(day)
	part := day - whole
	ease := part * part * (3 - 2*part)
	if first := int64(whole); !moods.drawn || moods.day != first {
		*moods = moodsOf{true, first, w.draw(first), w.draw(first + 1)}
	}
	return moods.this*(1-ease) + moods.next*ease
}

func (w *Weather) draw(day int64) float64 {
	return rand.New(rand.NewPCG(w.Seed, uint64(day))).NormFloat64() * 1.5
}

// moodsOf a day and of the next one, once they are drawn.
type moodsOf struct {
	drawn      bool
	day        int64
	this, next float64
}

// strength is 1 inside a spell, 0 far from it, and changes over six hours.
func (s *Spell) strength(t time.Time) float64 {
	return soft(t.Sub(s.From)) * soft(s.To.Sub(t))
}

// soft is a step at 0 with soft edges. Days away from it, it is what it would be there for a float64: 1, or less than a temperature
// could show.
func soft(d time.Duration) float64 {
	const far = 5 * 24 * time.Hour
	switch {
	case d > far:
		return 1
	case d < -far:
		return 0
	}
	return 1 / (1 + math.Exp(-d.Hours()/1.5))
}
