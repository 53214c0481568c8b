package misting_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/core/psychro"
)

var midnight = instant.Of(time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC))

// box is an enclosure that obeys the mass balance exactly: n, κ, a mister that saturates the air at once, and nothing else. All of it
// is invented.
type box struct {
	days            int
	n, kappa        float64
	misted          []int               // minutes of each day
	skip            map[int]bool        // mistings, by number, that do not come
	running         func(i int) bool    // the mister is on at this minute
	door            func(i int) bool    // the door is open
	lamp            func(i int) float64 // K over 24 °C
	room            func(i int) float64 // %RH at 22 °C
	gap             func(i int) bool
	step            float64 // of the humidity sensor
	noRoom, noNoise bool
}

func (b box) recording() *misting.Recording {
	r := &misting.Recording{From: midnight, To: midnight.Add(time.Duration(b.days) * 24 * time.Hour), Location: time.UTC}
	vapour, number := psychro.AbsoluteHumidity(24, 70), 0
	for i := range b.days * 24 * 60 {
		at := midnight.Add(time.Duration(i) * time.Minute)
		celsius, roomRH := 24.0, 45.0
		if b.lamp != nil {
			celsius += b.lamp(i)
		}
		if b.room != nil {
			roomRH = b.room(i)
		}
		room, saturated := psychro.AbsoluteHumidity(22, roomRH), psychro.AbsoluteHumidity(celsius, 100)
		for _, m := range b.misted {
			if i%1440 == m {
				if !b.skip[number] {
					vapour = saturated
				}
				number++
			}
		}
		if b.running != nil && b.running(i) {
			vapour = saturated
		}
		n := b.n
		if b.door != nil && b.door(i) {
			n += 30
		}
		floor := misting.Floor(n, b.kappa, room, saturated)
		vapour = min(saturated, floor+(vapour-floor)*math.Exp(-(n+b.kappa)/60))
		humidity := 100 * vapour / saturated
		if !b.noNoise {
			humidity += 0.15 * math.Sin(float64(i*i))
		}
		if b.step > 0 {
			humidity = math.Round(humidity/b.step) * b.step
		}
		if b.gap == nil || !b.gap(i) {
			r.Humidity = append(r.Humidity, misting.Sample{At: at, Value: min(100, humidity)})
			r.Air = append(r.Air, misting.Sample{At: at, Value: celsius})
		}
		if !b.noRoom {
			r.RoomAir = append(r.RoomAir, misting.Sample{At: at, Value: 22})
			r.RoomHumidity = append(r.RoomHumidity, misting.Sample{At: at, Value: roomRH})
		}
	}
	return r
}

// aDay opens the door for two minutes at three in the afternoon.
func aDay(i int) bool { return i%1440 == 15*60 || i%1440 == 15*60+1 }

func TestEnclosureThatTheModelKnows(t *testing.T) {
	for _, n := range []float64{0.5, 1, 3} {
		for _, step := range []float64{0.1, 1} {
			a := misting.Analyse(box{days: 7, n: n, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, door: aDay, step: step}.recording())
			require.Empty(t, a.Fit.Refused)
			require.Len(t, a.Events, 14)
			assert.Equal(t, 7, a.Fit.Doors)
			tau := misting.Tau(n, 0.9)
			assert.InEpsilon(t, tau.Minutes(), a.Fit.Tau.Minutes(), 0.06, "n = %v, step %v", n, step)
			if !math.IsNaN(a.Fit.AirChanges.Mid) {
				assert.InEpsilon(t, n, a.Fit.AirChanges.Mid, 0.1, "n = %v, step %v", n, step)
				assert.Less(t, a.Fit.AirChanges.Low, a.Fit.AirChanges.High)
			} else {
				assert.Less(t, n, 1.0, "only the wettest floor hides its n")
			}
			e := a.Events[2]
			assert.InEpsilon(t, tau.Minutes(), e.Tau.Minutes(), 0.05)
			assert.True(t, e.PeakPct > 95)
		}
	}
}

