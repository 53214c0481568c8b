package misting_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/misting"
	"dewline/internal/core/psychro"
)

// The check values that the husbandry facts give: enclosure 24 °C, room 22 °C and 45 %, κ = 0.9 per hour.
func TestTableOfDrying(t *testing.T) {
	room, saturated := psychro.AbsoluteHumidity(22, 45), psychro.AbsoluteHumidity(24, 100)
	// The facts were computed with a Magnus formula, 0.3 % below the reference equation of package psychro.
	assert.InEpsilon(t, 8.713, 1000*room, 0.0035)
	assert.InEpsilon(t, 21.71, 1000*saturated, 0.0035)
	for _, row := range []struct{ n, tau, floor, dry float64 }{{0.5, 42.9, 78.6, 117.5}, {1, 31.6, 68.5, 31.8}, {3, 15.4, 54.0, 8.8}} {
		tau := misting.Tau(row.n, 0.9)
		floor := misting.Floor(row.n, 0.9, room, saturated)
		assert.InDelta(t, row.tau, tau.Minutes(), 0.05)
		assert.InDelta(t, row.floor, 100*floor/saturated, 0.1)
		dry, ok := misting.DryDown(tau, floor, saturated, 0.8*saturated)
		require.True(t, ok)
		assert.InDelta(t, row.dry, dry.Minutes(), 0.01*row.dry)
	}
	assert.InDelta(t, 40, 100*misting.Floor(1, 0, room, saturated)/saturated, 0.5, "without evaporation the floor is the room")
	_, ok := misting.DryDown(time.Hour, 0.9*saturated, saturated, 0.8*saturated)
	assert.False(t, ok, "it does not get there")
}

func TestFloorLiesBetweenRoomAndSoil(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, kappa := rapid.Float64Range(0.05, 10).Draw(t, "n"), rapid.Float64Range(0.05, 10).Draw(t, "κ")
		room := rapid.Float64Range(0.002, 0.015).Draw(t, "room")
		saturated := rapid.Float64Range(0.016, 0.03).Draw(t, "saturated")
		tau, floor := misting.Tau(n, kappa), misting.Floor(n, kappa, room, saturated)
		assert.True(t, floor >= room && floor <= saturated)
		assert.InEpsilon(t, n, (saturated-floor)/(saturated-room)/tau.Hours(), 1e-5, "n is the share of the way, by τ")
		from, to := rapid.Float64Range(0.001, 0.03).Draw(t, "from"), rapid.Float64Range(0.001, 0.03).Draw(t, "to")
		d, ok := misting.DryDown(tau, floor, from, to)
		assert.True(t, !ok || d >= 0)
	})
}
