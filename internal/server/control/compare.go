package control

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/acclimate"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/format/timetext"
	"dewline/internal/server/status"
)

// Comparison is two points beside each other. Values are in the canonical unit of the points, differences (A less B) in that of a
// difference, rates per hour. The form is stable.
type Comparison struct {
	At         instant.Instant `json:"at"`
	A          quantity.Point  `json:"a"`
	B          quantity.Point  `json:"b"`
	ValueA     *float64        `json:"value_a"` // null where it is not known now
	ValueB     *float64        `json:"value_b"`
	Difference *float64        `json:"difference"`
	Within     float64         `json:"within"`
	ForSeconds float64         `json:"for_s"`
	Near       bool            `json:"near"`
	Since      instant.Instant `json:"near_since"` // without a break; not looked further back than six hours
	Settled    bool            `json:"settled"`    // it has been near for as long as asked
	Rate       *float64        `json:"rate"`       // of the difference, over the last half hour
	MaxRate    *float64        `json:"max_rate"`   // of temperatures; null for others
	TooFast    bool            `json:"too_fast"`
	UntilS     *float64        `json:"until_near_s"`          // at the present rate; null where that does not bring them near
	LeastS     *float64        `json:"until_near_at_least_s"` // at the fastest that animals should bear; null where they are near
	Words      string          `json:"words"`
}

// Comparer returns the pairs of two points of the last hours, for the comparison of the present; the last pair is not in them.
type Comparer func(ctx context.Context, a, b quantity.Point, now instant.Instant) ([]acclimate.Pair, error)

// CompareRequest is what a person asks for: two points, and how near for how long.
type CompareRequest struct{ A, B, Within, For string }

// query writes the request as the parameters of an address.
func (r CompareRequest) query() string {
	v := url.Values{"a": {r.A}, "b": {r.B}}
	for name, value := range map[string]string{"within": r.Within, "for": r.For} {
		if value != "" {
			v.Set(name, value)
		}
	}
	return v.Encode()
}

// CompareRequestOf reads the parameters of an address.
func CompareRequestOf(v url.Values) CompareRequest {
	return CompareRequest{v.Get("a"), v.Get("b"), v.Get("within"), v.Get("for")}
}

// Compare compares two points of a snapshot. The error is for people: an unknown point, two of different kinds, a tolerance that is none.
func (r CompareRequest) Compare(ctx context.Context, p *status.Snapshot, past Comparer) (*Comparison, error) {
	a, err := pointOf(p, r.A)
	if err != nil {
		return nil, err
	}
	b, err := pointOf(p, r.B)
	if err != nil {
		return nil, err
	}
	switch qa, qb := a.Quantity, b.Quantity; {
	case a == b:
		return nil, fmt.Errorf("%s is compared with itself: name two points", a)
	case !acclimate.Alike(qa, qb):
		return nil, fmt.Errorf("%s and %s measure different things, and only two of a kind can be compared", a, b)
	}
	length := acclimate.DefaultFor
	if r.For != "" {
		if length, err = timetext.ParseDuration(r.For); err != nil || length < 0 || length > compareBack {
			return nil, fmt.Errorf("for: %q is no length of time up to %s, such as 20m", r.For, timetext.Duration(compareBack))
		}
	}
	within := acclimate.Tolerance(a.Quantity)
	if r.Within != "" {
		if within, err = quantity.ParseDifference(a.Quantity, r.Within); err != nil {
			return nil, fmt.Errorf("within: %w", err)
		}
	}
	if within <= 0 {
		return nil, fmt.Errorf("within: say how near %s and %s are to be, such as 1 K or 5 %%RH", a, b)
	}
	now := instant.Of(p.At)
	last := acclimate.Pair{At: now, A: valueOf(p, a), B: valueOf(p, b)}
	var pairs []acclimate.Pair
	if past != nil {
		if pairs, err = past(ctx, a, b, now); err != nil {
			return nil, fmt.Errorf("the last hours could not be read: %w", err)
		}
	}
	found := acclimate.Compare(append(pairs, last), a.Quantity.IsTemperature(), within, length)
	shown := &Comparison{
		At: now, A: a, B: b, ValueA: quantity.Known(last.A), ValueB: quantity.Known(last.B), Difference: quantity.Known(found.Difference), Within: within, ForSeconds: length.Seconds(),
		Near: found.Near, Since: found.Since, Settled: found.Settled, Rate: quantity.Known(found.Rate), TooFast: found.TooFast,
		UntilS: positive(found.Until.Seconds()), LeastS: positive(found.Least.Seconds()),
	}
	if a.Quantity.IsTemperature() {
		shown.MaxRate = new(acclimate.MaxRate)
	}
	words := Words{Location: p.Location, Titles: p.Titles, Temperature: p.Display}
	shown.Words = words.comparison(shown)
	return shown, nil
}

