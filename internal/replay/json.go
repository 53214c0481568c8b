package replay

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	"dewline/internal/watch"
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

// MarshalJSON writes the seconds with up to three decimals.
func (s Seconds) MarshalJSON() ([]byte, error) {
	return appendMilliseconds(nil, time.Duration(s).Round(time.Millisecond).Milliseconds()), nil
}

func appendMilliseconds(buffer []byte, ms int64) []byte {
	return strconv.AppendFloat(buffer, float64(ms)/1000, 'f', -1, 64)
}

// ZoneSeconds is the time per zone in whole milliseconds, which add up to the elapsed time exactly.
type ZoneSeconds [watch.ZoneCount]int64

// zoneSeconds rounds the zone times of a ledger to milliseconds so that their sum is the rounded elapsed time: the
// zones with the largest remainders get what plain rounding down has left over.
func zoneSeconds(l *watch.Ledger) ZoneSeconds {
	var rounded ZoneSeconds
	var total time.Duration
	var sum int64
	order := make([]int, 0, watch.ZoneCount)
	for z, d := range l.Zones {
		total += d
		rounded[z] = int64(d / time.Millisecond)
		sum += rounded[z]
		order = append(order, z)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(l.Zones[b]%time.Millisecond, l.Zones[a]%time.Millisecond)
	})
	left := total.Round(time.Millisecond).Milliseconds() - sum
	for _, z := range order {
		if left <= 0 {
			break
		}
		rounded[z]++
		left--
	}
	return rounded
}

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