// A pure exponential gives τ and floor within 1 %.
func TestPureExponential(t *testing.T) {
	a := misting.Analyse(box{days: 3, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, noNoise: true}.recording())
	require.Len(t, a.Events, 6)
	room, saturated := psychro.AbsoluteHumidity(22, 45), psychro.AbsoluteHumidity(24, 100)
	for _, e := range a.Events[1:] {
		assert.InEpsilon(t, misting.Tau(1, 0.9).Seconds(), e.Tau.Seconds(), 0.01)
		assert.InEpsilon(t, 100*misting.Floor(1, 0.9, room, saturated)/saturated, e.FloorPct, 0.01)
		assert.InDelta(t, 31.8, e.To80.Minutes(), 0.5)
	}
}

func TestWithoutTheRoomOnlyTauAndFloor(t *testing.T) {
	a := misting.Analyse(box{days: 5, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, door: aDay, noRoom: true}.recording())
	require.Empty(t, a.Fit.Refused)
	assert.InEpsilon(t, misting.Tau(1, 0.9).Minutes(), a.Fit.Tau.Minutes(), 0.1)
	assert.InDelta(t, 68.5, a.Fit.FloorPct.Mid, 1.5)
	assert.True(t, math.IsNaN(a.Fit.AirChanges.Mid) && math.IsNaN(a.Fit.Kappa.Mid))
	assert.Contains(t, a.Fit.RefusedParts, "humidity of the room")
	_, err := a.WhatIf(misting.Schedule{{Minute: 600, Dose: 1}})
	require.NoError(t, err, "a forecast needs no more")
}

func TestRefusals(t *testing.T) {
	for name, test := range map[string]struct {
		r    *misting.Recording
		want string
	}{
		"no excitation":  {box{days: 5, n: 1, kappa: 0.9}.recording(), "0 mistings are too few"},
		"too short":      {box{days: 1, n: 1, kappa: 0.9, misted: []int{60, 400, 800}}.recording(), "days of readings are too few"},
		"no length":      {&misting.Recording{From: midnight, To: midnight}, "no length"},
		"no temperature": {&misting.Recording{From: midnight, To: midnight.Add(time.Hour), Humidity: []misting.Sample{{At: midnight, Value: 80}}}, "no air temperature"},
		"no humidity":    {&misting.Recording{From: midnight, To: midnight.Add(time.Hour), Air: []misting.Sample{{At: midnight, Value: 24}}}, "no relative humidity"},
	} {
		a := misting.Analyse(test.r)
		assert.Contains(t, a.Fit.Refused, test.want, name)
		assert.Zero(t, a.Fit.Tau, name)
		assert.True(t, math.IsNaN(a.Fit.AirChanges.Mid), name)
		_, err := a.WhatIf(misting.Schedule{})
		assert.Error(t, err, name)
		_, err = a.Suggest()
		assert.Error(t, err, name)
	}
}

// Slow water that no misting explains, such as a fogger: the humidity does not follow the mistings that are known, and there is no fit.
func TestWaterFromElsewhereIsRefused(t *testing.T) {
	r := box{days: 5, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, room: func(i int) float64 { return 55 + 40*math.Sin(float64(i)/170) }}.recording()
	for i := range r.RoomHumidity {
		r.RoomHumidity[i].Value = 45 // the sensor of the room hangs elsewhere
	}
	a := misting.Analyse(r)
	assert.Contains(t, a.Fit.Refused, "does not follow the mistings")
}

func TestWhatIsNoMisting(t *testing.T) {
	for name, b := range map[string]box{
		"lamps that go out": {lamp: func(i int) float64 { // 2 K, with the lag of the air
			hour := float64(i%1440) / 60
			if hour < 8 {
				return 2 * math.Exp(-(hour+4)/0.25)
			}
			if hour < 20 {
				return 2 * (1 - math.Exp(-(hour-8)/0.25))
			}
			return 2 * math.Exp(-(hour-20)/0.25)
		}},
		"a door":            {door: aDay},
		"weather of a room": {room: func(i int) float64 { return 45 + 20*math.Sin(float64(i)/300) }},
	} {
		b.days, b.n, b.kappa = 4, 1, 0.9
		a := misting.Analyse(b.recording())
		assert.Empty(t, a.Events, name)
	}
	a := misting.Analyse(box{days: 4, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, door: aDay}.recording())
	assert.Len(t, a.Events, 8)
	doors := 0
	for _, d := range a.Disturbances {
		if d.Kind == "door" {
			doors++
			minute := d.From.Sub(midnight) % (24 * time.Hour)
			assert.InDelta(t, 15*60, minute.Minutes(), 10)
		}
	}
	assert.Equal(t, 4, doors)
}

