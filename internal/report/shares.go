package report

import (
	"cmp"
	"encoding/json"
	"slices"
	"strconv"

	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
	"dewline/internal/format/exposure"
	"dewline/internal/replay"
)

// Shares are the shares of the zones in the elapsed time, from 0 to 1.
type Shares [watch.ZoneCount]float64

// MarshalJSON writes an object with one member for each zone.
func (s Shares) MarshalJSON() ([]byte, error) {
	buffer := []byte{'{'}
	for z, share := range s {
		if z > 0 {
			buffer = append(buffer, ',')
		}
		buffer = strconv.AppendQuote(buffer, watch.Zone(z).String())
		buffer = append(buffer, ':')
		value, err := json.Marshal(exposure.Number(share))
		if err != nil {
			return nil, err
		}
		buffer = append(buffer, value...)
	}
	return append(buffer, '}'), nil
}

func compare(a, b instant.Instant) int { return cmp.Compare(a, b) }

// nthLongest returns the length of the n-th longest stay.
func nthLongest(stays []replay.ExcursionReport, n int) exposure.Seconds {
	lengths := make([]exposure.Seconds, 0, len(stays))
	for _, e := range stays {
		lengths = append(lengths, exposure.Seconds(e.To.Sub(e.From)))
	}
	slices.Sort(lengths)
	return lengths[len(lengths)-n]
}
