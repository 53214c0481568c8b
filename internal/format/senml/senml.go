// Package senml reads and writes Sensor Measurement Lists in JSON (RFC 8428, media type application/senml+json).
//
// [Decode] resolves a pack: base fields are applied, times that count from now are made absolute, and the records come
// out in time order, as section 4.6 asks. [Encode] writes resolved records. dewline emits the units Cel, %RH, Pa, K and
// kg/m3, and reads the percent sign only because others write it: by the registry a "%" is a percentage by name and a
// ratio 0 to 1 by a widespread mistake, so a reader must ask the keeper which one is meant.
package senml

import (
	"time"

	"dewline/internal/core/instant"
)

// MediaType is the media type of the JSON form.
const MediaType = "application/senml+json"

// The limits on input: more is refused before anything of that size is built.
const (
	MaxBytes   = 64 << 10
	MaxRecords = 1024
)

// version is the version of RFC 8428; packs of a newer one must not be processed (section 4.4).
const version = 10

// relativeBelow is 2²⁸ s: a smaller time counts from now (section 4.5.3). As an absolute time it would be
// 1978-07-04T21:24:16Z, so a board whose clock says 1970 writes relative times by accident.
const relativeBelow = 1 << 28

// Record is one resolved measurement. Exactly one of Value, Text, Truth and Data is set, or none where Sum is.
type Record struct {
	Name string // base name and name
	Unit string // symbol of the SenML units registry; "" where none was given
	// At is when it was measured. Written as "now", that is left out, where it is [instant.None].
	At instant.Instant
	// Relative means that the pack gave no absolute time: At was counted from the time of decoding.
	Relative bool
	Value    *float64
	Text     *string
	Truth    *bool
	Data     *string // base64url, as it came
	Sum      *float64
	Update   time.Duration // longest time until the next one; 0 where none was given
}
