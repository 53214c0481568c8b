package clock_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/test/harness"
	"dewline/internal/test/mosquitto"
)

// Whatever the clock shows, an alarm reaches a webhook and a broker. A clock in 2106 may be right (32 unsigned bits of seconds end
// there); one in 2261 or beyond what 64 bits of nanoseconds hold is not, even if it counts as synchronised: then the run is moved to
// when it was as soon as the clock is set.
func TestAlarmsGoOutByAnyClock(t *testing.T) {
	for _, c := range []struct {
		start time.Time
		right bool
	}{
		{time.Unix(7, 0).UTC(), true},
		{time.Date(2106, 2, 7, 6, 28, 0, 0, time.UTC), true},
		{time.Date(2261, 6, 1, 12, 0, 0, 0, time.UTC), false},
		{time.Date(2300, 6, 1, 12, 0, 0, 0, time.UTC), false},
	} {
		t.Run(fmt.Sprint(c.start.Year()), func(t *testing.T) {
			broker := mosquitto.Start(t, mosquitto.Options{})
			phone, hook := harness.Listen(t, broker.Address()), harness.NewHook(t)
			h := newHouse(t, harness.Options{Start: c.start, Pace: 200, Site: site + fmt.Sprintf(
				"mqtt: {broker: \"mqtt://%s\"}\nnotify: [{via: webhook, format: cloudevent, url: \"%s\"}]\n", broker.Address(), hook.URL)})
			h.Probe(1).Show(25)
			p := h.Start()
			h.Wait("the alarm", func() bool { return h.Letter(high) == "B" })
			h.Wait("the webhook has it", func() bool { return hook.Received(high) })
			h.Wait("the broker has it", func() bool { return phone.Letter(high) == "B" })
			synchronized := map[bool]string{true: "1", false: "0"}
			h.Wait("whether it can be right", func() bool { return h.Metric("dewline_clock_synchronized") == synchronized[c.right] })

			h.Step(noon.Sub(c.start))
			h.Wait("the clock counts as right", func() bool { return h.Metric("dewline_clock_synchronized") == "1" })
			h.Probe(1).Show(22)
			h.Wait("it is over", func() bool { return h.Letter(high) == "D" })
			require.NoError(t, p.Stop())
			raised := of(h.journal(), journal.AlarmRaised)
			require.Len(t, raised, 1)
			if !c.right {
				assert.Contains(t, p.Log(), "the clock of this machine shows a time that cannot be")
				assert.WithinDuration(t, noon, raised[0].At.Time(), 24*time.Hour)
				for _, r := range h.export() {
					assert.WithinDuration(t, noon, r.at, 24*time.Hour)
				}
			}
		})
	}
}
