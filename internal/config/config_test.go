package config

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
	"dewline/sensors"
	"dewline/sensors/drivers"
	"dewline/sensors/sht4x"
)

// TestExampleOfTheDesign reads the configuration that the design shows, word for word.
func TestExampleOfTheDesign(t *testing.T) {
	site, problems := Load("testdata/example/north-loft.yaml")
	require.Empty(t, problems)
	assert.Equal(t, "north-loft", site.ID)
	assert.Equal(t, "Europe/Lisbon", site.Location.String())
	assert.Equal(t, care.Light{Location: site.Location, From: 7 * 60, To: 19 * 60}, site.Light)
	assert.Equal(t, quantity.Fahrenheit, site.Display.Temperature)
	assert.Contains(t, site.Profiles, "tropical-forest-floor")

	require.Len(t, site.Places, 2)
	loft := site.Places[0]
	assert.True(t, loft.Room)
	assert.Equal(t, "loft", loft.Title)
	band := loft.Bands[quantity.AirTemperature].Day
	assert.InDelta(t, (78.0-32)/1.8, band.Limits[care.High], 1e-12)
	assert.InDelta(t, (82.0-32)/1.8, band.Limits[care.CriticalHigh], 1e-12)
	assert.False(t, band.Has(care.Low) || band.Has(care.CriticalLow))
	assert.Equal(t, 10*time.Minute, band.OnDelay)
	assert.Negative(t, band.OffDelay, "not given")
	assert.True(t, math.IsNaN(band.Deadband), "not given")
	assert.Equal(t, "loft", site.Places[1].In)

	since := time.Date(2026, 9, 1, 0, 0, 0, 0, site.Location)
	require.Len(t, site.Cohorts, 1)
	assert.Equal(t, Cohort{ID: "a-2026", Profile: "tropical-forest-floor", Place: "tub-1", Stages: []care.Since{{Stage: care.Larva, At: since}}}, site.Cohorts[0])

	require.Len(t, site.Sensors, 2)
	probe, air := site.Sensors[0], site.Sensors[1]
	assert.Equal(t, "28-0316a2794bff", probe.Address)
	assert.Equal(t, map[sensors.Channel]float64{sensors.Temperature: 0.5}, probe.Accuracy)
	assert.EqualValues(t, 0x44, air.I2C)
	assert.Equal(t, "I2C1", air.Bus)
	assert.Equal(t, map[sensors.Channel]quantity.Point{
		sensors.Temperature: {Place: "loft", Quantity: quantity.AirTemperature},
		sensors.Humidity:    {Place: "loft", Quantity: quantity.RelativeHumidity},
	}, air.Feeds)

	assert.Equal(t, History{Path: "/var/lib/dewline/history.db", Keep: 2 * 365 * 24 * time.Hour}, site.History)
	assert.Equal(t, MQTT{
		Broker: "mqtt://127.0.0.1:1883", Username: "dewline", PasswordFile: "/run/credentials/dewline.service/mqtt",
		ClientID: "dewline-north-loft", Root: "dewline/north-loft",
	}, site.MQTT)
	assert.Equal(t, "127.0.0.1:8420", site.Web.Listen)
	assert.Equal(t, "/run/dewline/control.sock", site.Control.Socket)
	assert.Equal(t, []NotifierConfig{
		{Kind: "mqtt", Priorities: []care.Priority{care.LowPriority, care.MediumPriority, care.HighPriority, care.CriticalPriority}},
		{
			Kind: "webhook", URL: "https://keeper.example/dewline", Format: "text", Priorities: []care.Priority{care.HighPriority, care.CriticalPriority},
			Repeat: 15 * time.Minute, Until: "acknowledged",
		},
	}, site.Notify)
}

