package rehearse_test

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
	"dewline/internal/format/rehearsal"
	"dewline/internal/rehearse"
	"dewline/internal/store"
)

// loft is a site with one tub in which invented tadpoles live.
const loft = `site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
profiles: [tropical-forest-floor]
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
cohorts:
  - {id: a-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-06-01}]}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-0316a2794bff, every: 60s, feeds: {temperature: tub-1/water-temperature}}
notify: [{via: webhook, url: "https://keeper.example", format: text, priorities: [medium, high, critical]}]
`

var now = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

// runner tries limits on ten days of water that is at 22 °C, and at 26 °C for three hours of each afternoon.
func runner(t *testing.T) (*rehearse.Runner, *config.Site) {
	t.Helper()
	site, problems := config.ReadForReplay([]byte(loft))
	require.NoError(t, problems.Err())
	db, err := store.Open(filepath.Join(t.TempDir(), "history.db"), store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { _ = db.Close(context.Background()) })
	tub := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	for at := now.AddDate(0, 0, -10); at.Before(now); at = at.Add(time.Minute) {
		value := 22 + 0.0625*math.Round(2*math.Sin(float64(at.Minute())))
		if passed := at.Sub(at.Truncate(24 * time.Hour).Add(13 * time.Hour)).Hours(); passed > 0 && passed < 5 { // an hour up, three there, an hour down
			value += 4 * math.Min(1, math.Min(passed, 5-passed))
		}
		db.Append("run-1", tub, instant.Of(at), value, quantity.Pass, 0.0625)
	}
	require.NoError(t, db.Commit(t.Context()))
	r := rehearse.New(rehearse.Options{
		Site: func() *config.Site { return site }, Store: db, Now: func() instant.Instant { return instant.Of(now) },
		Sources: func(site *config.Site, points []quantity.Point) ([]intake.Source, error) {
			return assemble.RecordSources(site, nil, points, 0)
		},
	})
	t.Cleanup(r.Close)
	return r, site
}

func ended(t *testing.T, r *rehearse.Runner) rehearsal.State {
	t.Helper()
	require.Eventually(t, func() bool { return r.State().State != rehearsal.Running }, time.Minute, 5*time.Millisecond)
	return r.State()
}

func water(limits rehearsal.Limits) rehearsal.Request {
	return rehearsal.Request{Range: rehearsal.Week, Bands: []rehearsal.Band{{Place: "tub-1", Quantity: "water-temperature", Day: limits}}}
}

// Six afternoons of three and a half hours above 25 °C: none of them is above a limit of 27 °C, and each is an alarm under one of 25 °C, of
// which the first days' are heard.
func TestOtherLimitsOnAWeek(t *testing.T) {
	r, _ := runner(t)
	assert.Equal(t, rehearsal.None, r.State().State)
	for _, c := range []struct {
		high   string
		alarms int
		hours  float64
	}{{"27 degC", 0, 0}, {"77 degF", 6, 21}} {
		require.NoError(t, r.Start(water(rehearsal.Limits{Low: "18 degC", High: c.high}), "keeper"))
		s := ended(t, r)
		require.Equal(t, rehearsal.Done, s.State, s.Problem)
		assert.Equal(t, "keeper", s.By)
		assert.GreaterOrEqual(t, s.Result.Tried.Alarms, c.alarms, "and those that foresee it")
		assert.Equal(t, c.alarms, s.Result.Tried.ByPriority["high"])
		assert.GreaterOrEqual(t, s.Result.Tried.Heard["webhook"], min(c.alarms, 1), "%v", s.Result.Tried.Heard)
		assert.InDelta(t, c.hours, time.Duration(s.Result.Tried.OutsideS).Hours(), 0.3)
		assert.Contains(t, s.Result.Lines, "high: "+c.high)
	}
}

// The lines that are handed out are what was tried: read as a configuration they give that band.
func TestLinesAreWhatWasTried(t *testing.T) {
	request := rehearsal.Request{Range: rehearsal.Week, Bands: []rehearsal.Band{
		{Place: "tub-1", Quantity: "water-temperature", Day: rehearsal.Limits{Low: "70 °F", High: "75.5 °F"}, Night: &rehearsal.Limits{Low: "68 °F", High: "75.5 °F"},
			OnDelay: "20m", CriticalOnDelay: "5m", OffDelay: "10m", Deadband: "0.9 °F", Priority: "medium"},
		{Place: "tub-1", Quantity: "air-temperature", Day: rehearsal.Limits{High: "27 °C"}},
	}}
	lines := rehearse.Lines(&request)
	before, after, found := strings.Cut(loft, "    in: loft\n")
	require.True(t, found)
	_, bands, found := strings.Cut(lines, "  - id: tub-1\n")
	require.True(t, found)
	site, problems := config.ReadForReplay([]byte(before + "    in: loft\n" + bands + after))
	require.NoError(t, problems.Err())
	got := site.Places[1].Bands[quantity.WaterTemperature]
	assert.True(t, got.Override)
	assert.InDelta(t, 21.111, got.Day.Limits[1], 0.001)
	assert.InDelta(t, 20, got.Night.Limits[1], 0.001)
	assert.InDelta(t, 24.167, got.Night.Limits[2], 0.001)
	assert.InDelta(t, 0.5, got.Day.Deadband, 1e-9)
	assert.Equal(t, []time.Duration{20 * time.Minute, 5 * time.Minute, 10 * time.Minute}, []time.Duration{got.Day.OnDelay, got.Day.CriticalOnDelay, got.Day.OffDelay})
	assert.InDelta(t, 27, site.Places[1].Bands[quantity.AirTemperature].Day.Limits[2], 1e-9)
	assert.Contains(t, lines, "# Under places:")
}

