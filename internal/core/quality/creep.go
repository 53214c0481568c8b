package quality

import (
	"math"
	"time"

	"dewline/internal/core/instant"
)

// Creep is the slow, reversible offset of a capacitive humidity sensor in wet air: up to +3 %RH after 60 h above
// 80 %RH, fading by itself (Sensirion data sheet SHT1x). It is not corrected, since its size is not known; the
// uncertainty is widened by 3 %RH·(1 − e^(−t/60 h)), and narrowed likewise in drier air (the exponential form is
// engineering judgement). The zero value is a sensor that comes out of dry air.
type Creep struct {
	extra   float64 // percent relative humidity
	last    instant.Instant
	value   float64
	started bool

	pace  time.Duration // between readings, which mostly come at one pace
	decay float64       // what pace leaves of a widening
}

const (
	creepLimit = 3.0 // percent relative humidity
	creepTime  = 60 * time.Hour
	creepAbove = 80.0 // percent relative humidity
)

// CreepFrom returns a creep that continues from its widening at the end of the last run.
func CreepFrom(extra float64) Creep { return Creep{extra: min(max(extra, 0), creepLimit)} }

// Extra returns by how much the expanded uncertainty is widened, in percent relative humidity.
func (c *Creep) Extra() float64 { return c.extra }

// Step takes the next humidity and returns the widening. Between two readings, however far apart, the air is taken to
// have been on the side of 80 % where their mean is.
func (c *Creep) Step(at instant.Instant, percent float64) float64 {
	if c.started && at > c.last {
		if pace := at.Sub(c.last); pace != c.pace {
			c.pace, c.decay = pace, math.Exp(-float64(pace)/float64(creepTime))
		}
		if (c.value+percent)/2 > creepAbove {
			c.extra = creepLimit - (creepLimit-c.extra)*c.decay
		} else {
			c.extra *= c.decay
		}
	}
	c.last, c.value, c.started = at, percent, true
	return c.extra
}

// shift moves the time of the last reading by a step of the clock.
func (c *Creep) shift(by time.Duration) { c.last = c.last.Add(by) }
