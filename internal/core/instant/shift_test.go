package instant

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestShift(t *testing.T) {
	early, none := Instant(1e9), None
	Shift(time.Second, &early, &none)
	assert.Equal(t, Instant(2e9), early)
	assert.Equal(t, None, none)
	each := map[string]Instant{"a": 1e9, "b": None}
	ShiftEach(-time.Second, each)
	assert.Equal(t, map[string]Instant{"a": 0, "b": None}, each)
	at, zero := time.Unix(1, 0), time.Time{}
	ShiftKnown(time.Second, &at, &zero)
	assert.Equal(t, time.Unix(2, 0), at)
	assert.True(t, zero.IsZero())
}
