package sensors_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/sensors"
	"dewline/sensors/sensortest"
	"dewline/sensors/sht4x"
	"dewline/sensors/w1"
)

// scripted is a sensor whose value is a function of time, in the steps of its part.
type scripted struct {
	sensors.Description
	start time.Time
	says  func(since time.Duration) truth
}

func (s *scripted) Describe() sensors.Description { return s.Description }
func (s *scripted) Close() error                  { return nil }

func (s *scripted) Read(context.Context) (sensors.Measurement, error) {
	var r sensors.Measurement
	for _, m := range s.Measures {
		v := s.says(time.Since(s.start))[m.Channel]
		word := math.Round(v / m.Resolution)
		r.Values = append(r.Values, sensors.Value{Channel: m.Channel, Value: word * m.Resolution, Raw: uint64(int64(word))})
	}
	return r, nil
}

// room is the invented loft of these tests: what is true in it.
type room struct{ noise *rand.Rand }

func swing(since time.Duration, phase float64) float64 {
	return math.Sin(2*math.Pi*(since.Hours()/24) + phase)
}

func (r room) air(since time.Duration) float64 {
	return 23 + 1.5*swing(since, 0) + r.noise.NormFloat64()*0.05
}

// Water follows the air late and weakly, and hardly flickers.
func (r room) water(since time.Duration) float64 {
	return 22.5 + 0.4*swing(since, -1) + r.noise.NormFloat64()*0.01
}

func (r room) humidity(since time.Duration) float64 {
	return 80 - 5*swing(since, 0) + r.noise.NormFloat64()*0.15
}

// lie is a fault of values that are well formed.
type lie struct {
	name    string
	lasting time.Duration
	// sensors are those of the configuration, by id; says makes what each reports. began is when the fault begins.
	sensors string
	bands   string
	says    func(r room, id string, since, began time.Duration) truth
	named   []string // faults of which at least one must be raised; nil where nothing finds it
	alarms  int      // limit alarms that come of it
	remark  string
}

const (
	probeLine = "  - {id: %s, driver: w1, address: %s, every: 30s, feeds: {temperature: %s/water-temperature}%s}\n"
	airLine   = "  - {id: %s, driver: sht4x, bus: I2C%d, every: 30s, feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}%s}\n"
	// wellBehaved is how long every sensor is right at first: until between two reads.
	wellBehaved = 26*time.Hour + 15*time.Second
)

var (
	probe1   = fmt.Sprintf(probeLine, "probe-1", "28-00000b3c5d1e", "tub-1", "")
	probe2   = fmt.Sprintf(probeLine, "probe-2", "28-00000b3c60a2", "tub-2", "")
	agreeing = ", disagree: {temperature: 1 K}"
	twin1    = fmt.Sprintf(probeLine, "probe-1", "28-00000b3c5d1e", "tub-1", agreeing)
	twin2    = fmt.Sprintf(probeLine, "probe-2", "28-00000b3c60a2", "tub-1", agreeing)
	twin3    = fmt.Sprintf(probeLine, "probe-3", "28-00000b3c6a77", "tub-1", agreeing)
	inAir    = fmt.Sprintf(airLine, "loft-air", 1, "")
	water    = "{water-temperature: {low: 20 °C, high: 26 °C}}"
)

// honest is right until a fault begins, and what wrong makes of it from then on.
func honest(wrong func(r room, id string, since, for_ time.Duration, true_ truth) truth) func(r room, id string, since, began time.Duration) truth {
	return func(r room, id string, since, began time.Duration) truth {
		t := truth{sensors.Temperature: r.water(since)}
		switch id {
		case "loft-air":
			t = truth{sensors.Temperature: r.air(since), sensors.Humidity: r.humidity(since)}
		}
		if since < began {
			return t
		}
		return wrong(r, id, since, since-began, t)
	}
}

