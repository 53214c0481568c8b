package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/sites"
)

func TestPrintSites(t *testing.T) {
	now := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	seen := func(ago time.Duration) instant.Instant { return instant.Of(now.Add(-ago)) }
	var out strings.Builder
	require.NoError(t, printSites(&out, []sites.Site{
		{Site: "grow-out", State: sites.Silent, LastSeen: seen(26 * time.Hour), Points: 1, WorstZone: "in-band", WorstPoint: "tub-3/water-temperature"},
		{Site: "cellar", State: sites.Unknown, LastSeen: instant.None},
		{Site: "north-loft", State: sites.Online, LastSeen: seen(20 * time.Second), Points: 4, WorstZone: "critical-high", WorstPoint: "loft/air-temperature", Incidents: 2, Priority: "critical", ToAcknowledge: 3},
		{Site: "attic", State: sites.Silent, ClockConfirmed: new(false), LastSeen: seen(-3 * time.Hour), Points: 1, WorstZone: "unknown", WorstPoint: "tub-4/air-temperature"},
		{Site: "shed", State: sites.Online, ClockConfirmed: new(false), LastSeen: seen(time.Minute), Points: 1, WorstZone: "in-band", WorstPoint: "tub-5/air-temperature"},
	}, now))
	want, err := os.ReadFile("testdata/sites.txt")
	require.NoError(t, err)
	assert.Equal(t, string(want), out.String())
}
