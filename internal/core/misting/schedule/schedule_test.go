package schedule_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting/schedule"
)

func TestParse(t *testing.T) {
	s, err := schedule.Parse(" 18:30x0.5, 07:30 ")
	require.NoError(t, err)
	assert.Equal(t, schedule.Schedule{{Minute: 450, Dose: 1}, {Minute: 1110, Dose: 0.5}}, s)
	assert.Equal(t, "07:30,18:30x0.5", s.String())
	assert.Equal(t, 1.5, s.Water())
	none, err := schedule.Parse("")
	require.NoError(t, err)
	assert.Empty(t, none)
	for text, want := range map[string]string{
		"7.30":          "not a time of day such as 07:30",
		"25:00":         "not a time of day",
		"07:60":         "not a time of day",
		"07:3":          "not a time of day",
		"-7:30":         "not a time of day",
		"07:30,":        "not a time of day",
		"07:30x0":       "above 0",
		"07:30x-1":      "above 0",
		"07:30xNaN":     "above 0",
		"07:30x1e9":     "up to 20",
		"07:30xfast":    "not a number",
		"07:30,07:30x2": "given twice",
	} {
		_, err := schedule.Parse(text)
		assert.ErrorContains(t, err, want, text)
	}
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{"07:30x1,18:30x0.5", "", "00:00", "23:59x20", "x", "1:1x", "07:30,07:30"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := schedule.Parse(text)
		if err != nil {
			return
		}
		again, err := schedule.Parse(s.String())
		require.NoError(t, err, "what is printed can be read")
		require.Equal(t, s.String(), again.String())
	})
}

// On every local date a slot happens once, also where a clock skips or repeats its time.
func TestEachSlotHappensOnceOnEachDate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom([]string{"UTC", "Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "America/Sao_Paulo", "Asia/Tehran"}).Draw(t, "zone")
		location, err := time.LoadLocation(zone)
		require.NoError(t, err)
		slot := schedule.Slot{Minute: rapid.IntRange(0, 1439).Draw(t, "minute"), Dose: 1}
		first := 1 + rapid.IntRange(0, 364).Draw(t, "day")
		const days = 30
		from := instant.Of(instant.OnClock(2018, 1, first, 0, location))
		to := instant.Of(instant.OnClock(2018, 1, first+days, 0, location))
		all := schedule.Schedule{slot}.Over(from, to, location)
		require.Len(t, all, days)
		for i, m := range all {
			local := m.At.Time().In(location)
			require.Equal(t, time.Date(2018, 1, first+i, 12, 0, 0, 0, time.UTC).Format("2006-01-02"), local.Format("2006-01-02"))
			require.LessOrEqual(t, slot.Minute, local.Hour()*60+local.Minute(), "never early")
		}
	})
}

func TestSkippedAndRepeatedTimes(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	over := func(month time.Month, day int) string {
		from := time.Date(2026, month, day, 0, 0, 0, 0, lisbon)
		all := schedule.Schedule{{Minute: 90, Dose: 1}}.Over(instant.Of(from), instant.Of(from.AddDate(0, 0, 1)), lisbon)
		require.Len(t, all, 1)
		return all[0].At.String()
	}
	assert.Equal(t, "2026-03-29T01:00:00.000Z", over(time.March, 29), "01:30 is skipped: at the skip")
	assert.Equal(t, "2026-10-25T00:30:00.000Z", over(time.October, 25), "01:30 comes twice: the first")
}