func TestMissedAndHiddenMistings(t *testing.T) {
	b := box{days: 4, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, skip: map[int]bool{3: true},
		gap: func(i int) bool { return i >= 2*1440+17*60 && i < 2*1440+20*60 }}
	r := b.recording()
	r.Schedule = misting.Schedule{{Minute: 7 * 60, Dose: 1}, {Minute: 18 * 60, Dose: 1}}
	a := misting.Analyse(r)
	require.Len(t, a.Events, 8)
	for k, e := range a.Events {
		assert.Equal(t, k == 3, e.Missed, "misting %d", k)
		assert.Equal(t, k == 5, e.Hidden, "misting %d: no reading, so nothing can be said", k)
		assert.True(t, e.Scheduled)
		assert.False(t, e.Recorded)
	}
	assert.Equal(t, "07:00,18:00", a.Present.String())

	r = b.recording()
	a = misting.Analyse(r)
	assert.Len(t, a.Events, 6, "nothing on record: what did not come cannot be known")
	assert.Len(t, a.Present, 2, "but what the mister usually does is seen")
	r = b.recording()
	r.Mistings = []misting.Misting{{At: midnight.Add(42*time.Hour + 5*time.Minute)}}
	a = misting.Analyse(r)
	require.Len(t, a.Events, 7)
	assert.True(t, a.Events[3].Recorded && a.Events[3].Missed, "on record, and the humidity did not rise")
}

func TestStuckMister(t *testing.T) {
	b := box{days: 4, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, running: func(i int) bool { return i >= 1440+7*60 && i < 1440+13*60 }}
	a := misting.Analyse(b.recording())
	require.Len(t, a.Events, 8)
	for k, e := range a.Events {
		assert.Equal(t, k == 2, e.Stuck, "misting %d", k)
	}
	e := a.Events[2]
	assert.InDelta(t, 6, e.Saturated.Hours(), 0.2)
	assert.True(t, e.PeakHidden, "at the end of the sensor the peak is not known")
}

func TestHoursOutsideTheBandUntilTheNext(t *testing.T) {
	r := box{days: 3, n: 1, kappa: 0.9, misted: []int{7 * 60}, noNoise: true}.recording()
	r.Limits = func(instant.Instant) (low, high float64) { return 80, 95 }
	a := misting.Analyse(r)
	e := a.Events[1]
	assert.InDelta(t, 24*60-31.8, e.Below.Minutes(), 1.5)
	dry, _ := misting.DryDown(misting.Tau(1, 0.9), 0.685, 1, 0.95)
	assert.InDelta(t, dry.Minutes(), e.Above.Minutes(), 2)
	now := a.PresentOutlook()
	assert.InDelta(t, 23.4, now.Below.Mid, 0.3)
	assert.Equal(t, now.Below.Low, now.Below.High, "what was counted has no interval")
}

func TestCondensationByNight(t *testing.T) {
	r := box{days: 3, n: 0.3, kappa: 2, misted: []int{20 * 60}}.recording()
	r.Day = func(at instant.Instant) bool { return at.Time().Hour() >= 7 && at.Time().Hour() < 19 }
	a := misting.Analyse(r)
	assert.True(t, a.SurfaceGuessed)
	assert.Positive(t, a.CondensationNights)
	for i := range r.Air {
		r.Surface = append(r.Surface, misting.Sample{At: r.Air[i].At, Value: 26})
	}
	a = misting.Analyse(r)
	assert.False(t, a.SurfaceGuessed)
	assert.Zero(t, a.CondensationNights, "a warm surface stays dry")
	assert.Equal(t, 4, a.Nights)
}

