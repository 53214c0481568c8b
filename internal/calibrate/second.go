package calibrate

import (
	"math"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quality"
	"dewline/internal/store"
	"dewline/sensors"
)

// together is how far apart two comparisons may be made and still belong to one calibration. Engineering judgement.
const together = 31 * 24 * time.Hour

// Second finds the newest comparison on record that gives a second point beside one with the given reference: of the same
// channel, of the last month, and far enough away. It reports whether there is one.
func Second(records []store.Calibration, channel sensors.Channel, reference, resolution float64, now instant.Instant) (quality.Comparison, bool) {
	for i := len(records) - 1; i >= 0; i-- {
		r := &records[i]
		if r.Channel != string(channel) || now.Sub(r.At) > together || r.At > now || math.Abs(r.Reference-reference) < forms[channel].apart {
			continue
		}
		if c, err := quality.Compare(r.Readings, resolution, r.Reference, r.Uncertainty); err == nil {
			return c, true
		}
	}
	return quality.Comparison{}, false
}
