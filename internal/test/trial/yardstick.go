package trial

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// The yardsticks: which limits hold for whom, and how long a stay beyond one may last before a person must be notified. They are
// fixed here, so that no change of the configuration or of a profile under test changes what it is measured by.
//
// The limits are those of poison frogs and mantellas of the warm forest floor, and, like its profile, do not insist on a cooler and moister
// night; the bands of the vivaria do. The times are the suggested on-delays: water 30 min and 5 min beyond
// a critical limit, air 15 and 3, humidity 60 and 20, for the young 10. All are common practice without a published source, but for
// the critical limits of water, which lie above the CTmin and below the CTmax of dendrobatid larvae (Pottier et al. 2025,
// AmphiTherm), and the deficits, which are our arithmetic from these humidities.

// yardstick is the band of a quantity for a stage, or for a place's own; its limits are in the order of [care.Limit].
type yardstick struct {
	who        string
	quantity   quantity.Quantity
	day, night [2]float64 // low, high
	critical   [2]float64
	allowed    time.Duration
	soon       time.Duration // the same beyond a critical limit
}

var never = math.NaN()

// fahrenheit returns °C.
func fahrenheit(degrees float64) float64 { return (degrees - 32) * 5 / 9 }

var yardsticks = []yardstick{
	{"larva", quantity.WaterTemperature, limits(70, 75), limits(70, 75), [2]float64{17, 27}, 30 * time.Minute, 5 * time.Minute},
	{"metamorph", quantity.WaterTemperature, limits(70, 75), limits(70, 75), [2]float64{18, 26}, 30 * time.Minute, 5 * time.Minute},
	{"metamorph", quantity.AirTemperature, [2]float64{22, 25}, [2]float64{20, 25}, [2]float64{18, 27}, 15 * time.Minute, 3 * time.Minute},
	{"metamorph", quantity.RelativeHumidity, [2]float64{85, never}, [2]float64{85, never}, [2]float64{75, never}, time.Hour, 10 * time.Minute},
	{"metamorph", quantity.VapourPressureDeficit, [2]float64{never, 600}, [2]float64{never, 600}, [2]float64{never, never}, time.Hour, time.Hour},
	{"juvenile", quantity.AirTemperature, [2]float64{22, 26}, [2]float64{19, 26}, [2]float64{17, 27}, 15 * time.Minute, 3 * time.Minute},
	{"juvenile", quantity.RelativeHumidity, [2]float64{80, 95}, [2]float64{80, never}, [2]float64{70, never}, time.Hour, 10 * time.Minute},
	{"juvenile", quantity.VapourPressureDeficit, [2]float64{never, 600}, [2]float64{never, 600}, [2]float64{never, never}, time.Hour, time.Hour},
	{"adult", quantity.AirTemperature, [2]float64{22, 26}, [2]float64{18, 26}, [2]float64{17, 28}, 15 * time.Minute, 3 * time.Minute},
	{"adult", quantity.RelativeHumidity, [2]float64{70, 90}, [2]float64{70, never}, [2]float64{60, never}, time.Hour, 20 * time.Minute},
	{"adult", quantity.VapourPressureDeficit, [2]float64{never, 1000}, [2]float64{never, 1000}, [2]float64{never, never}, time.Hour, time.Hour},
	// Adults in the planted vivaria, in the whole °F in which the keeper thinks.
	{"enclosure", quantity.AirTemperature, limits(72, 79), limits(64, 72), limits(63, 82), 15 * time.Minute, 3 * time.Minute},
	{"enclosure", quantity.RelativeHumidity, [2]float64{70, 90}, [2]float64{85, never}, [2]float64{60, never}, time.Hour, 20 * time.Minute},
	// The room's own band is the keeper's; invented.
	{"room", quantity.AirTemperature, limits(64, 78), limits(64, 78), limits(58, 82), 15 * time.Minute, 3 * time.Minute},
}

func limits(low, high float64) [2]float64 { return [2]float64{fahrenheit(low), fahrenheit(high)} }

// own says which places have bands of their own, and which of the yardsticks those are. All others have those of their animals.
var own = map[string]string{"loft": "room", "vivarium-1": "enclosure", "vivarium-2": "enclosure"}

// What does not depend on the stage.
const (
	// settling is how long the air may take to follow the light or a new stage: a stay beyond a band that begins within this time
	// after a change of the band may last as long. Common practice, no published source.
	settling = time.Hour
	// horizon is how far ahead a forecast must look.
	horizon = 45 * time.Minute
	// sudden is how soon after a jump, after darkness at the board or after blindness of the point a stay begins that no one could
	// foresee: so long it takes to see a trend and to look again. Engineering judgement, no published source.
	sudden = 10 * time.Minute
)

// forecastAsked reports whether a forecast is asked of a quantity. Humidity follows mistings and doors within minutes.
func forecastAsked(q quantity.Quantity) bool { return q.IsTemperature() }

// jump returns the change in a minute that is a jump and no trend: a lid, a door, a change of water. Common practice, no published source.
func jump(q quantity.Quantity) float64 {
	if q == quantity.WaterTemperature {
		return 0.2
	}
	return 0.5
}

// band is what is asked of a point at a time.
type band struct {
	who     string                   // a stage, "room" or "enclosure"; "" where nothing is asked
	limits  [care.LimitCount]float64 // NaN where there is none
	allowed [care.LimitCount]time.Duration
}

// same reports whether two bands have the same limits for the same animals.
func (b *band) same(o *band) bool {
	for l := range b.limits {
		if b.limits[l] != o.limits[l] && (b.has(care.Limit(l)) || o.has(care.Limit(l))) {
			return false
		}
	}
	return b.who == o.who
}

func (b *band) has(l care.Limit) bool { return !math.IsNaN(b.limits[l]) }

// bandAt returns the yardstick of a point at a time; moved are stages set by command.
func (s *setting) bandAt(p quantity.Point, t time.Time, moved map[string][]care.Since) band {
	who := own[p.Place]
	for i := range s.watch.Cohorts {
		c := &s.watch.Cohorts[i]
		if at := care.StageAt(slices.Concat(c.Stages, moved[c.ID]), t); who == "" && c.Place == p.Place && at != care.NoStage {
			who = at.String()
		}
	}
	b := band{limits: [care.LimitCount]float64{never, never, never, never}}
	for i := range yardsticks {
		y := &yardsticks[i]
		if y.who != who || y.quantity != p.Quantity {
			continue
		}
		inner := y.night
		if s.watch.Light.IsDay(t) {
			inner = y.day
		}
		b.who = who
		b.limits = [care.LimitCount]float64{y.critical[0], inner[0], inner[1], y.critical[1]}
		b.allowed = [care.LimitCount]time.Duration{y.soon, y.allowed, y.allowed, y.soon}
	}
	return b
}
