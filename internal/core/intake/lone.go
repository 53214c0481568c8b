package intake

import (
	"cmp"
	"fmt"
	"math"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
)

// Lone judges the values of a record of one point as a [Line] judges the samples of the one sensor that feeds it. A year of a record has too
// many values for samples.
type Lone struct{ feed *feed }

// Judgement is what the tests say of a value.
type Judgement struct {
	Flag      quantity.Flag
	Report    Report // on the channel
	Amended   bool   // the value before gets another flag
	Amendment quality.Amendment
}

// NewLone returns the judge of the first feed of a source.
func NewLone(s *Source) (Lone, error) {
	f, err := newFeed(s.Feeds[0], cmp.Or(s.Gap, time.Minute), s.Description)
	if err != nil {
		return Lone{}, fmt.Errorf("sensor %q: %w", s.ID, err)
	}
	return Lone{f}, nil
}

// Take judges a value. Values of a record are corrected already, so that what the part has measured is computed back. The raw words are not on
// record: equal values count as equal words.
func (l Lone) Take(at instant.Instant, value float64, j *Judgement) {
	measured := l.feed.Calibration.Invert(value)
	at = at.Rounded()
	j.Report = Report{Channel: l.feed.Channel, At: at}
	_, verdict := l.feed.judged(&quality.Observation{
		At: at, Value: l.feed.Calibration.Apply(measured), Measured: measured, Raw: math.Float64bits(value),
	}, &j.Report)
	j.Flag, j.Amended, j.Amendment = verdict.Flag, verdict.Amended, verdict.Amendment
}