// TestEveryKey reads a configuration with every key of the grammar.
func TestEveryKey(t *testing.T) {
	site, problems := Load("testdata/everything/site.yaml")
	require.Empty(t, problems)

	assert.Equal(t, 19*60, site.Light.From)
	assert.Equal(t, 7*60, site.Light.To)
	assert.True(t, site.Places[0].Latch)
	assert.Equal(t, "The loft", site.Places[0].Title)

	water := site.Places[1].Bands[quantity.WaterTemperature]
	assert.Equal(t, care.Band{
		Limits:  [care.LimitCount]float64{17, quantity.Fahrenheit.ToCanonical(70), quantity.Fahrenheit.ToCanonical(75), 27},
		OnDelay: 30 * time.Minute, CriticalOnDelay: 5 * time.Minute, OffDelay: 10 * time.Minute,
		Deadband: 0.5 * 5 / 9, Priority: care.MediumPriority, Foresee: 45 * time.Minute,
	}, water.Day)
	night := water.Day
	night.Limits[care.High] = quantity.Fahrenheit.ToCanonical(74)
	assert.Equal(t, night, water.Night)
	assert.Equal(t, map[string]string{
		"water-temperature.low": "keeper's book", "water-temperature.on-delay": "judgement", "water-temperature.night.high": "night book",
	}, site.Places[1].Sources)
	merged := site.Places[2].Bands
	assert.Equal(t, 60.0, merged[quantity.RelativeHumidity].Day.Limits[care.Low], "merged")
	assert.Equal(t, 90.0, merged[quantity.RelativeHumidity].Day.Limits[care.High], "its own")
	assert.Equal(t, water, merged[quantity.WaterTemperature])

	assert.Equal(t, "2026-12-01T07:30:00Z", site.Cohorts[0].Stages[1].At.Format(time.RFC3339))
	assert.Empty(t, site.Cohorts[1].Place)

	byID := map[string]SensorConfig{}
	for _, sensor := range site.Sensors {
		byID[sensor.ID] = sensor
	}
	probe := byID["probe-1"]
	assert.Equal(t, "28-0316a2794bff", probe.Address)
	assert.Equal(t, []time.Duration{30 * time.Second, 2 * time.Minute, 5 * time.Minute}, []time.Duration{probe.Every, probe.Gap, probe.StaleAfter})
	assert.Equal(t, Interval{5, 40}, probe.Range[sensors.Temperature])
	assert.Equal(t, 2.0, probe.Accuracy[sensors.Temperature], "no original by its code")
	assert.Equal(t, 0.1, probe.AccuracyOf(sensors.Temperature), "calibrated")
	assert.Equal(t, -0.3, probe.Calibration.Channels[sensors.Temperature].Offset)
	assert.Equal(t, "2026-08-15", probe.Calibration.Channels[sensors.Temperature].Date.Format(time.DateOnly))

	bridged := byID["probe-2"]
	assert.Equal(t, &drivers.Mux{Address: 0x71, Channel: 2}, bridged.Mux)
	assert.EqualValues(t, 0x19, bridged.Bridge)
	assert.Equal(t, 3, bridged.Line)
	assert.Equal(t, 0.5, bridged.Accuracy[sensors.Temperature], "an original by its code")
	assert.Equal(t, Interval{5, 40}, bridged.Range[sensors.Temperature])
	assert.Equal(t, -1, probe.Line)

	air := byID["air-1"]
	assert.EqualValues(t, 0x45, air.I2C)
	assert.Equal(t, &sht4x.Heater{Above: 95, For: 2 * time.Hour, Every: 30 * time.Minute}, air.Heater)
	assert.Equal(t, map[sensors.Channel]float64{sensors.Temperature: 0.1, sensors.Humidity: 1.5}, air.Accuracy, "part and config")
	assert.Equal(t, []Fix{{33.4, 32.8}, {75.9, 75.3}}, air.Calibration.Channels[sensors.Humidity].Points, "sorted")
	assert.EqualValues(t, 0x44, byID["air-2"].I2C, "68 in decimal")
	assert.Equal(t, map[sensors.Channel]float64{sensors.Temperature: 0.3, sensors.Humidity: 2}, byID["air-2"].Accuracy)
	assert.EqualValues(t, 0x76, byID["air-4"].I2C, "the part's first address")
	assert.Equal(t, 4.0, *byID["air-8"].TemperatureOffset)
	assert.Equal(t, "sht4x", byID["kernel-1"].Name)
	assert.Equal(t, "1-0044", byID["kernel-1"].Address)
	assert.Equal(t, map[sensors.Channel]string{sensors.Temperature: "temp1"}, byID["kernel-1"].Inputs)
	assert.Equal(t, time.Minute, byID["computer"].Every)

	radio := byID["radio-1"]
	assert.Equal(t, map[sensors.Channel]string{sensors.Temperature: "/t~1x/0", sensors.Humidity: ""}, radio.Pointer)
	assert.Equal(t, map[sensors.Channel]quantity.Unit{sensors.Temperature: quantity.Fahrenheit, sensors.Humidity: quantity.Ratio}, radio.Unit)
	assert.Equal(t, "tls://broker.example:8883", radio.Broker)
	assert.Equal(t, time.Minute, radio.Every)
	assert.Equal(t, map[sensors.Channel]string{sensors.Temperature: "tub-2/t"}, byID["radio-2"].SenML)
	assert.Equal(t, map[sensors.Channel]quantity.Unit{sensors.Pressure: quantity.Kilopascal}, byID["radio-3"].Unit)
	assert.Equal(t, "testdata/everything/tape.csv", byID["tape"].File, "relative to the configuration")
	assert.Equal(t, 60.0, byID["tape"].Speed)
	assert.True(t, byID["tape"].Loop)

	assert.Equal(t, "testdata/everything/history.db", site.History.Path)
	assert.Equal(t, "barn/loft", site.MQTT.Root)
	assert.True(t, site.MQTT.AllowCommands)
	assert.Equal(t, Embedded{Listen: "[::1]:1883", Users: []User{{
		Name: "phone", PasswordFile: "/run/phone", Read: []string{"barn/loft/#"}, Write: []string{"barn/loft/command/+"},
	}}}, site.MQTT.Embedded)
	assert.Equal(t, NotifierConfig{
		Kind: "mail", Priorities: []care.Priority{1, 2, 3, 4}, Server: "[::1]:25", Security: "none", Username: "keeper",
		PasswordFile: "/run/mail", From: "Loft <loft@keeper.example>", To: []string{"keeper@keeper.example"},
	}, site.Notify[3])
	assert.Equal(t, "acknowledged", site.Notify[2].Until)
	assert.True(t, site.Notify[1].Every)
	assert.False(t, site.Notify[2].Every)
	assert.Equal(t, Web{
		Listen: "localhost:0", Hosts: []string{"loft.example", "loft"}, CertificateFile: "/run/web.pem", KeyFile: "/run/web.key", BehindProxy: true,
		Users: []WebUser{{Name: "Inês", Role: "operator", PasswordHashFile: "/run/ines.hash"}, {Name: "scraper", Role: "viewer", TokenFile: "/run/scraper.token"}},
	}, site.Web)
	assert.Equal(t, Heartbeat{URL: "https://keeper.example/alive", Every: 10 * time.Minute}, site.Heartbeat)
	require.Len(t, site.Panels, 1)
	assert.Equal(t, []string{"Larvae", "1w"}, []string{site.Panels[0].Title, site.Panels[0].Span})
	tub, loft := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}, quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}
	tub2 := quantity.Point{Place: "tub-2", Quantity: quantity.WaterTemperature}
	assert.Equal(t, [][]quantity.Point{{tub, loft}, {tub}, {tub2}}, site.Panels[0].Charts)
	for _, name := range driverNames() {
		assert.True(t, slices.ContainsFunc(site.Sensors, func(s SensorConfig) bool { return s.Driver == name }), "driver %s is not shown", name)
	}
	assert.Empty(t, site.Validate(), "it stays valid")
}

// filesOf makes a file system in which site.yaml has the text, beside the profile of the example.
func filesOf(t testing.TB, text string) fstest.MapFS {
	profile, err := os.ReadFile("testdata/example/profiles/tropical-forest-floor.yaml")
	require.NoError(t, err)
	return fstest.MapFS{
		"site.yaml":    {Data: []byte(text), Mode: 0o644},
		"profile.yaml": {Data: profile, Mode: 0o644},
	}
}

// basis is a small valid configuration that the tests below alter.
const basis = `site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
profiles: [profile.yaml]
places:
  - {id: loft, kind: room}
  - {id: tub-1, kind: enclosure, in: loft}
cohorts:
  - {id: a-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-09-01}]}
sensors:
  - {id: probe, driver: w1, address: 28-00000b3c5d1e, feeds: {temperature: tub-1/water-temperature}}
  - {id: air, driver: sht4x, bus: I2C1, feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}}
`

// oneUser is a web user with a password.
const oneUser = "users: [{name: ines, role: operator, password-hash-file: /run/ines.hash}]"

// withWord writes a problem with its line and, in place of its column, the word or sign of the text at that column.
func withWord(text string, p Problem) string {
	line := []rune(strings.Split(text, "\n")[p.Line-1])
	word := regexp.MustCompile(`^("[^"]*"|[^\s,{}\[\]"]+|.?)`).FindString(string(line[p.Column-1:]))
	severity := ""
	if p.Severity == Warning {
		severity = "warning: "
	}
	return fmt.Sprintf("%d %s %s%s", p.Line, strings.TrimSuffix(word, ":"), severity, p.Message)
}

