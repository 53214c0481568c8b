package instant_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/instant"
)

func TestSpan(t *testing.T) {
	for want, d := range map[string]time.Duration{
		"0 s":       -time.Minute,
		"42 s":      42 * time.Second,
		"5 min 1 s": 5*time.Minute + 700*time.Millisecond,
		"35 min":    35*time.Minute + 700*time.Millisecond,
		"2 h 6 min": 2*time.Hour + 5*time.Minute + 59*time.Second,
		"3 h":       3 * time.Hour,
		"3 d 5 h":   76*time.Hour + 59*time.Minute + 40*time.Second,
		"1 d":       24 * time.Hour,
		"59 min":    59*time.Minute + 2*time.Second,
	} {
		assert.Equal(t, want, instant.Span(d))
	}
}