// compareBack is how far back it is looked for when two points came near.
const compareBack = 6 * time.Hour

// CompareMinutes is how many minutes a [Comparer] looks back, one pair for each.
const CompareMinutes = int(compareBack / time.Minute)

func pointOf(p *status.Snapshot, text string) (quantity.Point, error) {
	var points, places []string // of the place that is named, or of all where none is; the places
	place, _, _ := strings.Cut(text, "/")
	for i := range p.Points {
		point := p.Points[i].Point
		if point.String() == text {
			return point, nil
		}
		if place == "" || place == point.Place {
			points = append(points, point.String())
		}
		if !slices.Contains(places, point.Place) {
			places = append(places, point.Place)
		}
	}
	switch {
	case text == "":
		return quantity.Point{}, fmt.Errorf("name two points, such as tub-1/water-temperature: there are %s", strings.Join(points, ", "))
	case places == nil:
		return quantity.Point{}, fmt.Errorf("there is no point %q: nothing is measured here", text)
	case points == nil:
		return quantity.Point{}, fmt.Errorf("there is no point %q, since nothing is measured at a place %q: there are %s", text, place, strings.Join(places, ", "))
	}
	return quantity.Point{}, fmt.Errorf("there is no point %q: there are %s", text, strings.Join(points, ", "))
}

func valueOf(p *status.Snapshot, point quantity.Point) float64 {
	for i := range p.Points {
		if s := &p.Points[i]; s.Point == point && !status.Stale(s) {
			return s.Value
		}
	}
	return math.NaN()
}

// comparison says in words for the keeper what a comparison has shown.
func (w Words) comparison(c *Comparison) string {
	name := func(p quantity.Point) string { return w.place(p.Place) + " (" + p.Quantity.String() + ")" }
	value := func(p quantity.Point, v *float64) string {
		return p.Quantity.Keeper(w.Temperature).Print(*v, p.Quantity.Decimals())
	}
	for _, side := range []struct {
		point quantity.Point
		value *float64
	}{{c.A, c.ValueA}, {c.B, c.ValueB}} {
		if side.value == nil {
			return fmt.Sprintf("%s has no reading now, so that nothing can be compared: look at its sensor.", name(side.point))
		}
	}
	unit := c.A.Quantity.KeeperDifference(w.Temperature)
	difference := func(v float64) string { return unit.Print(math.Abs(v), 1) }
	direction := "more"
	if *c.Difference < 0 {
		direction = "less"
	}
	text := fmt.Sprintf("%s is at %s, %s at %s: %s %s.", name(c.A), value(c.A, c.ValueA), name(c.B), value(c.B, c.ValueB), difference(*c.Difference), direction)
	switch {
	case c.Settled:
		text += fmt.Sprintf(" They have been within %s since %s, long enough.", difference(c.Within), w.Date(c.Since))
	case c.Near:
		text += fmt.Sprintf(" They have been within %s since %s; wait until %s.", difference(c.Within), w.Date(c.Since),
			w.Date(c.Since.Add(time.Duration(c.ForSeconds*float64(time.Second)))))
	default:
		text += fmt.Sprintf(" That is not within %s.", difference(c.Within))
		if c.LeastS != nil {
			text += fmt.Sprintf(" Bring them together in no less than %s: %s an hour at most (common practice, no published source).", lasting(*c.LeastS),
				difference(*c.MaxRate))
		}
		if c.UntilS != nil {
			text += fmt.Sprintf(" At the present rate it takes %s.", lasting(*c.UntilS))
		}
	}
	switch {
	case c.Rate == nil:
		text += " How fast the difference changes is not known yet: that takes ten minutes of readings."
	case c.TooFast:
		text += fmt.Sprintf(" The difference changes by %s an hour, which is too fast: slow it down.", difference(*c.Rate))
	default:
		text += fmt.Sprintf(" The difference changes by %s an hour.", difference(*c.Rate))
	}
	return text
}

func lasting(seconds float64) string {
	return timetext.Duration(max(time.Duration(seconds*float64(time.Second)).Round(time.Minute), time.Minute)).String()
}