// TestWhatMustFit makes single changes to a good configuration and compares the problems: the line, the word to which the
// column points, and the message.
func TestWhatMustFit(t *testing.T) {
	cases := []struct {
		name     string
		replace  string // a part of basis; "" appends
		by       string
		expected []string
	}{
		{"nothing wrong", "", "", nil},
		{"an empty value is an absent one", "", "history:\nnotify: ~\n", nil},
		{"integers are ids too", "site: north-loft", "site: 7", nil},
		{"a site without an id", "site: north-loft\n", "", []string{"1 timezone the site has no id: site: north-loft"}},
		{"a site without a time zone", "timezone: Europe/Lisbon\n", "", []string{"1 site warning: the site has no time zone for its days and dates, so UTC is assumed: timezone: Europe/Lisbon"}},
		{"the machine's own time zone", "Europe/Lisbon", "Local", []string{`2 Local unknown timezone "Local": write an IANA name such as Europe/Lisbon`}},
		{"a town for a time zone", "Europe/Lisbon", "lisbon", []string{`2 lisbon unknown timezone "lisbon": did you mean "Europe/Lisbon"?`}},
		{"a slip in a time zone", "Europe/Lisbon", "Europe/Lissbon", []string{`2 Europe/Lissbon unknown timezone "Europe/Lissbon": did you mean "Europe/Lisbon"?`}},
		{"a time zone with a way out of the database", "Europe/Lisbon", "../../etc/passwd", []string{`2 ../../etc/passwd unknown timezone "../../etc/passwd": write an IANA name such as Europe/Lisbon`}},
		{"no places", "places:\n  - {id: loft, kind: room}\n  - {id: tub-1, kind: enclosure, in: loft}\ncohorts:\n  - {id: a-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-09-01}]}\nsensors:\n  - {id: probe, driver: w1, address: 28-00000b3c5d1e, feeds: {temperature: tub-1/water-temperature}}\n  - {id: air, driver: sht4x, bus: I2C1, feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}}\n", "places: []\n",
			[]string{"5 places the site has no places: give at least one room or enclosure under places", "1 site warning: there are no sensors: replay can use this configuration, a running daemon would watch nothing"}},
		{"a list for a mapping", `{day: "07:00-19:00"}`, "[]", []string{"3 light a mapping is wanted here, and this is a list"}},
		{"a word for a list", "[profile.yaml]", "profile.yaml", nil},

		{"a band that nothing feeds", "{id: loft, kind: room}", "{id: loft, kind: room, bands: {surface-temperature: {high: 30 °C}}}",
			[]string{"6 surface-temperature nothing will measure loft/surface-temperature, so this band watches nothing: no sensor feeds loft/surface-temperature"}},
		{"a derived band that is fed", "{id: loft, kind: room}", "{id: loft, kind: room, bands: {dew-point: {high: 20 °C}, vapour-pressure-deficit: {high: 2 kPa}, absolute-humidity: {high: 20 g/m3}}}", nil},
		{"a derived band without one of its inputs", "{id: loft, kind: room}", "{id: loft, kind: room, bands: {condensation-margin: {low: 1 K}}}",
			[]string{"6 condensation-margin nothing will measure loft/condensation-margin, so this band watches nothing: no sensor feeds loft/surface-temperature"}},
		{"oxygen needs pressure", "in: loft}", "in: loft, bands: {oxygen-saturation: {low: 7 mg/L}}}",
			[]string{"7 oxygen-saturation nothing will measure tub-1/oxygen-saturation, so this band watches nothing: no sensor feeds tub-1/pressure"}},
		{"without sensors nothing is said of it", "sensors:\n  - {id: probe, driver: w1, address: 28-00000b3c5d1e, feeds: {temperature: tub-1/water-temperature}}\n  - {id: air, driver: sht4x, bus: I2C1, feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}}\n", "",
			[]string{"1 site warning: there are no sensors: replay can use this configuration, a running daemon would watch nothing"}},

		{"a night band without light hours", `light: {day: "07:00-19:00"}` + "\n", "", nil},
		{"a night band of a profile without light hours", "light: {day: \"07:00-19:00\"}\nprofiles: [profile.yaml]\nplaces:\n  - {id: loft, kind: room}\n  - {id: tub-1, kind: enclosure, in: loft}\ncohorts:\n  - {id: a-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: larva", "profiles: [profile.yaml]\nplaces:\n  - {id: loft, kind: room}\n  - {id: tub-1, kind: enclosure, in: loft}\ncohorts:\n  - {id: a-2026, profile: tropical-forest-floor, place: loft, stages: [{stage: adult",
			[]string{`8 tropical-forest-floor warning: care profile tropical-forest-floor has bands for the night, which never hold, since the site gives no light hours: light: {day: "07:00-19:00"}`}},
		{"a stage the profile does not know", "stage: larva", "stage: egg", []string{"9 egg warning: care profile tropical-forest-floor says nothing about the stage egg: no band holds then"}},
		{"a refused stage leaves the places of the others", "{stage: larva, since: 2026-09-01}", "{stage: larvae, since: 2026-09-01}, {stage: adult, since: 2026-09-03}, {stage: adult, since: 2026-09-02}",
			[]string{
				`9 larvae unknown stage "larvae": did you mean "larva"?`,
				"9 2026-09-02 stages must stand in the order of time: 2026-09-02T00:00:00+01:00 is not after 2026-09-03T00:00:00+01:00",
			}},
		{"two cohorts of one stage share a place", "sensors:", "  - {id: b-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-09-02}]}\nsensors:", nil},
		{"two cohorts that differ share a place", "cohorts:", "cohorts:\n  - {id: b-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: egg, since: 2026-09-02}]}",
			[]string{
				"9 egg warning: care profile tropical-forest-floor says nothing about the stage egg: no band holds then",
			}},
		{"a band of a place that meets that of its cohort", "{id: tub-1, kind: enclosure, in: loft}", "{id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {high: 23 °C}}}", nil},
		{"a band of a place that does not meet that of its cohort", "{id: tub-1, kind: enclosure, in: loft}", "{id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {low: 35 °C}}}",
			[]string{
				"7 water-temperature no water-temperature suits all of tub-1 from 2026-09-01 on: the band of tub-1 and that of a-2026 (larva) leave no value in band: change one of them, or let the band of the place say override: true",
			}},
		{"it overrides", "{id: tub-1, kind: enclosure, in: loft}", "{id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {low: 35 °C, override: true}}}", nil},
		{"an override that is none", "{id: loft, kind: room}", "{id: loft, kind: room, bands: {air-temperature: {high: 26 °C, override: maybe}}}",
			[]string{
				"6 maybe true or false is wanted here, and this is \"maybe\"",
			}},

		{"a second probe with one code", "sensors:", "sensors:\n  - {id: other, driver: w1, address: 28-00000B3C5D1E, feeds: {temperature: tub-1/water-temperature}}",
			[]string{`12 28-00000b3c5d1e sensor "other" reads this device already (line 11): let one sensor feed all its points`}},
		{"another address of one bus", "sensors:", "sensors:\n  - {id: other, driver: sht4x, bus: i2c-1, address: 0x45, feeds: {temperature: tub-1/air-temperature}}", nil},
		{"one address of another bus", "sensors:", "sensors:\n  - {id: other, driver: sht4x, bus: I2C3, feeds: {temperature: tub-1/air-temperature}}", nil},
		{"one address, two parts", "sensors:", "sensors:\n  - {id: other, driver: hdc302x, bus: i2c-1, feeds: {temperature: tub-1/air-temperature}}",
			[]string{`13 { sensor "other" answers at 0x44 of I2C1 already (line 11)`}},
		{"two channels of a multiplexer", "bus: I2C1,", "bus: I2C1, mux: {address: 0x70, channel: 1}, feeds: {temperature: loft/air-temperature}}\n  - {id: other, driver: sht4x, bus: I2C1, mux: {address: 0x70, channel: 2},", nil},
		{"one channel of a multiplexer", "bus: I2C1,", "bus: I2C1, mux: {address: 0x70, channel: 1}, feeds: {temperature: loft/air-temperature}}\n  - {id: other, driver: sht4x, bus: I2C1, mux: {address: 0x70, channel: 1},",
			[]string{`13 { sensor "air" answers at 0x44 of I2C1 already (line 12)`}},
		{"behind and beside a multiplexer", "bus: I2C1,", "bus: I2C1, feeds: {temperature: loft/air-temperature}}\n  - {id: other, driver: sht4x, bus: I2C1, mux: {address: 0x70, channel: 1},",
			[]string{`13 { sensor "air" answers at 0x44 of I2C1 already (line 12)`}},
		{"a multiplexer at the address of its device", "sensors:", "sensors:\n  - {id: other, driver: bme280, bus: I2C1, address: 0x76, mux: {address: 0x76, channel: 0}, feeds: {temperature: loft/air-temperature}}",
			[]string{"11 0x76 the multiplexer has the address 0x76 itself (line 11): give one of the two another address"}},
		{"a multiplexer at the address of another device", "sensors:", "sensors:\n  - {id: other, driver: bme280, bus: I2C1, address: 0x76, feeds: {temperature: loft/air-temperature}}\n  - {id: third, driver: sht4x, bus: I2C1, mux: {address: 0x76, channel: 0}, address: 0x46, feeds: {temperature: loft/air-temperature}}",
			[]string{`12 0x76 sensor "other" answers at 0x76 of I2C1 already (line 11)`}},
		{"two probes at one bridge", "sensors:", "sensors:\n  - {id: one, driver: ds248x, bus: I2C1, address: 28-00000b3c5d1f, feeds: {temperature: tub-1/water-temperature}}\n  - {id: two, driver: ds248x, bus: I2C1, address: 28-00000b3c5d20, feeds: {temperature: tub-1/water-temperature}}", nil},
		{"a bridge and a thermometer at one address", "sensors:", "sensors:\n  - {id: one, driver: mcp9808, bus: I2C1, feeds: {temperature: tub-1/air-temperature}}\n  - {id: two, driver: ds248x, bus: I2C1, bridge: 0x18, address: 28-00000b3c5d20, feeds: {temperature: tub-1/water-temperature}}",
			[]string{`12 0x18 sensor "one" answers at 0x18 of I2C1 already (line 11)`}},

		{"a part that hates dew in a wet place", "{id: loft, kind: room}", "{id: loft, kind: room, bands: {relative-humidity: {low: 80 %, high: 95 %}}}", nil},
		{"a BME280 in a wet place", "{id: loft, kind: room}\n  - {id: tub-1, kind: enclosure, in: loft}\ncohorts:\n  - {id: a-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-09-01}]}\nsensors:",
			"{id: loft, kind: room, bands: {relative-humidity: {low: 80 %, high: 95 %}}}\n  - {id: tub-1, kind: enclosure, in: loft}\ncohorts:\n  - {id: a-2026, profile: tropical-forest-floor, place: tub-1, stages: [{stage: larva, since: 2026-09-01}]}\nsensors:\n  - {id: bme, driver: bme280, bus: I2C1, feeds: {humidity: loft/relative-humidity}}",
			[]string{"11 bme280 warning: bme280 is rated for air in which nothing condenses, and its own band of loft goes above 90 %RH: it will drift there, prefer an SHT3x, SHT4x or HDC302x"}},
		{"a BME280 with animals that want it wet", "sensors:", "  - {id: b-2026, profile: tropical-forest-floor, place: loft, stages: [{stage: adult, since: 2026-09-01}]}\nsensors:\n  - {id: bme, driver: bme280, bus: I2C1, feeds: {humidity: loft/relative-humidity}}",
			[]string{"12 bme280 warning: bme280 is rated for air in which nothing condenses, and the band of b-2026 at the stage adult of loft goes above 90 %RH: it will drift there, prefer an SHT3x, SHT4x or HDC302x"}},
		{"a carbon dioxide channel", "driver: sht4x, bus: I2C1, feeds: {", "driver: scd4x, bus: I2C1, feeds: {co2: loft/relative-humidity, ", []string{"12 co2 channel co2 belongs to no quantity that dewline watches"}},
		{"an option of another driver", "driver: sht4x,", "driver: sht4x, topic: x,", []string{"12 x topic is an option of the drivers mqtt, not of sht4x"}},
		{"a sensor that feeds nothing", ", feeds: {temperature: tub-1/water-temperature}", "", []string{`11 { sensor "probe" feeds nothing: give feeds: {temperature: place/quantity}`}},
		{"mqtt without a broker", "driver: w1, address: 28-00000b3c5d1e,", "driver: mqtt, topic: t, unit: degC,", []string{`11 { sensor "probe" has no broker to listen to: give mqtt: {broker: …}, or a broker of its own`}},
		{"a bare number of a message without its unit", "driver: w1, address: 28-00000b3c5d1e,", "driver: mqtt, broker: \"mqtt://localhost\", topic: t, pointer: /x,", []string{`11 { sensor "probe" has no unit for temperature, in which a payload has bare numbers: unit: {temperature: Cel}`}},
		{"a unit of another quantity", "driver: w1, address: 28-00000b3c5d1e,", "driver: mqtt, broker: \"mqtt://localhost\", topic: t, unit: kPa,", []string{"11 kPa kPa is not a unit of air-temperature (try °C)"}},
		{"too many points", "driver: w1,", "driver: w1, calibration: {temperature: {points: [{measured: 0 °C, reference: 0 °C}, {measured: 20 °C, reference: 20 °C}, {measured: 40 °C, reference: 40 °C}]}},",
			[]string{"11 points calibrating water-temperature: 3 points are given, and a straight line takes one or two: the two that lie farthest apart will do"}},
		{"an offset beyond belief", "driver: w1,", "driver: w1, calibration: {temperature: {offset: 12 K}},",
			[]string{"11 12 calibrating water-temperature: the sensor is off by -12.00 K, more than the 5 K that a correction may hide: check the reference, then replace the sensor"}},

		{"panels", "", "panels:\n  - {title: Larvae, span: 1w, charts: [[tub-1/water-temperature, loft/air-temperature, loft/dew-point], relative-humidity]}\n  - {title: Air, charts: loft/vapour-pressure-deficit}\n", nil},
		{"a panel without a title", "", "panels:\n  - {charts: [water-temperature]}\n", []string{"14 { this panel has no title: {title: Tub by the window, charts: [tub-1/water-temperature]}"}},
		{"a panel without charts", "", "panels: [{title: Larvae}]\n", []string{"13 { this panel has no charts: {title: Tub by the window, charts: [tub-1/water-temperature]}"}},
		{"two panels of one title", "", "panels:\n  - {title: Larvae, charts: [water-temperature]}\n  - {title: Larvae, charts: [air-temperature]}\n", []string{`15 Larvae there is a panel "Larvae" already (line 14): titles are given once`}},
		{"a span that is none", "", "panels: [{title: Larvae, span: 2w, charts: [water-temperature]}]\n", []string{`13 2w unknown span "2w": known here are 1d, 1w, 1m, 1y`}},
		{"slips in a panel", "", "panels:\n  - title: Larvae\n    charts:\n      - tub-1/water-temprature\n      - tub-2/water-temperature\n      - water-temprature\n      - []\n      - [tub-1/water-temperature, tub-1/water-temperature]\n", []string{
			`16 tub-1/water-temprature unknown quantity "water-temprature": did you mean "water-temperature"? (a point is written place/quantity)`,
			`17 tub-2/water-temperature unknown place "tub-2": did you mean "tub-1"?`,
			`18 water-temprature unknown quantity "water-temprature": did you mean "water-temperature"? (a point is written place/quantity)`,
			"19 [ this chart is empty: [tub-1/water-temperature, loft/air-temperature]",
			"20 [ tub-1/water-temperature is in this chart already",
		}},
		{"a panel of what nothing measures", "", "panels: [{title: Panes, charts: [loft/condensation-margin, oxygen-saturation]}]\n", []string{
			"13 loft/condensation-margin there will be nothing to draw of loft/condensation-margin: no sensor feeds loft/surface-temperature",
			"13 oxygen-saturation no place has oxygen-saturation: no sensor feeds it",
		}},
		{"two units in one chart", "", "panels: [{title: Air, charts: [[loft/air-temperature, loft/relative-humidity]]}]\n", []string{
			"13 [ loft/air-temperature and loft/relative-humidity have different units, and one chart has one: draw them one below the other",
		}},
		{"too much to look at", "", "panels: [{title: Air, charts: [[loft/air-temperature, loft/dew-point, tub-1/water-temperature, loft/air-temperature, loft/dew-point]" + strings.Repeat(", tub-1/water-temperature", 8) + "]}]\n", []string{
			"13 charts this panel has 9 charts, and a page takes 8: make two panels of it",
			"13 [ 5 lines in one chart cannot be told apart: 4 at most",
			"13 [ loft/air-temperature is in this chart already",
			"13 [ loft/dew-point is in this chart already",
		}},

		{"pages for everybody", "", "web: {listen: \":8420\"}\n", []string{`13 ":8420" :8420 can be reached from other machines, and nobody would have to log in: give users (dewline password makes the files), or listen on 127.0.0.1`}},
		{"pages for everybody with TLS", "", "web: {listen: \":8420\", certificate-file: /run/c, key-file: /run/k, users: []}\n", []string{`13 ":8420" :8420 can be reached from other machines, and nobody would have to log in: give users (dewline password makes the files), or listen on 127.0.0.1`}},
		{"passwords in clear", "", "web: {listen: \"192.168.1.10:8420\", " + oneUser + "}\n", []string{`13 "192.168.1.10:8420" 192.168.1.10:8420 can be reached from other machines, and passwords would cross the network unencrypted: give certificate-file and key-file, or behind-proxy: true where a proxy speaks TLS`}},
		{"pages with TLS", "", "web: {listen: \":8420\", hosts: loft.example, certificate-file: /run/c, key-file: /run/k, " + oneUser + "}\n", nil},
		{"pages behind a proxy", "", "web: {listen: \"192.168.1.10:8420\", hosts: [loft.example], behind-proxy: true, trusted-proxies: [192.168.1.2, \"fd00::/8\"], " + oneUser + "}\n", nil},
		{"pages behind a proxy that is not named", "", "web: {listen: \"192.168.1.10:8420\", hosts: [loft.example], behind-proxy: true, " + oneUser + "}\n", []string{"13 true warning: other machines can reach 192.168.1.10:8420, and only a proxy on this machine is believed and answered: listen on 127.0.0.1, or name the proxy's address: trusted-proxies: [192.168.1.2]"}},
		{"everybody a proxy", "", "web: {hosts: [loft.example], behind-proxy: true, trusted-proxies: [0.0.0.0/0, here], " + oneUser + "}\n", []string{
			"13 trusted-proxies 0.0.0.0/0 is every address there is: anybody could say who asks. Name the proxy's own",
			`13 here "here" is neither an address such as 192.168.1.2 nor a network such as 192.168.1.0/24`,
		}},
		{"a proxy that is not there", "", "web: {trusted-proxies: 127.0.0.1}\n", []string{"13 127.0.0.1 warning: no proxy is believed without behind-proxy: true"}},
		{"pages behind a proxy on this machine", "", "web: {hosts: [loft.example], behind-proxy: true, " + oneUser + "}\n", nil},
		{"pages without a name", "", "web: {listen: \":8420\", behind-proxy: true, trusted-proxies: [192.168.1.2], " + oneUser + "}\n", []string{`13 ":8420" warning: the pages answer to the address of this machine only, and to no name: give hosts: [loft.example]`}},
		{"a proxy without a name", "", "web: {behind-proxy: true, " + oneUser + "}\n", []string{"13 true warning: requests that a proxy hands on under its own name are refused unless that name stands in hosts: [loft.example]"}},
		{"a proxy that lets everybody in", "", "web: {hosts: [loft.example], behind-proxy: true}\n", []string{"13 true warning: there are no users, so that everybody whom the proxy lets in may look and act: give users"}},
		{"half a certificate", "", "web: {certificate-file: /run/c}\n", []string{"13 /run/c certificate-file and key-file belong together: give both"}},
		{"a user for everything", "", "web: {users: [{name: ines, role: operator, password-hash-file: /run/a, token-file: /run/b}]}\n", []string{"13 /run/b give either password-hash-file, for a person, or token-file, for a program"}},
		{"a user who is the program", "", "web: {users: [{name: Dewline, role: operator, token-file: /run/b}]}\n", []string{`13 Dewline "Dewline" is what the journal calls the program itself: choose another name`}},
		{"pages for this machine", "", "web: {listen: \"[::1]:8420\"}\n", nil},
		{"two listeners in one place", "", "web: {listen: 127.0.0.1:1883}\nmqtt: {embedded: {listen: 127.0.0.1:1883}}\n", []string{"14 127.0.0.1:1883 the web pages listen on 127.0.0.1:1883 too (line 13)"}},
		{"mqtt without anything", "", "mqtt: {username: x}\n", []string{"13 mqtt mqtt has no broker: broker: mqtt://127.0.0.1:1883, or embedded: {listen: 127.0.0.1:1883}"}},
		{"a password in clear", "", "mqtt: {broker: \"mqtt://broker.example\", username: x, password-file: /run/x}\n", []string{`13 "mqtt://broker.example" warning: the password crosses the network to broker.example unencrypted: use mqtts://`}},
		{"a password over TLS", "", "mqtt: {broker: \"mqtts://broker.example\", username: x, password-file: /run/x}\n", nil},
		{"a certificate without TLS", "", "mqtt: {broker: \"mqtt://broker.example\", ca-file: /run/x}\n", []string{
			"13 /run/x warning: certificates are not used with mqtt://broker.example, which is not encrypted: write mqtts://",
		}},
		{"a notifier without its broker", "", "notify: [{via: mqtt}]\n", []string{"13 mqtt via: mqtt needs a broker: give mqtt: {broker: mqtt://127.0.0.1:1883}"}},
		{"mail that says nothing", "", "notify: [{via: mail}]\n", []string{
			"13 { mail needs a receiver: to: keeper@example.org",
			"13 { mail needs a sender: from: dewline@example.org",
			"13 { mail needs a server: server: smtp.example.org:587",
		}},
		{"mail without its password", "", "notify: [{via: mail, server: \"smtp.example:587\", from: a@example.org, to: [b@example.org], username: a}]\n", []string{
			"13 a a user name without a password: give password-file as well",
		}},
		{"a user with our own name", "", "mqtt: {embedded: {listen: 127.0.0.1:1883, users: [{name: dewline-daemon, password-file: /run/x}]}}\n", []string{
			`13 dewline-daemon "dewline-daemon" is the name under which dewline itself uses its broker: take another`,
		}},
		{"a sensor with the name of a notifier", "id: probe", "id: outlet-mail", []string{
			`11 outlet-mail no sensor can have the id "outlet-mail": the alarms of dewline's own parts have such names`,
		}},
		{"escalation and quiet hours", "", "notify:\n  - {via: webhook, url: \"https://keeper.example\", quiet: \"22:00-07:00\"}\n  - {via: webhook, url: \"https://friend.example\", priorities: [high, critical], after: 20m}\n", nil},
		{"an escalation that comes too late", "", "notify:\n  - {via: webhook, url: \"https://keeper.example\"}\n  - {via: webhook, url: \"https://friend.example\", priorities: [high, critical], after: 40m}\n", []string{
			"15 40m warning: the worst alarm that this notifier takes asks for action within 30m, so after 40m its message comes too late",
		}},
		{"an escalation in no time", "", "notify:\n  - {via: webhook, url: \"https://keeper.example\"}\n  - {via: webhook, url: \"https://friend.example\", after: 10s}\n", []string{
			"15 10s an alarm can hardly be confirmed within 10s: give at least 1m",
		}},
		{"an escalation of nothing", "", "notify: [{via: webhook, url: \"https://keeper.example\", priorities: [critical], after: 5m}]\n", []string{
			"13 5m warning: nobody is told of critical alarms at once: let another notifier without after take that priority",
		}},
		{"quiet hours of what is urgent", "", "notify: [{via: webhook, url: \"https://keeper.example\", priorities: [high, critical], quiet: \"22:00-07:00\"}]\n", []string{
			`13 "22:00-07:00" quiet hours hold back low and medium alarms, and this notifier takes neither: high and critical ones always go out at once`,
		}},
		{"quiet hours without an end", "", "notify: [{via: webhook, url: \"https://keeper.example\", quiet: \"22:00-22:00\"}]\n", []string{
			`13 "22:00-22:00" quiet hours must begin and end at different times: with these no low or medium alarm would ever go out`,
		}},
		{"quiet hours in words", "", "notify: [{via: webhook, url: \"https://keeper.example\", quiet: at night}]\n", []string{
			`13 at quiet hours "at night" are not of the form 07:00-19:00`,
		}},
		{"machines have no quiet hours", "", "mqtt: {broker: \"mqtt://127.0.0.1\"}\nnotify: [{via: mqtt, quiet: \"22:00-07:00\"}]\n", []string{
			`14 "22:00-07:00" quiet is no option of via: mqtt, whose events are for programs and always go out at once`,
		}},
		{"an earlier name of via", "", "mqtt: {broker: \"mqtt://127.0.0.1\"}\nnotify: [{outlet: mqtt}]\n", []string{
			"14 mqtt warning: write via: mqtt in place of outlet: mqtt, which is an earlier name of the key",
		}},
		{"an earlier webhook", "", "notify: [{outlet: webhook, url: \"https://keeper.example\"}]\n", []string{
			"13 webhook warning: write via: webhook in place of outlet: webhook. It still sends CloudEvents, which programs read: for a person write format: text as well, which via has without it",
		}},
		{"an earlier webhook with a format", "", "notify: [{outlet: webhook, url: \"https://keeper.example\", format: json}]\n", []string{
			"13 webhook warning: write via: webhook in place of outlet: webhook, which is an earlier name of the key",
		}},
		{"two names of one key", "", "notify: [{via: webhook, outlet: webhook, url: \"https://keeper.example\"}]\n", []string{
			"13 webhook outlet is an earlier name of via: give via only",
		}},
		{"a notifier of no kind", "", "notify: [{url: \"https://keeper.example\"}]\n", []string{
			"13 { this entry does not say by which way: via: mqtt, webhook or mail",
		}},
		{"a format of nobody's", "", "notify: [{via: webhook, url: \"https://keeper.example\", format: xml}]\n", []string{
			`13 xml unknown format "xml": known here are text, json, cloudevent`,
		}},
		{"a title without a text", "", "notify: [{via: webhook, url: \"https://keeper.example\", format: json, title-header: Title}]\n", []string{
			"13 Title title-header belongs to format: text; the others carry the title in their body",
		}},
		{"a title in two words", "", "notify: [{via: webhook, url: \"https://keeper.example\", title-header: \"My Title\"}]\n", []string{
			`13 "My Title" "My Title" is not the name of a header, such as Title or X-Title`,
		}},
		{"a title where the token is", "", "notify: [{via: webhook, url: \"https://keeper.example\", title-header: Authorization}]\n", []string{
			`13 Authorization "Authorization" has a meaning of its own in a request: the title needs another header, such as Title`,
		}},
		{"a template with a mistyped field", "", "notify: [{via: webhook, url: \"https://keeper.example\", template: \"{{.Title}} {{.Fields.Valeu}}\"}]\n", []string{
			`13 .Valeu the template cannot be used: <.Fields.Valeu>: can't evaluate field Valeu in the fields of a message`,
		}},
		{"a template in a block", "", "notify:\n  - via: webhook\n    url: \"https://keeper.example\"\n    template: |\n      {{.Title}}\n      at {{shout .Text}}\n", []string{
			`18 shout the template cannot be used: function "shout" not defined`,
		}},
		{"a template that is no JSON", "", "notify: [{via: webhook, url: \"https://keeper.example\", format: json, template: '{\"say\": \"{{.Text}}\"}'}]\n", []string{
			`13 ' this template does not write JSON: put values in by {{json .Text}}, which quotes them, as in {"text": {{json .Text}}}`,
		}},
		{"a template of JSON", "", "notify: [{via: webhook, url: \"https://keeper.example\", format: json, template: '{\"say\": {{json .Text}}}'}]\n", nil},
		{"a template of an event", "", "notify: [{via: webhook, url: \"https://keeper.example\", format: cloudevent, template: '{{.Text}}'}]\n", []string{
			`13 ' a template writes format: text or json; a CloudEvent has a form of its own`,
		}},
		{"a template that is not there", "", "notify: [{via: webhook, url: \"https://keeper.example\", template: push.tmpl}]\n", []string{
			"13 push.tmpl the template push.tmpl: the file does not exist",
		}},
		{"where the phone finds the pages", "", "web: {public-url: loft.example}\n", []string{
			"13 loft.example this is not an address such as https://host.example:port",
		}},
		{"weekly tests", "", "mqtt: {broker: \"mqtt://127.0.0.1\"}\nnotify: [{via: mqtt, test: \"Sunday 10:00\"}, {via: webhook, url: \"https://keeper.example\", test: \"friday 00:00\"}]\n", nil},
		{"a test without a day", "", "notify: [{via: webhook, url: \"https://keeper.example\", test: \"10:00\"}]\n", []string{
			`13 "10:00" test "10:00" is not of the form sunday 10:00`,
		}},
		{"a test on no day", "", "notify: [{via: webhook, url: \"https://keeper.example\", test: \"sunda 10:00\"}]\n", []string{
			`13 "sunda 10:00" unknown weekday "sunda": did you mean "sunday"?`,
		}},
		{"a test at no hour", "", "notify: [{via: webhook, url: \"https://keeper.example\", test: \"sunday 10\"}]\n", []string{
			`13 "sunday 10" time of day "10" is not of the form 07:00`,
		}},
		{"a test at the end of the day", "", "notify: [{via: webhook, url: \"https://keeper.example\", test: \"sunday 24:00\"}]\n", []string{
			`13 "sunday 24:00" test "sunday 24:00": the day ends then: give 00:00 of the next`,
		}},
		{"a heartbeat of a racing heart", "", "heartbeat: {url: \"https://keeper.example\", every: 1s}\n", []string{"13 1s a heartbeat more often than every 30s is taken for an attack by many services"}},
		{"a digest without an hour", "", "digest: {}\n", []string{"13 digest the digest has no hour: give one, such as at: \"19:00\""}},
		{"a digest at no time of day", "", "digest: {at: \"25:00\"}\n", []string{"13 \"25:00\" time of day \"25:00\" is not of the form 07:00"}},
		{"a digest at the end of the day", "", "digest: {at: \"24:00\"}\n", []string{"13 \"24:00\" time of day \"24:00\": the day ends then: give 00:00"}},
		{"an export to nowhere", "", "export: {}\n", []string{"13 export nothing is said of where to: remote-write: {url: https://…}"}},
		{"an export without an address", "", "export: {remote-write: {}}\n", []string{
			"13 remote-write the metrics store has no address: url: https://metrics.example/api/v1/write, or url-file where the address is a secret",
		}},
		{"an export without a history", "", "export: {remote-write: {url: \"https://metrics.example\"}}\n", []string{
			"13 remote-write what is exported is read from the history, and there is none: history: {path: …}",
		}},
		{"an export with everything twice", "", "history: {path: /var/lib/h.db}\nexport: {remote-write: {url: \"https://metrics.example\", url-file: /run/x, token-file: /run/t, username: loft, ca-file: /run/ca, sinse: 7d}}\n", []string{
			`14 sinse unknown key "sinse": did you mean "since"?`,
			"14 /run/x give either url or url-file",
			"14 /run/t give either token-file, or username and password-file",
		}},
		{"a token in clear", "", "history: {path: /var/lib/h.db}\nexport: {remote-write: {url: \"http://metrics.example\", token-file: /run/t, ca-file: /run/ca}}\n", []string{
			`14 "http://metrics.example" warning: the secret crosses the network to metrics.example unencrypted: use https://`,
			"14 /run/ca warning: a certificate is not used with http://, which is not encrypted: write https://",
		}},
		{"two addresses of one heartbeat", "", "heartbeat: {url: \"https://keeper.example\", url-file: /run/x}\n", []string{"13 /run/x give either url or url-file"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := basis + c.by
			if c.replace != "" {
				require.Equal(t, 1, strings.Count(basis, c.replace), "the part to replace must stand there once")
				text = strings.Replace(basis, c.replace, c.by, 1)
			}
			site, problems := LoadFS(filesOf(t, text), "site.yaml")
			var got []string
			for _, problem := range problems {
				got = append(got, withWord(text, problem))
			}
			assert.ElementsMatch(t, c.expected, got)
			assert.Equal(t, problems.Err() == nil, site != nil, "a site exactly where there is no error")
		})
	}
}

