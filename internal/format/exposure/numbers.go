package exposure

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
)

// Number prints with nine significant digits: more than any sensor has, and free of the noise of binary fractions.
type Number float64

// MarshalJSON writes the number.
func (n Number) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if v == 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return []byte("0"), nil
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 9, 64), 64)
	if err != nil {
		return nil, err
	}
	if math.Abs(rounded) < 1e-6 || math.Abs(rounded) >= 1e15 {
		return strconv.AppendFloat(nil, rounded, 'g', -1, 64), nil
	}
	return strconv.AppendFloat(nil, rounded, 'f', -1, 64), nil
}

// NumberOf returns nil for what JSON cannot carry.
func NumberOf(v float64) *Number {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return new(Number(v))
}

// Seconds prints a duration as seconds, rounded to milliseconds.
type Seconds time.Duration

// Milliseconds returns a length in whole milliseconds.
func Milliseconds(ms int64) Seconds { return Seconds(ms * int64(time.Millisecond)) }

// UnmarshalJSON reads seconds.
func (s *Seconds) UnmarshalJSON(data []byte) error {
	var seconds float64
	if err := json.Unmarshal(data, &seconds); err != nil {
		return err
	}
	*s = Milliseconds(int64(math.Round(seconds * 1e3)))
	return nil
}

// MarshalJSON writes the seconds with up to three decimals.
func (s Seconds) MarshalJSON() ([]byte, error) {
	return appendMilliseconds(nil, time.Duration(s).Round(time.Millisecond).Milliseconds()), nil
}

func appendMilliseconds(buffer []byte, ms int64) []byte {
	return strconv.AppendFloat(buffer, float64(ms)/1000, 'f', -1, 64)
}

// ZoneSeconds is the time per zone in whole milliseconds, which add up to the elapsed time exactly.
type ZoneSeconds [watch.ZoneCount]int64

// ZoneSecondsOf rounds the zone times of a ledger to milliseconds so that their sum is the time between the ledger's ends as
// they are printed: what rounding down has left over goes to the zones with the largest remainders.
func ZoneSecondsOf(l *watch.Ledger) ZoneSeconds {
	var rounded ZoneSeconds
	left := milliseconds(l.To) - milliseconds(l.From)
	order := make([]int, 0, watch.ZoneCount)
	for z, d := range l.InZone {
		rounded[z] = d.Milliseconds()
		left -= rounded[z]
		order = append(order, z)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(l.InZone[b]%time.Millisecond, l.InZone[a]%time.Millisecond)
	})
	for i := 0; left > 0; i++ {
		rounded[order[i%len(order)]]++
		left--
	}
	if left < 0 { // both ends were rounded towards each other
		longest := slices.Index(rounded[:], slices.Max(rounded[:]))
		rounded[longest] += left
	}
	return rounded
}

// milliseconds rounds as [instant.Instant.String] does.
func milliseconds(i instant.Instant) int64 { return i.Time().Round(time.Millisecond).UnixMilli() }

// MarshalJSON writes an object with one member for each zone.
func (s ZoneSeconds) MarshalJSON() ([]byte, error) {
	buffer := []byte{'{'}
	for z, ms := range s {
		if z > 0 {
			buffer = append(buffer, ',')
		}
		buffer = strconv.AppendQuote(buffer, watch.Zone(z).String())
		buffer = append(buffer, ':')
		buffer = appendMilliseconds(buffer, ms)
	}
	return append(buffer, '}'), nil
}

// UnmarshalJSON reads such an object, which has all zones and no other member.
func (s *ZoneSeconds) UnmarshalJSON(data []byte) error {
	var members map[string]Seconds
	if err := json.Unmarshal(data, &members); err != nil {
		return err
	}
	if len(members) != len(s) {
		return fmt.Errorf("an object with %d zones has %d members", len(s), len(members))
	}
	for _, z := range watch.Zones() {
		length, found := members[z.String()]
		if !found {
			return fmt.Errorf("the zone %s is missing", z)
		}
		s[z] = time.Duration(length).Milliseconds()
	}
	return nil
}