// Limits that are left as they are in force give no difference.
func TestWhatIsInForceIsNoDifference(t *testing.T) {
	r, _ := runner(t)
	choices := r.Choices()
	var tub rehearsal.Point
	for _, p := range choices.Points {
		if p.Point == "tub-1/water-temperature" {
			tub = p
		}
	}
	require.NotNil(t, tub.Day.High, "the limits of the animals that live there")
	text := func(v exposure.Limits) (l rehearsal.Limits) {
		for _, pair := range []struct {
			from interface{ MarshalJSON() ([]byte, error) }
			to   *string
		}{{v.CriticalLow, &l.CriticalLow}, {v.Low, &l.Low}, {v.High, &l.High}, {v.CriticalHigh, &l.CriticalHigh}} {
			data, err := pair.from.MarshalJSON()
			require.NoError(t, err)
			*pair.to = string(data) + " degC"
		}
		return l
	}
	request, night := water(text(tub.Day)), text(tub.Night)
	request.Bands[0].Night = &night
	require.NoError(t, r.Start(request, ""))
	s := ended(t, r)
	require.Equal(t, rehearsal.Done, s.State, s.Problem)
	assert.Empty(t, s.Result.Alarms, "%+v", s.Result)
	assert.InDelta(t, time.Duration(s.Result.InForce.OutsideS).Seconds(), time.Duration(s.Result.Tried.OutsideS).Seconds(), 1)
	assert.Positive(t, s.Result.InForce.Alarms)
}

// A cool-water profile calls 26 °C far too warm where a tropical one calls it too warm.
func TestAnotherProfile(t *testing.T) {
	r, _ := runner(t)
	assert.Equal(t, []rehearsal.Profile{{Cohort: "a-2026", Profile: "tropical-forest-floor"}}, r.Choices().Cohorts)
	assert.Contains(t, r.Choices().Profiles, "cool-montane-stream")
	require.NoError(t, r.Start(rehearsal.Request{Range: rehearsal.Month, Profiles: []rehearsal.Profile{{Cohort: "a-2026", Profile: "cool-montane-stream"}}}, ""))
	s := ended(t, r)
	require.Equal(t, rehearsal.Done, s.State, s.Problem)
	assert.Greater(t, s.Result.Tried.OutsideS, s.Result.InForce.OutsideS)
	assert.Contains(t, s.Result.Lines, "profile: cool-montane-stream")
	assert.Equal(t, instant.Of(now.AddDate(0, 0, -10)), s.Result.From, "no more than there is")
}

// One at a time, and a person may end it.
func TestOneAtATimeAndEnded(t *testing.T) {
	r, _ := runner(t)
	limits := rehearsal.Limits{High: "25 degC"}
	require.NoError(t, r.Start(water(limits), ""))
	if err := r.Start(water(limits), ""); err != nil { // unless the first has ended already
		require.ErrorIs(t, err, rehearse.ErrBusy)
	}
	r.Cancel()
	s := ended(t, r)
	assert.Contains(t, []string{rehearsal.Ended, rehearsal.Done}, s.State)
	require.NoError(t, r.Start(water(limits), ""), "the next one may begin")
	assert.Equal(t, rehearsal.Done, ended(t, r).State)
}

func TestRefused(t *testing.T) {
	r, _ := runner(t)
	for want, request := range map[string]rehearsal.Request{
		"nothing is changed":   {Range: rehearsal.Week},
		"week, month or year":  {Range: "century", Bands: water(rehearsal.Limits{High: "25 degC"}).Bands},
		"no place \"tub-9\"":   {Range: rehearsal.Week, Bands: []rehearsal.Band{{Place: "tub-9", Quantity: "water-temperature", Day: rehearsal.Limits{High: "25 degC"}}}},
		"must lie above":       water(rehearsal.Limits{Low: "26 degC", High: "25 degC"}),
		"is no value":          water(rehearsal.Limits{High: "25 degC\nweb: {listen: 0.0.0.0:80}"}),
		"needs a unit":         water(rehearsal.Limits{High: "25"}),
		"no limit":             water(rehearsal.Limits{}),
		"it must lie between":  water(rehearsal.Limits{High: "250 degC"}),
		"is no point":          {Range: rehearsal.Week, Bands: []rehearsal.Band{{Place: "../etc", Quantity: "water-temperature"}}},
		"no cohort and care":   {Range: rehearsal.Week, Profiles: []rehearsal.Profile{{Cohort: "a-2026", Profile: "../../etc/passwd"}}},
		"care profile no-such": {Range: rehearsal.Week, Profiles: []rehearsal.Profile{{Cohort: "a-2026", Profile: "no-such"}}},
		"is given twice":       {Range: rehearsal.Week, Bands: append(water(rehearsal.Limits{High: "25 degC"}).Bands, water(rehearsal.Limits{High: "26 degC"}).Bands...)},
	} {
		assert.ErrorContains(t, r.Start(request, ""), want)
	}
	assert.Equal(t, rehearsal.None, r.State().State, "nothing was begun")
}