// TestPressureOfTheRoomServesItsEnclosures: oxygen saturation of a tub takes the pressure measured in its room.
func TestPressureOfTheRoomServesItsEnclosures(t *testing.T) {
	text := strings.Replace(basis, "in: loft}", "in: loft, bands: {oxygen-saturation: {low: 7 mg/L}}}", 1) +
		"  - {id: baro, driver: bmp280, bus: I2C1, feeds: {pressure: loft/pressure}}\n"
	_, problems := LoadFS(filesOf(t, text), "site.yaml")
	assert.Empty(t, problems)
}

func TestSecretFiles(t *testing.T) {
	text := basis + "mqtt: {broker: \"mqtt://127.0.0.1\", username: x, password-file: /etc/dewline/mqtt}\n"
	cases := []struct {
		name     string
		file     *fstest.MapFile
		expected string
	}{
		{"kept close", &fstest.MapFile{Mode: 0o640}, ""},
		{"open to all", &fstest.MapFile{Mode: 0o644}, "site.yaml:13:64: warning: /etc/dewline/mqtt is open to every user of this machine: chmod o= it"},
		{"absent", nil, "site.yaml:13:64: warning: /etc/dewline/mqtt does not exist"},
		{"a folder", &fstest.MapFile{Mode: 0o700 | os.ModeDir}, "site.yaml:13:64: /etc/dewline/mqtt is not a file (it is a folder)"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			fsys := filesOf(t, text)
			if c.file != nil {
				fsys["etc/dewline/mqtt"] = c.file
			}
			_, problems := LoadFS(fsys, "site.yaml")
			assert.Equal(t, c.expected, problems.String())
		})
	}
}

