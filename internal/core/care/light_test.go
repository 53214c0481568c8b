package care

import (
	"testing"
	"time"
	_ "time/tzdata" // zones also where a machine has none installed

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The zones of the tests: clocks that change at night, at midnight, before midnight, by half an hour, over a whole date,
// twice around a fasting month, one minute after midnight, and never.
var zones = []string{
	"Europe/Lisbon", "Europe/Berlin", "America/New_York", "America/Santiago", "America/Havana", "America/Asuncion",
	"America/St_Johns", "America/Nuuk", "Africa/Cairo", "Africa/Casablanca", "Asia/Beirut", "Asia/Gaza", "Asia/Kathmandu",
	"Australia/Lord_Howe", "Pacific/Apia", "Pacific/Chatham", "Pacific/Kiritimati", "Antarctica/Troll", "UTC",
}

func zone(t require.TestingT, name string) *time.Location {
	location, err := time.LoadLocation(name)
	require.NoError(t, err)
	return location
}

func instantOf(t require.TestingT, text string) time.Time {
	at, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return at
}

// The changes of the clock in these cases are those of the IANA time zone database.
func TestIsDay(t *testing.T) {
	cases := []struct {
		name, zone string
		from, to   int
		at         string
		want       bool
	}{
		{"the first instant is day", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-09-01T07:00:00+01:00", true},
		{"just before it is night", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-09-01T06:59:59+01:00", false},
		{"the last second is day", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-09-01T18:59:59+01:00", true},
		{"the end is night", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-09-01T19:00:00+01:00", false},
		{"winter time counts", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-12-01T18:30:00Z", true},
		{"asked in another zone", "Asia/Kathmandu", 7 * 60, 19 * 60, "2026-06-01T01:15:00Z", true}, // 07:00 +05:45
		{"asked in another zone, just before", "Asia/Kathmandu", 7 * 60, 19 * 60, "2026-06-01T01:14:59Z", false},
		{"leap day", "Europe/Lisbon", 7 * 60, 19 * 60, "2028-02-29T12:00:00Z", true},
		{"leap night", "Europe/Lisbon", 7 * 60, 19 * 60, "2028-02-29T23:59:59Z", false},
		{"wrapped, before midnight", "Europe/Lisbon", 20 * 60, 8 * 60, "2026-09-01T23:00:00+01:00", true},
		{"wrapped, after midnight", "Europe/Lisbon", 20 * 60, 8 * 60, "2026-09-01T00:00:00+01:00", true},
		{"wrapped, its end", "Europe/Lisbon", 20 * 60, 8 * 60, "2026-09-01T08:00:00+01:00", false},
		{"wrapped over a leap day", "Europe/Lisbon", 20 * 60, 8 * 60, "2028-03-01T07:59:59Z", true},
		{"from midnight", "Europe/Lisbon", 0, 12 * 60, "2026-09-01T00:00:00+01:00", true},
		{"until midnight", "Europe/Lisbon", 12 * 60, 24 * 60, "2026-09-01T23:59:59+01:00", true},
		{"until midnight, the midnight", "Europe/Lisbon", 12 * 60, 24 * 60, "2026-09-02T00:00:00+01:00", false},
		// New York turns 02:00 into 03:00 on 2026-03-08: 02:30 does not exist and is reached at the change.
		{"start skipped, before", "America/New_York", 2*60 + 30, 12 * 60, "2026-03-08T01:59:59-05:00", false},
		{"start skipped, at the change", "America/New_York", 2*60 + 30, 12 * 60, "2026-03-08T03:00:00-04:00", true},
		{"end skipped, before", "America/New_York", 60 + 45, 2*60 + 30, "2026-03-08T01:59:59-05:00", true},
		{"end skipped, at the change", "America/New_York", 60 + 45, 2*60 + 30, "2026-03-08T03:00:00-04:00", false},
		// Lisbon turns 01:00 into 02:00 on 2026-03-29.
		{"start skipped east of the ocean, before", "Europe/Lisbon", 60 + 30, 12 * 60, "2026-03-29T00:59:59Z", false},
		{"start skipped east of the ocean, at the change", "Europe/Lisbon", 60 + 30, 12 * 60, "2026-03-29T02:00:00+01:00", true},
		// New York shows 01:00 to 02:00 twice on 2026-11-01, Lisbon on 2026-10-25: the first one counts.
		{"start shown twice, first", "America/New_York", 60 + 30, 12 * 60, "2026-11-01T01:30:00-04:00", true},
		{"start shown twice, between", "America/New_York", 60 + 30, 12 * 60, "2026-11-01T01:10:00-05:00", true},
		{"end shown twice, first", "Europe/Lisbon", 20 * 60, 60 + 30, "2026-10-25T01:30:00+01:00", false},
		{"end shown twice, between", "Europe/Lisbon", 20 * 60, 60 + 30, "2026-10-25T01:10:00Z", false},
		{"end shown twice, just before the first", "Europe/Lisbon", 20 * 60, 60 + 30, "2026-10-25T01:29:59+01:00", true},
		// Santiago turns 24:00 back to 23:00 on 2026-04-04 and skips 00:00 to 01:00 on 2026-09-06.
		{"midnight repeated away", "America/Santiago", 0, 6 * 60, "2026-04-04T23:30:00-04:00", false},
		{"midnight after the repeated hour", "America/Santiago", 0, 6 * 60, "2026-04-05T00:00:00-04:00", true},
		{"midnight skipped", "America/Santiago", 0, 6 * 60, "2026-09-06T01:00:00-03:00", true},
		// Cairo skips 00:00 to 01:00 on 2026-04-24 and turns 24:00 back to 23:00 on 2026-10-29.
		{"midnight skipped in Cairo", "Africa/Cairo", 30, 6 * 60, "2026-04-24T01:00:00+03:00", true},
		{"end in the repeated hour, first", "Africa/Cairo", 6 * 60, 23*60 + 30, "2026-10-29T23:30:00+03:00", false},
		{"end in the repeated hour, second", "Africa/Cairo", 6 * 60, 23*60 + 30, "2026-10-29T23:15:00+02:00", false},
		// Apia went from the end of 2011-12-29 straight to 2011-12-31.
		{"evening before the missing date", "Pacific/Apia", 7 * 60, 19 * 60, "2011-12-29T23:59:59-10:00", false},
		{"first instant after the missing date", "Pacific/Apia", 7 * 60, 19 * 60, "2011-12-31T00:00:00+14:00", false},
		{"morning after the missing date", "Pacific/Apia", 7 * 60, 19 * 60, "2011-12-31T07:00:00+14:00", true},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			light := Light{Location: zone(t, c.zone), From: c.from, To: c.to}
			assert.Equal(t, c.want, light.IsDay(instantOf(t, c.at)))
		})
	}
}

func TestNextSwitch(t *testing.T) {
	cases := []struct {
		name, zone string
		from, to   int
		at, want   string
	}{
		{"night to day", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-09-01T06:00:00+01:00", "2026-09-01T07:00:00+01:00"},
		{"asked at a switch", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-09-01T07:00:00+01:00", "2026-09-01T19:00:00+01:00"},
		{"over midnight", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-09-01T19:00:00+01:00", "2026-09-02T07:00:00+01:00"},
		{"over a leap day", "Europe/Lisbon", 7 * 60, 19 * 60, "2028-02-28T19:00:00Z", "2028-02-29T07:00:00Z"},
		{"over the end of the year", "Europe/Lisbon", 7 * 60, 19 * 60, "2026-12-31T20:00:00Z", "2027-01-01T07:00:00Z"},
		{"a night of 11 h", "America/New_York", 7 * 60, 19 * 60, "2026-03-07T19:00:00-05:00", "2026-03-08T07:00:00-04:00"},
		{"a night of 13 h", "America/New_York", 7 * 60, 19 * 60, "2026-10-31T19:00:00-04:00", "2026-11-01T07:00:00-05:00"},
		{"skipped start", "America/New_York", 2*60 + 30, 12 * 60, "2026-03-08T00:00:00-05:00", "2026-03-08T03:00:00-04:00"},
		{"skipped start east of the ocean", "Europe/Lisbon", 60 + 30, 12 * 60, "2026-03-29T00:00:00Z", "2026-03-29T02:00:00+01:00"},
		{"a day swallowed whole", "America/New_York", 2*60 + 10, 2*60 + 50, "2026-03-08T00:00:00-05:00", "2026-03-09T02:10:00-04:00"},
		{"a night swallowed whole", "America/New_York", 2*60 + 50, 2*60 + 10, "2026-03-07T12:00:00-05:00", "2026-03-09T02:10:00-04:00"},
		{"half an hour", "Australia/Lord_Howe", 7 * 60, 19 * 60, "2026-04-04T19:00:00+11:00", "2026-04-05T07:00:00+10:30"},
		{"over the missing date", "Pacific/Apia", 7 * 60, 19 * 60, "2011-12-29T19:00:00-10:00", "2011-12-31T07:00:00+14:00"},
		{"wrapped", "Asia/Kathmandu", 20 * 60, 8 * 60, "2026-06-01T21:00:00+05:45", "2026-06-02T08:00:00+05:45"},
		{"until midnight", "America/Santiago", 12 * 60, 24 * 60, "2026-04-04T13:00:00-03:00", "2026-04-05T00:00:00-04:00"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			light := Light{Location: zone(t, c.zone), From: c.from, To: c.to}
			got := light.NextSwitch(instantOf(t, c.at))
			assert.True(t, got.Equal(instantOf(t, c.want)), "got %s, want %s", got, c.want)
		})
	}
}

func TestLightThatNeverChanges(t *testing.T) {
	at := instantOf(t, "2026-09-01T03:00:00Z")
	for name, light := range map[string]Light{
		"none given":    {AlwaysDay: true},
		"zero value":    {},
		"empty":         {Location: time.UTC, From: 420, To: 420},
		"the whole day": {Location: time.UTC, From: 0, To: 1440},
	} {
		t.Run(name, func(t *testing.T) {
			assert.True(t, light.IsDay(at))
			assert.True(t, light.NextSwitch(at).IsZero())
		})
	}
}

// drawTime draws a whole minute between 1980 and 2040, half of the time close to a change of the clock.
func drawTime(t *rapid.T, location *time.Location) time.Time {
	first, last := int64(315532800), int64(2208988800) // 1980-01-01, 2040-01-01
	at := time.Unix(rapid.Int64Range(first/60, last/60).Draw(t, "minute")*60, 0).In(location)
	if rapid.Bool().Draw(t, "near a change") {
		if start, _ := at.ZoneBounds(); start.Unix() > first {
			at = start.Truncate(time.Minute).Add(time.Duration(rapid.IntRange(-1500, 1500).Draw(t, "minutes from it")) * time.Minute)
		}
	}
	return at
}

func drawLight(t *rapid.T) Light {
	location := zone(t, rapid.SampledFrom(zones).Draw(t, "zone"))
	from := rapid.IntRange(0, 1439).Draw(t, "from")
	to := rapid.OneOf(rapid.IntRange(0, 1440), rapid.IntRange(max(0, from-90), min(1440, from+90))).Draw(t, "to")
	return Light{Location: location, From: from, To: to}
}

// dumbLight decides day or night minute by minute from clock faces alone: at each minute it notes which switching times
// the clock has shown, or jumped over, for the first time. It is slow and has nothing in common with [Light].
type dumbLight struct {
	isDay   bool
	highest int64 // the latest face seen so far, in minutes, as if the clock were UTC
}

func (d *dumbLight) step(l *Light, at time.Time) {
	_, offset := at.Zone()
	face := (at.Unix() + int64(offset)) / 60
	for minute := d.highest + 1; minute <= face; minute++ {
		ofDay := int(minute % 1440)
		from, to := ofDay == l.From, ofDay == l.To%1440
		switch {
		case from: // a day that begins where another ends goes on
			d.isDay = true
		case to:
			d.isDay = false
		}
	}
	d.highest = max(d.highest, face)
}

func TestNextSwitchIsTheFirstChange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		light := drawLight(t)
		at := drawTime(t, light.Location)

		dumb := dumbLight{}
		minute := at.Add(-72 * time.Hour)
		_, offset := minute.Zone()
		dumb.highest = (minute.Unix()+int64(offset))/60 - 1440
		for ; !minute.After(at); minute = minute.Add(time.Minute) {
			dumb.step(&light, minute.In(light.Location))
		}
		isDay := light.IsDay(at)
		if light.From == light.To {
			require.True(t, isDay)
			require.True(t, light.NextSwitch(at).IsZero())
			return
		}
		require.Equal(t, dumb.isDay, isDay, "at %s", at)

		var want time.Time
		for ; minute.Before(at.Add(80 * time.Hour)); minute = minute.Add(time.Minute) {
			if dumb.step(&light, minute.In(light.Location)); dumb.isDay != isDay {
				want = minute
				break
			}
		}
		got := light.NextSwitch(at)
		require.True(t, got.Equal(want), "next switch after %s: got %s, want %s", at, got, want.In(light.Location))
		if !got.IsZero() {
			require.NotEqual(t, isDay, light.IsDay(got))
			require.Equal(t, isDay, light.IsDay(got.Add(-1)))
		}
	})
}

func TestNextMidnight(t *testing.T) {
	cases := []struct{ name, zone, at, want string }{
		{"an ordinary day", "Europe/Lisbon", "2026-09-01T12:00:00+01:00", "2026-09-02T00:00:00+01:00"},
		{"asked at midnight", "Europe/Lisbon", "2026-09-01T00:00:00+01:00", "2026-09-02T00:00:00+01:00"},
		{"just before midnight", "Europe/Lisbon", "2026-09-01T23:59:59+01:00", "2026-09-02T00:00:00+01:00"},
		{"a day of 23 h", "Europe/Lisbon", "2026-03-29T00:00:00Z", "2026-03-30T00:00:00+01:00"},
		{"a day of 25 h", "Europe/Lisbon", "2026-10-25T00:00:00+01:00", "2026-10-26T00:00:00Z"},
		{"a day of 24.5 h", "Australia/Lord_Howe", "2026-04-05T00:00:00+11:00", "2026-04-06T00:00:00+10:30"},
		{"leap day", "Asia/Kathmandu", "2028-02-28T23:00:00+05:45", "2028-02-29T00:00:00+05:45"},
		{"after the leap day", "Asia/Kathmandu", "2028-02-29T23:00:00+05:45", "2028-03-01T00:00:00+05:45"},
		{"not a leap year", "Asia/Kathmandu", "2026-02-28T23:00:00+05:45", "2026-03-01T00:00:00+05:45"},
		{"midnight skipped", "America/Santiago", "2026-09-05T12:00:00-04:00", "2026-09-06T01:00:00-03:00"},
		{"midnight put off", "America/Santiago", "2026-04-04T23:30:00-03:00", "2026-04-05T00:00:00-04:00"},
		{"in the repeated hour before midnight", "America/Santiago", "2026-04-04T23:30:00-04:00", "2026-04-05T00:00:00-04:00"},
		{"midnight skipped in Cairo", "Africa/Cairo", "2026-04-23T12:00:00+02:00", "2026-04-24T01:00:00+03:00"},
		{"midnight put off in Cairo", "Africa/Cairo", "2026-10-29T12:00:00+03:00", "2026-10-30T00:00:00+02:00"},
		{"midnight shown twice", "America/Havana", "2026-10-31T12:00:00-04:00", "2026-11-01T00:00:00-04:00"},
		{"between the two midnights", "America/Havana", "2026-11-01T00:30:00-04:00", "2026-11-02T00:00:00-05:00"},
		{"a missing date", "Pacific/Apia", "2011-12-29T12:00:00-10:00", "2011-12-31T00:00:00+14:00"},
		{"set back over midnight", "America/St_Johns", "2010-11-07T00:00:30-02:30", "2010-11-08T00:00:00-03:30"},
		{"the evening shown again", "America/St_Johns", "2010-11-06T23:30:00-03:30", "2010-11-08T00:00:00-03:30"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := NextMidnight(instantOf(t, c.at), zone(t, c.zone))
			assert.True(t, got.Equal(instantOf(t, c.want)), "got %s, want %s", got, c.want)
		})
	}
}

// Local days follow one another without a gap, whatever instant one asks from, and have the length of a day of their
// zone.
func TestLocalDaysTileTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(zones).Draw(t, "zone")
		location := zone(t, name)
		at := drawTime(t, location)
		begin := NextMidnight(at, location)
		require.True(t, begin.After(at))
		for range 4 {
			end := NextMidnight(begin, location)
			length := end.Sub(begin)
			lengths := []time.Duration{23 * time.Hour, 24 * time.Hour, 25 * time.Hour}
			switch name { // changes by half an hour; two-hour steps; one double summer time; a zone that changed its offset
			case "Australia/Lord_Howe":
				lengths = append(lengths, 23*time.Hour+30*time.Minute, 24*time.Hour+30*time.Minute)
			case "America/St_Johns", "Antarctica/Troll":
				lengths = append(lengths, 22*time.Hour, 26*time.Hour)
			case "Asia/Kathmandu": // 1986: +05:30 became +05:45
				lengths = append(lengths, 23*time.Hour+45*time.Minute)
			case "Pacific/Kiritimati": // 1994/95: from -10:40 by -10:00 to +14:00
				lengths = append(lengths, 23*time.Hour+20*time.Minute)
			}
			require.Contains(t, lengths, length, "the day from %s to %s", begin, end)

			year, month, day := begin.Date()
			_, _, dayOfEnd := end.Date()
			require.NotEqual(t, day, dayOfEnd)
			inside := begin.Add(time.Duration(rapid.Int64Range(0, int64(length)-1).Draw(t, "inside")))
			require.True(t, NextMidnight(inside, location).Equal(end), "asked at %s", inside)
			if name != "America/St_Johns" { // where, until 2011, part of an evening came again after midnight
				gotYear, gotMonth, gotDay := inside.Date()
				require.Equal(t, [3]int{year, int(month), day}, [3]int{gotYear, int(gotMonth), gotDay}, "%s", inside)
			}
			begin = end
		}
	})
}

func BenchmarkIsDay(b *testing.B) {
	light := Light{Location: zone(b, "Europe/Lisbon"), From: 7 * 60, To: 19 * 60}
	at := instantOf(b, "2026-09-01T12:00:00+01:00")
	for b.Loop() {
		light.IsDay(at)
	}
}

func BenchmarkNextSwitch(b *testing.B) {
	light := Light{Location: zone(b, "Europe/Lisbon"), From: 7 * 60, To: 19 * 60}
	at := instantOf(b, "2026-09-01T12:00:00+01:00")
	for b.Loop() {
		light.NextSwitch(at)
	}
}

func BenchmarkNextMidnight(b *testing.B) {
	location := zone(b, "Europe/Lisbon")
	at := instantOf(b, "2026-09-01T12:00:00+01:00")
	for b.Loop() {
		NextMidnight(at, location)
	}
}