var lies = []lie{
	{
		name: "probes of two like tubs swapped", lasting: 24 * time.Hour, sensors: probe1 + probe2, bands: water,
		says: func(r room, id string, since, began time.Duration) truth {
			if warmer := id == "probe-2"; warmer != (since >= began) {
				return truth{sensors.Temperature: r.water(since) + 0.3}
			}
			return truth{sensors.Temperature: r.water(since)}
		},
		remark: "a ROM code names the probe, not where it hangs: label probe and tub",
	},
	{
		name: "probes of a warm and a cool tub swapped", lasting: 24 * time.Hour, sensors: probe1 + probe2,
		bands: "{water-temperature: {low: 21 °C, high: 24 °C}}",
		says: func(r room, id string, since, began time.Duration) truth {
			if warm := id == "probe-2"; warm != (since >= began) { // tub-2 is the warm one
				return truth{sensors.Temperature: r.water(since) + 3}
			}
			return truth{sensors.Temperature: r.water(since)}
		},
		alarms: 2, remark: "only since their bands differ; both tubs alarm, tub-1 high and tub-2 low",
	},
	{
		name: "two sensors of a point differ by 2 K", lasting: 6 * time.Hour, sensors: twin1 + twin2, bands: water,
		says: honest(func(_ room, id string, _, _ time.Duration, t truth) truth {
			if id == "probe-2" {
				t[sensors.Temperature] += 2
			}
			return t
		}),
		named: []string{"sensor/probe-1/temperature/fault", "sensor/probe-2/temperature/fault"}, remark: "no program can know which one is wrong: both are named",
	},
	{
		name: "one of three sensors of a point off by 2 K", lasting: 6 * time.Hour, sensors: twin1 + twin2 + twin3, bands: water,
		says: honest(func(_ room, id string, _, _ time.Duration, t truth) truth {
			if id == "probe-2" {
				t[sensors.Temperature] += 2
			}
			return t
		}),
		named: []string{"sensor/probe-2/temperature/fault"}, remark: "the odd one out; the median goes on",
	},
	{
		name: "one of three sensors of a point drifts by 0.1 K/h", lasting: 24 * time.Hour, sensors: twin1 + twin2 + twin3, bands: water,
		says: honest(drift("probe-2")), named: []string{"sensor/probe-2/temperature/fault"}, remark: "as soon as it is off by the allowed 1 K",
	},
	{
		name: "one of two sensors of a point drifts by 0.1 K/h", lasting: 24 * time.Hour, sensors: twin1 + twin2, bands: water,
		says: honest(drift("probe-2")), named: []string{"sensor/probe-1/temperature/fault", "sensor/probe-2/temperature/fault"}, remark: "likewise, and both are named",
	},
	{
		name: "a lone sensor drifts by 0.1 K/h", lasting: 24 * time.Hour, sensors: probe1, bands: water,
		says: honest(drift("probe-1")), remark: "slower than a room: only a second sensor or a calibration finds it",
	},
	{
		name: "humidity pinned at 100 %", lasting: 24 * time.Hour, sensors: inAir, bands: "{relative-humidity: {low: 60 %}}",
		says:   honest(func(_ room, _ string, _, _ time.Duration, t truth) truth { t[sensors.Humidity] = 100; return t }),
		remark: "flagged after an hour; fog at 100 % is possible, so there is no alarm",
	},
	{
		name: "humidity pinned at 100 %, band up to 95 %", lasting: 24 * time.Hour, sensors: inAir, bands: "{relative-humidity: {low: 60 %, high: 95 %}}",
		says:   honest(func(_ room, _ string, _, _ time.Duration, t truth) truth { t[sensors.Humidity] = 100; return t }),
		alarms: 1, remark: "fog or a wet sensor: the readings do not show which, and both need a look",
	},
	{
		name: "humidity pinned at 106 %", lasting: 24 * time.Hour, sensors: inAir, bands: "{relative-humidity: {low: 60 %}}",
		says:   honest(func(_ room, _ string, _, _ time.Duration, t truth) truth { t[sensors.Humidity] = 106; return t }),
		remark: "flagged at once",
	},
	{
		name: "humidity stuck at one word", lasting: 24 * time.Hour, sensors: inAir, bands: "{relative-humidity: {low: 60 %}}",
		says:  honest(func(_ room, _ string, _, _ time.Duration, t truth) truth { t[sensors.Humidity] = 80; return t }),
		named: []string{"sensor/loft-air/humidity/fault"}, remark: "flagged after half an hour, failed after two hours",
	},
	{
		name: "wet element: humidity creeps to 97 % and stays", lasting: 24 * time.Hour, sensors: inAir, bands: "{relative-humidity: {low: 60 %}}",
		says: honest(func(r room, _ string, _, for_ time.Duration, t truth) truth {
			t[sensors.Humidity] = 97 - 17*math.Exp(-for_.Hours()) + r.noise.NormFloat64()*0.15
			return t
		}),
		remark: "looks like wet air; a second sensor with disagree finds it",
	},
	{
		name: "water temperature stuck at one word", lasting: 30 * time.Hour, sensors: probe1, bands: water,
		says:   honest(func(_ room, _ string, _, _ time.Duration, t truth) truth { t[sensors.Temperature] = 22.5; return t }),
		remark: "flagged after a day: a big tub may stay at one step for hours",
	},
	{
		name: "probe lifted out of the water", lasting: 24 * time.Hour, sensors: probe1, bands: water,
		says: honest(func(r room, _ string, since, _ time.Duration, t truth) truth {
			t[sensors.Temperature] = r.air(since) // within the band of the water
			return t
		}),
		remark: "follows the air within the water's band",
	},
}

func drift(which string) func(room, string, time.Duration, time.Duration, truth) truth {
	return func(_ room, id string, _, for_ time.Duration, t truth) truth {
		if id == which {
			t[sensors.Temperature] += 0.1 * for_.Hours()
		}
		return t
	}
}