// TestSecretsStayInTheirFiles: neither the model nor the problems show what is in a secret's file.
func TestSecretsStayInTheirFiles(t *testing.T) {
	fsys := filesOf(t, basis+"mqtt: {broker: \"mqtt://127.0.0.1\", username: x, password-file: /run/secret}\n")
	fsys["run/secret"] = &fstest.MapFile{Data: []byte("hunter-2-and-a-half"), Mode: 0o644}
	site, problems := LoadFS(fsys, "site.yaml")
	require.NotNil(t, site)
	assert.NotContains(t, fmt.Sprintf("%+v %#v %v", site, site, problems), "hunter")
}

func TestFilesThatCannotBeRead(t *testing.T) {
	fsys := filesOf(t, basis)
	fsys["folder/x"] = &fstest.MapFile{}
	for name, expected := range map[string]string{
		"absent.yaml": "absent.yaml: the file does not exist",
		"folder":      "folder: this is not a file (it is a folder)",
	} {
		site, problems := LoadFS(fsys, name)
		assert.Nil(t, site)
		assert.Equal(t, expected, problems.String())
	}
	site, problems := Load(t.TempDir())
	assert.Nil(t, site)
	assert.ErrorContains(t, problems.Err(), "it is a folder")
}

// TestValidateOfASiteBuiltInCode: without a file behind it a problem names the value by its path in the model.
func TestValidateOfASiteBuiltInCode(t *testing.T) {
	band := care.NoBand()
	band.Limits[care.High] = 20
	band.Limits[care.Low] = 25
	site := &Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, AlwaysDay: true},
		Places: []Place{{ID: "loft", Room: true, Bands: map[quantity.Quantity]care.DayNight{
			quantity.AirTemperature: {Day: band, Night: band},
		}}},
		Sensors: []SensorConfig{
			{ID: "a", Driver: "sim", Every: 10 * time.Second, Feeds: map[sensors.Channel]quantity.Point{sensors.Temperature: {Place: "loft", Quantity: quantity.AirTemperature}}},
			{ID: "b", Driver: "smi"},
		},
	}
	assert.Equal(t, []string{
		"places[0].bands.air-temperature.high: high (20 °C = 68 °F) must lie above low (25 °C = 77 °F)",
		`sensors[1].driver: unknown driver "smi": did you mean "sim"?`,
	}, strings.Split(site.Validate().String(), "\n"))
	band.Limits[care.High] = 30
	site.Places[0].Bands[quantity.AirTemperature] = care.DayNight{Day: band, Night: band}
	site.Sensors = site.Sensors[:1]
	assert.Empty(t, site.Validate())
	site.Cohorts = []Cohort{{ID: "a-2026", Profile: "x", Stages: []care.Since{{Stage: care.Egg}}}}
	assert.Equal(t, []string{
		`cohorts[0].profile: unknown care profile "x": there is none`,
		`cohorts[0].stages[0]: a stage and the time since when belong together: "egg" since 0001-01-01T00:00:00Z`,
	}, strings.Split(site.Validate().String(), "\n"))
}