// A forecast for an enclosure that the model knows, against what really comes.
func TestForecast(t *testing.T) {
	limits := func(instant.Instant) (low, high float64) { return 75, 98 }
	before := box{days: 6, n: 0.8, kappa: 1, misted: []int{7 * 60, 18 * 60}, door: aDay}
	r := before.recording()
	r.Limits = limits
	a := misting.Analyse(r)
	require.Empty(t, a.Fit.Refused)
	for _, plan := range []string{"07:00", "07:00,12:00,18:00", "06:00,10:00,14:00,18:00", ""} {
		set, err := schedule.Parse(plan)
		require.NoError(t, err)
		after := before
		after.misted = nil
		for _, slot := range set {
			after.misted = append(after.misted, slot.Minute)
		}
		r := after.recording()
		r.Limits = limits
		came := misting.Analyse(r).PresentOutlook()
		said, err := a.WhatIf(set)
		require.NoError(t, err)
		assert.InDelta(t, came.Below.Mid, said.Below.Mid, 0.5, plan)
		assert.True(t, said.Below.Low <= said.Below.Mid && said.Below.Mid <= said.Below.High, plan)
		assert.InDelta(t, float64(len(set))/2, said.RelativeWater, 1e-9)
	}
}

func TestSuggestion(t *testing.T) {
	b := box{days: 5, n: 0.5, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, door: aDay}
	with := func(low float64) misting.Suggestion {
		r := b.recording()
		r.Limits = func(instant.Instant) (float64, float64) { return low, math.NaN() }
		s, err := misting.Analyse(r).Suggest()
		require.NoError(t, err)
		return s
	}
	easy := with(60)
	require.True(t, easy.Found)
	assert.Less(t, easy.Outlook.RelativeWater, 1.0, "the present water is more than it takes")
	never := with(95)
	assert.False(t, never.Found)
	assert.Contains(t, never.Reason, "no schedule does")
	s, err := misting.Analyse(b.recording()).Suggest()
	require.NoError(t, err)
	assert.Contains(t, s.Reason, "no band")
}

// The same days at another time give the same result.
func TestShiftInTime(t *testing.T) {
	r := box{days: 3, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, door: aDay}.recording()
	a := misting.Analyse(r)
	for _, days := range []int{-20000, -1, 91, 36500} {
		by := time.Duration(days) * 24 * time.Hour
		moved := *r
		moved.From, moved.To = r.From.Add(by), r.To.Add(by)
		for _, samples := range []*[]misting.Sample{&moved.Air, &moved.Humidity, &moved.RoomAir, &moved.RoomHumidity} {
			shifted := make([]misting.Sample, len(*samples))
			for i, s := range *samples {
				shifted[i] = misting.Sample{At: s.At.Add(by), Value: s.Value}
			}
			*samples = shifted
		}
		b := misting.Analyse(&moved)
		require.Equal(t, a.Fit.Tau, b.Fit.Tau)
		require.Len(t, b.Events, len(a.Events))
		for k := range a.Events {
			require.Equal(t, a.Events[k].At.Add(by), b.Events[k].At)
			require.Equal(t, a.Events[k].Tau, b.Events[k].Tau)
		}
		require.Equal(t, a.Present, b.Present)
	}
}

// The day on which a clock is set forward has 23 hours: what the schedule says still happens once on it, and nothing is missed.
func TestScheduleOverTheChangeOfTheClock(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	for _, day := range []time.Time{time.Date(2026, 3, 27, 0, 0, 0, 0, lisbon), time.Date(2026, 10, 23, 0, 0, 0, 0, lisbon)} {
		schedule := misting.Schedule{{Minute: 90, Dose: 1}, {Minute: 15 * 60, Dose: 1}}
		from, to := instant.Of(day), instant.Of(day.AddDate(0, 0, 5))
		due := map[int]bool{}
		for _, m := range schedule.Over(from, to, lisbon) {
			due[int(m.At.Sub(from)/time.Minute)] = true
		}
		require.Len(t, due, 10)
		b := box{days: 5, n: 1, kappa: 0.9, running: func(i int) bool { return due[i] }}
		r := b.recording()
		by := from.Sub(r.From)
		for _, samples := range []*[]misting.Sample{&r.Air, &r.Humidity, &r.RoomAir, &r.RoomHumidity} {
			for i := range *samples {
				(*samples)[i].At = (*samples)[i].At.Add(by)
			}
		}
		r.From, r.To, r.Location, r.Schedule = from, to, lisbon, schedule
		a := misting.Analyse(r)
		require.Len(t, a.Events, 10)
		for _, e := range a.Events {
			assert.False(t, e.Missed || e.Hidden, "%s", e.At)
		}
	}
}