// valueSite writes the configuration of a lie: all bands at the tubs, or at the loft for what is measured in its air.
func valueSite(l *lie) string {
	tub, loft := l.bands, "{}"
	if l.sensors == inAir {
		tub, loft = "{}", l.bands
	}
	var b strings.Builder
	fmt.Fprintf(&b, "site: north-loft\ntimezone: Europe/Lisbon\nplaces:\n  - {id: loft, kind: room, bands: %s}\n  - {id: tub-1, kind: enclosure, in: loft, bands: %s}\n", loft, tub)
	if strings.Contains(l.sensors, "tub-2") {
		if strings.Contains(l.name, "cool") { // each tub has the band of its own animals
			tub = "{water-temperature: {low: 24 °C, high: 27 °C}}"
		}
		fmt.Fprintf(&b, "  - {id: tub-2, kind: enclosure, in: loft, bands: %s}\n", tub)
	}
	return b.String() + "sensors:\n" + l.sensors
}

// Values that are well formed and wrong, for hours: what is found, when, and what is not. A day of truth before each of them must bring no
// alarm of any kind.
func TestWrongValues(t *testing.T) {
	rows := []string{
		"# Hours from the beginning of a fault until it is reported as the fault of a sensor, and until the first reading is flagged suspect; limit alarms",
		"# that came of it. Before each there were 26 hours of truth, without any alarm.",
		fmt.Sprintf("%-52s %13s %13s %13s  %s", "fault", "named after", "suspect after", "limit alarms", "remark"),
	}
	for i := range lies {
		l := &lies[i]
		t.Run(l.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { rows = append(rows, l.judge(t)) })
		})
	}
	rows = append(rows, fmt.Sprintf("%-52s %13s %13s %13d  %s", "two probes with one ROM code", "refused", "-", 0,
		"check names both sensors; on the wire they answer at once, which the checksum finds unless they say the same"))
	golden(t, "values.golden.txt", rows)
}

// judge plays a wrong sensor and returns its row.
func (l *lie) judge(t *testing.T) string {
	r := room{rand.New(rand.NewPCG(2026, 7))}
	start := time.Now()
	h := newHouse(t, valueSite(l), func(c *config.SensorConfig) (sensors.Sensor, string, error) {
		s := &scripted{start: start}
		s.says = func(since time.Duration) truth { return l.says(r, c.ID, since, wellBehaved) }
		if c.Driver == "w1" {
			probe, err := w1.New(w1.Options{ROM: c.Address})
			require.NoError(t, err)
			s.Description = probe.Describe()
			return s, "w1", nil
		}
		d, err := sht4x.New(sensortest.NewBus(c.Bus), sht4x.Options{})
		require.NoError(t, err)
		s.Description = d.Describe()
		return s, c.Bus, nil
	})
	h.tick = 10 * time.Second
	h.live(wellBehaved)
	began := instant.Of(time.Now())
	require.Zero(t, h.called, "a false alarm: %s", h.reasons())
	for p, at := range h.suspect {
		require.Empty(t, at, "a reading of %s was suspected without a reason", p)
	}
	h.live(l.lasting)
	h.end()
	reported, suspect := instant.None, instant.None
	var faults []string
	for i := range h.site.Sensors {
		for _, fault := range h.faults(i) {
			if at := h.first(journal.AlarmRaised, fault, began); !at.IsNone() {
				faults = append(faults, fault)
				if reported.IsNone() || at < reported {
					reported = at
				}
			}
		}
	}
	for _, at := range h.suspect {
		if len(at) > 0 && (suspect.IsNone() || at[0] < suspect) {
			suspect = at[0]
		}
	}
	alarms := 0
	for _, place := range []string{"loft", "tub-1", "tub-2"} {
		alarms += h.limitAlarms(place)
	}
	assert.Equal(t, l.named, faults, "the sensors of which a fault is reported")
	assert.Equal(t, l.alarms, alarms, "limit alarms: %s", h.reasons())
	return fmt.Sprintf("%-52s %13s %13s %13d  %s", l.name, hours(began, reported), hours(began, suspect), alarms, l.remark)
}

// hours prints how long after a moment something happened.
func hours(from, to instant.Instant) string {
	if to.IsNone() {
		return "not detected"
	}
	return fmt.Sprintf("%.2f h", to.Sub(from).Hours())
}

// Two sensors with one ROM code are one probe to the kernel; the configuration refuses them.
func TestOneROMCodeForTwoSensors(t *testing.T) {
	l := lie{sensors: probe1 + fmt.Sprintf(probeLine, "probe-2", "28-00000b3c5d1e", "tub-2", ""), bands: water}
	_, problems := config.Load(writeSite(t, valueSite(&l)))
	require.ErrorContains(t, problems.Err(), "probe-1")
}