func TestIntervalsOfASensor(t *testing.T) {
	cases := []struct {
		name              string
		sensor            SensorConfig
		gap, stale, fault time.Duration
	}{
		{"fast", SensorConfig{Every: 10 * time.Second}, time.Minute, 2 * time.Minute, time.Minute},
		{"slow", SensorConfig{Every: 10 * time.Minute}, 30 * time.Minute, 50 * time.Minute, 30 * time.Minute},
		{"a wide gap", SensorConfig{Every: 10 * time.Second, Gap: time.Hour}, time.Hour, time.Hour, time.Minute},
		{"soon stale", SensorConfig{Every: 10 * time.Second, StaleAfter: time.Minute}, time.Minute, time.Minute, 55 * time.Second},
		{"stale in two reads", SensorConfig{Every: time.Minute, Gap: time.Minute, StaleAfter: 2 * time.Minute}, time.Minute, 2 * time.Minute, 90 * time.Second},
		{"stale at the next read", SensorConfig{Every: time.Minute, Gap: time.Minute, StaleAfter: time.Minute}, time.Minute, time.Minute, 30 * time.Second},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, c.gap, c.sensor.GapOrDefault())
			assert.Equal(t, c.stale, c.sensor.StaleAfterOrDefault())
			assert.Equal(t, c.fault, c.sensor.FaultAfter())
		})
	}
}

func TestCalibrationOf(t *testing.T) {
	site, problems := Load("testdata/everything/site.yaml")
	require.NoError(t, problems.Err())
	byID := map[string]*SensorConfig{}
	for i := range site.Sensors {
		byID[site.Sensors[i].ID] = &site.Sensors[i]
	}
	offset, err := byID["probe-1"].CalibrationOf(sensors.Temperature)
	require.NoError(t, err)
	assert.InDelta(t, 21.7, offset.Apply(22), 1e-12)
	assert.InDelta(t, 0.1, offset.Uncertainty, 1e-12)
	assert.Equal(t, "2026-08-14T23:00:00.000Z", offset.At.String(), "local midnight")

	line, err := byID["air-1"].CalibrationOf(sensors.Humidity)
	require.NoError(t, err)
	assert.InDelta(t, 75.3, line.Apply(75.9), 1e-12)
	assert.InDelta(t, 32.8, line.Apply(33.4), 1e-12)
	point, err := byID["air-1"].CalibrationOf(sensors.Temperature)
	require.NoError(t, err)
	assert.InDelta(t, 19.8, point.Apply(20), 1e-12)

	none, err := byID["air-2"].CalibrationOf(sensors.Temperature)
	require.NoError(t, err)
	assert.Nil(t, none)
	none, err = byID["probe-1"].CalibrationOf(sensors.Humidity)
	require.NoError(t, err)
	assert.Nil(t, none)
}

// Each option of a driver is a key that is read, and one that not every driver has.
func TestOptionsOfDrivers(t *testing.T) {
	for _, drv := range known {
		for _, key := range drv.Options {
			assert.Contains(t, sensorKeys, key, drv.Name)
			assert.NotContains(t, sharedSensorKeys, key, drv.Name)
		}
	}
	assert.Equal(t, "calibrate-every", sharedSensorKeys[len(sharedSensorKeys)-1], "sharedSensorKeys cuts sensorKeys after the shared ones")
}

// The feed needs to know where in a payload each channel is.
func TestFedChannelsAreLocated(t *testing.T) {
	text := func(options string) string {
		return "site: north-loft\ntimezone: Europe/Lisbon\nplaces: [{id: loft, kind: room}]\nmqtt: {broker: \"mqtt://127.0.0.1:1883\"}\nsensors:\n" +
			"  - {id: feather, driver: mqtt, topic: a/b, " + options + ", feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}}\n"
	}
	for options, want := range map[string]string{
		"unit: {temperature: Cel, humidity: '%RH'}":                                            "feeds one channel",
		"pointer: {temperature: /t}, unit: {temperature: Cel, humidity: '%RH'}":                "does not say where the channel humidity is",
		"senml: {humidity: rh}":                                                                "does not say where the channel temperature is",
		"pointer: {temperature: /t, humidity: /rh}, unit: {temperature: Cel, humidity: '%RH'}": "",
	} {
		_, problems := LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(text(options))}}, "site.yaml")
		if want == "" {
			assert.NoError(t, problems.Err(), options)
		} else {
			assert.ErrorContains(t, problems.Err(), want, options)
		}
	}
}
