package sensors_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/sensors"
	"dewline/sensors/aht20"
	"dewline/sensors/bme280"
	"dewline/sensors/board"
	"dewline/sensors/ds248x"
	"dewline/sensors/hdc302x"
	"dewline/sensors/htu21"
	"dewline/sensors/hwmon"
	"dewline/sensors/i2cbus"
	"dewline/sensors/iio"
	"dewline/sensors/kernelfile"
	"dewline/sensors/lm75"
	"dewline/sensors/mcp9808"
	"dewline/sensors/scd4x"
	"dewline/sensors/sensortest"
	"dewline/sensors/sensortest/kernelfiletest"
	"dewline/sensors/sht3x"
	"dewline/sensors/sht4x"
	"dewline/sensors/tmp102"
	"dewline/sensors/w1"
)

// The failures, in the order of the table: the kinds of package sensors, an error that none of them covers, and a read that
// never comes back.
var failures = []string{"absent", "busy", "checksum", "timeout", "implausible", "unknown", "hang"}

// patient is a driver under test with its device, its neighbour on the same bus, and how to break it.
type patient struct {
	config  string // of the sensor, without its feeds
	truth   map[sensors.Channel]float64
	sensor  sensors.Sensor
	bus     string
	beside  sensors.Sensor // nil where a bus has one sensor only
	broken  map[string]func()
	heal    func()
	publish func(h *house) // for a sensor that is fed
}

// feedsOf are the points that channels feed here, and how far a value may be from the truth before it is beyond the band.
var feedsOf = map[sensors.Channel]struct {
	quantity, unit string
	margin         float64
}{
	sensors.Temperature: {"air-temperature", "°C", 1},
	sensors.Humidity:    {"relative-humidity", "%RH", 5},
	sensors.Pressure:    {"pressure", "Pa", 1000},
}

// onWire makes the patient of a chip on an I²C bus.
func onWire(t *testing.T, driver string, truth map[sensors.Channel]float64) *patient {
	bus, part := sensortest.NewBus("I2C1"), &locked{chip: chips[driver]()}
	address := map[string]uint16{
		"sht4x": 0x44, "sht3x": 0x44, "htu21": 0x40, "bme280": 0x76, "bmp280": 0x76, "aht20": 0x38, "hdc302x": 0x44, "mcp9808": 0x18,
		"tmp102": 0x48, "lm75": 0x4C, "scd4x": 0x62, "ds248x": 0x18,
	}[driver]
	bus.Attach(address, part)
	const besideAddress = 0x4B
	bus.Attach(besideAddress, newTMP102())
	wire := i2cbus.Share(bus)
	beside, err := tmp102.New(wire, tmp102.Options{Address: besideAddress})
	require.NoError(t, err)
	p := &patient{
		config: fmt.Sprintf("driver: %s, bus: I2C1", driver), truth: truth, bus: "I2C1", beside: beside,
		heal: func() { part.heal(); bus.Heal() },
		broken: map[string]func(){
			"absent": func() { bus.Unplug(address) },
			"busy":   func() { bus.Fail(syscall.EBUSY) },
			"checksum": func() {
				bus.Garble(func(io i2ctest.IO) {
					if io.Addr == address && len(io.R) >= 3 {
						io.R[0] ^= 1
					}
				})
			},
			"timeout":     func() { bus.Delay(6 * time.Second) },
			"implausible": part.lie,
			"unknown":     func() { bus.Fail(syscall.EPERM) },
			"hang":        bus.Block,
		},
	}
	switch driver { // parts without a checksum: what the adapter says of a spoilt transfer
	case "bme280", "bmp280", "mcp9808", "tmp102", "lm75":
		p.broken["checksum"] = func() { bus.Fail(syscall.EIO) }
	}
	switch driver {
	case "sht4x":
		p.sensor, err = sht4x.New(wire, sht4x.Options{})
	case "sht3x":
		p.sensor, err = sht3x.New(wire, sht3x.Options{})
	case "htu21":
		p.sensor, err = htu21.New(wire, htu21.Options{})
	case "bme280":
		p.sensor, err = bme280.New(wire, bme280.Options{})
	case "bmp280":
		p.sensor, err = bme280.New(wire, bme280.Options{BMP280: true})
	case "aht20":
		p.sensor, err = aht20.New(wire, aht20.Options{})
	case "hdc302x":
		p.sensor, err = hdc302x.New(wire, hdc302x.Options{})
	case "mcp9808":
		p.sensor, err = mcp9808.New(wire, mcp9808.Options{})
	case "tmp102":
		p.sensor, err = tmp102.New(wire, tmp102.Options{})
	case "lm75":
		p.sensor, err = lm75.New(wire, lm75.Options{Address: address})
	case "scd4x":
		p.sensor, err = scd4x.New(wire, scd4x.Options{})
	case "ds248x":
		const rom = "28-00000b3c5d1e"
		p.config += ", address: " + rom
		m := part.chip.(*master)
		p.broken["checksum"] = func() { part.do(func() { m.pad = slices.Clone(m.truth); m.pad[0] ^= 1 }) }
		made, failed := ds248x.New(wire, ds248x.Options{Address: address})
		require.NoError(t, failed)
		p.sensor, err = made.Probe(ds248x.ProbeOptions{ROM: rom})
	}
	require.NoError(t, err)
	return p
}

const tree = "../../../../testdata/sys/north-loft"

// inKernel makes the patient of a driver that reads kernel files: those of a device, and the folder that goes with it.
func inKernel(files *kernelfiletest.Faulty, bus, configuration, folder string, truth map[sensors.Channel]float64, implausible string, names ...string) *patient {
	all := func(answer kernelfiletest.Answer) func() {
		return func() {
			for _, name := range names {
				files.Always(folder+"/"+name, answer)
			}
		}
	}
	return &patient{
		config: configuration, truth: truth, bus: bus, heal: files.Heal,
		broken: map[string]func(){
			"absent":      func() { files.Unplug(folder) },
			"busy":        all(kernelfiletest.Answer{Err: syscall.EBUSY}),
			"checksum":    all(kernelfiletest.Answer{Err: syscall.EIO}),
			"timeout":     func() { files.Delay(6 * time.Second) },
			"implausible": all(kernelfiletest.Answer{Text: implausible}),
			"unknown":     all(kernelfiletest.Answer{Err: syscall.EPERM}),
			"hang":        files.Hang,
		},
	}
}

type truth = map[sensors.Channel]float64

// patients makes each driver that the configuration knows, but for those that play a file or a simulated room.
var patients = map[string]func(t *testing.T) *patient{
	"w1": func(t *testing.T) *patient {
		const rom, clone = "28-00000b3c5d1e", "28-0316a2794bff"
		files, bus := kernelfiletest.New(kernelfile.Dir(tree)), w1.NewBus()
		p := inKernel(files, "w1", "driver: w1, address: "+rom, "bus/w1/devices/"+rom, truth{sensors.Temperature: 22.3125},
			"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n", "w1_slave")
		for _, errno := range []struct {
			kind string
			err  error
		}{{"busy", syscall.EBUSY}, {"checksum", syscall.EIO}, {"unknown", syscall.EPERM}} {
			p.broken[errno.kind] = func() {
				for _, name := range []string{"w1_slave", "hwmon/hwmon3/temp1_input", "temperature"} {
					files.Always("bus/w1/devices/"+rom+"/"+name, kernelfiletest.Answer{Err: errno.err})
				}
			}
		}
		var err error
		p.sensor, err = w1.New(w1.Options{ROM: rom, Files: files, Bus: bus})
		require.NoError(t, err)
		p.beside, err = w1.New(w1.Options{ROM: clone, Files: files, Bus: bus})
		require.NoError(t, err)
		return p
	},
	"hwmon": func(t *testing.T) *patient {
		files := kernelfiletest.New(kernelfile.Dir(tree))
		p := inKernel(files, "hwmon", "driver: hwmon, name: sht4x", "class/hwmon/hwmon1", truth{sensors.Temperature: 23.412, sensors.Humidity: 81.947},
			"130000\n", "temp1_input", "humidity1_input")
		var err error
		p.sensor, err = hwmon.New(hwmon.Options{Name: "sht4x", Files: files})
		require.NoError(t, err)
		return p
	},
	"iio": func(t *testing.T) *patient {
		files := kernelfiletest.New(kernelfile.Dir(tree))
		p := inKernel(files, "iio", "driver: iio, name: bme280", "bus/iio/devices/iio:device0", truth{sensors.Temperature: 24.44, sensors.Humidity: 54.18},
			"187550\n", "in_temp_input", "in_humidityrelative_input")
		var err error
		p.sensor, err = iio.New(iio.Options{Name: "bme280", Files: files})
		require.NoError(t, err)
		return p
	},
	"board": func(t *testing.T) *patient {
		files := kernelfiletest.New(kernelfile.Dir(tree))
		p := inKernel(files, "board", "driver: board", "class/thermal/thermal_zone0", truth{sensors.Temperature: 48.692}, "2147483\n", "temp")
		var err error
		p.sensor, err = board.New(board.Options{Files: files})
		require.NoError(t, err)
		return p
	},
	"mqtt": func(t *testing.T) *patient {
		const good = `{"t":22.5,"rh":80}`
		payload := good
		says := func(text string) func() { return func() { payload = text } }
		return &patient{
			config: "driver: mqtt, topic: sensors/tub-1, pointer: {temperature: /t, humidity: /rh}, unit: {temperature: degC, humidity: \"%\"}",
			truth:  truth{sensors.Temperature: 22.5, sensors.Humidity: 80}, heal: says(good),
			publish: func(h *house) {
				if payload != "" {
					h.publish("sensors/tub-1", payload)
				}
			},
			broken: map[string]func(){
				"absent": says(`{"voltage":3.01}`), "checksum": says(`{"t":22.`), "timeout": says(""), "implausible": says(`{"t":"nan","rh":999}`),
			},
		}
	},
}

func init() {
	warm := truth{sensors.Temperature: 22.5, sensors.Humidity: 80}
	for driver, measured := range map[string]truth{
		"sht4x": warm, "sht3x": warm, "hdc302x": warm, "scd4x": warm, "htu21": {sensors.Temperature: 24.69, sensors.Humidity: 32.34},
		"bme280": {sensors.Temperature: 24.44, sensors.Humidity: 54.18}, "bmp280": {sensors.Temperature: 25.08, sensors.Pressure: 100653},
		"aht20": {sensors.Temperature: 19.446, sensors.Humidity: 45.828}, "mcp9808": {sensors.Temperature: 22.5}, "tmp102": {sensors.Temperature: 22.5},
		"lm75":   {sensors.Temperature: 22.5},
		"ds248x": {sensors.Temperature: 22.3125},
	} {
		patients[driver] = func(t *testing.T) *patient { return onWire(t, driver, measured) }
	}
}

// siteOf writes the configuration of a patient between its neighbours. The on-delays are so short, and the bands so narrow,
// that a wrong value which got through would be an alarm.
func siteOf(p *patient) string {
	var bands, feeds []string
	for _, channel := range slices.Sorted(maps.Keys(p.truth)) {
		f := feedsOf[channel]
		bands = append(bands, fmt.Sprintf("%s: {low: %g %s, high: %g %s, on-delay: 1s, off-delay: 1s}", f.quantity, p.truth[channel]-f.margin, f.unit,
			p.truth[channel]+f.margin, f.unit))
		feeds = append(feeds, fmt.Sprintf("%s: tub-1/%s", channel, f.quantity))
	}
	const band = "bands: {air-temperature: {low: 20 °C, high: 24 °C, on-delay: 1s, off-delay: 1s}}"
	var b strings.Builder
	fmt.Fprintf(&b, "site: north-loft\ntimezone: Europe/Lisbon\nplaces:\n  - {id: loft, kind: room}\n  - {id: tub-1, kind: enclosure, in: loft, bands: {%s}}\n", strings.Join(bands, ", "))
	fmt.Fprintf(&b, "  - {id: tub-3, kind: enclosure, in: loft, %s}\n", band)
	if p.beside != nil {
		fmt.Fprintf(&b, "  - {id: tub-2, kind: enclosure, in: loft, %s}\n", band)
	}
	fmt.Fprintf(&b, "mqtt: {broker: \"mqtt://127.0.0.1:1883\"}\nsensors:\n  - {id: patient, %s, every: %s, feeds: {%s}}\n", p.config, every, strings.Join(feeds, ", "))
	if p.beside != nil {
		fmt.Fprintf(&b, "  - {id: beside, driver: tmp102, bus: I2C1, address: 0x4b, every: %s, feeds: {temperature: tub-2/air-temperature}}\n", every)
	}
	fmt.Fprintf(&b, "  - {id: apart, driver: tmp102, bus: I2C9, every: %s, feeds: {temperature: tub-3/air-temperature}}\n", every)
	return b.String()
}

const (
	every      = 10 * time.Second
	before     = 5*time.Minute + 3*time.Second
	lasting    = 10 * time.Minute
	afterwards = 15 * time.Minute
)

// due is the number of readings that a sensor owes.
func due() int { return int((before+lasting+afterwards)/every) + 1 }

// outcome is a row of the table.
type outcome struct {
	detected, cleared  instant.Instant
	began, healed      instant.Instant
	alarms, called     int
	besideLost, others int
	staleAfter         time.Duration
}

// suffer lets a patient live through a failure.
func suffer(t *testing.T, p *patient, failure string) outcome {
	apartBus := sensortest.NewBus("I2C9")
	apartBus.Attach(0x48, newTMP102())
	apart, err := tmp102.New(i2cbus.Share(apartBus), tmp102.Options{})
	require.NoError(t, err)
	h := newHouse(t, siteOf(p), func(c *config.SensorConfig) (sensors.Sensor, string, error) {
		switch c.ID {
		case "patient":
			return p.sensor, p.bus, nil
		case "beside":
			return p.beside, p.bus, nil
		}
		return apart, "I2C9", nil
	})
	live := func(d time.Duration) {
		if p.publish == nil {
			h.live(d)
			return
		}
		for ; d > 0; d -= every {
			p.publish(h)
			h.live(min(d, every))
		}
	}
	live(before)
	require.Zero(t, h.called, "nothing is wrong yet: %s", h.reasons())
	var o outcome
	o.began = instant.Of(time.Now())
	p.broken[failure]()
	live(lasting)
	o.healed = instant.Of(time.Now())
	p.heal()
	live(afterwards)
	h.end()
	patient := slices.IndexFunc(h.site.Sensors, func(s config.SensorConfig) bool { return s.ID == "patient" })
	o.detected, o.cleared = instant.None, instant.None
	for _, fault := range h.faults(patient) { // of the part or of a channel: detected with the first, over when none is active
		if at := h.first(journal.AlarmRaised, fault, o.began); !at.IsNone() && (o.detected.IsNone() || at < o.detected) {
			o.detected = at
		}
		if at := h.first(journal.AlarmCleared, fault, o.healed); !at.IsNone() && (o.cleared.IsNone() || at > o.cleared) {
			o.cleared = at
		}
	}
	o.called = h.called
	for _, place := range []string{"loft", "tub-1", "tub-2", "tub-3"} {
		o.alarms += h.limitAlarms(place)
	}
	lost := func(place string) int {
		return due() - h.usable[quantity.Point{Place: place, Quantity: quantity.AirTemperature}]
	}
	if o.besideLost = -1; p.beside != nil {
		o.besideLost = lost("tub-2")
	}
	o.others = lost("tub-3")
	o.staleAfter = h.site.Sensors[0].StaleAfterOrDefault()
	return o
}

// Every driver with every failure, for minutes: a person is informed within the stale time, no limit alarm comes of it, and no other sensor
// loses anything.
func TestEveryDriverWithEveryFailure(t *testing.T) {
	rows := []string{
		"# Seconds from the beginning of a failure of ten minutes until the fault is reported, and from its end until it is cleared; limit",
		fmt.Sprintf("# alarms that came of it, times a person was called, and readings of %d that the neighbours lost.", due()),
		fmt.Sprintf("%-8s %-12s %9s %8s %13s %7s %15s %10s", "driver", "failure", "named s", "over s", "limit alarms", "calls", "same bus lost", "others lost"),
	}
	for _, driver := range slices.Sorted(maps.Keys(patients)) {
		for _, failure := range failures {
			t.Run(driver+"/"+failure, func(t *testing.T) {
				var o outcome
				possible := true
				synctest.Test(t, func(t *testing.T) {
					p := patients[driver](t)
					if _, possible = p.broken[failure]; possible {
						o = suffer(t, p, failure)
					}
				})
				if !possible {
					return
				}
				assert.False(t, o.detected.IsNone(), "no fault was reported")
				assert.LessOrEqual(t, o.detected.Sub(o.began), o.staleAfter+every, "reported within the stale time of the first bad read")
				assert.False(t, o.cleared.IsNone(), "the fault is not cleared")
				assert.Zero(t, o.alarms, "a limit alarm came of a sensor fault")
				assert.Zero(t, o.others, "a sensor on another bus lost readings")
				wantCalls := 1
				if o.besideLost > 0 {
					wantCalls = 2 // its neighbour on the bus that is held, or spoilt, fails too
				}
				assert.Equal(t, wantCalls, o.called, "a person is called once for each sensor, and not again when it is over")
				beside := "-"
				if o.besideLost >= 0 {
					beside = fmt.Sprint(o.besideLost)
				}
				rows = append(rows, fmt.Sprintf("%-8s %-12s %9s %8s %13d %7d %15s %10d", driver, failure, seconds(o.began, o.detected), seconds(o.healed, o.cleared),
					o.alarms, o.called, beside, o.others))
			})
		}
	}
	golden(t, "detection.golden.txt", rows)
}

// The table has every driver that the configuration can name, but for those that play a file or a simulated room.
func TestNoDriverIsLeftOut(t *testing.T) {
	_, problems := config.Load(writeSite(t, "site: north-loft\nplaces: [{id: loft, kind: room}]\nsensors: [{id: probe, feeds: {temperature: loft/air-temperature}}]\n"))
	_, list, found := strings.Cut(problems.Err().Error(), "has no driver: ")
	require.True(t, found, "%s", problems.Err())
	list, _, _ = strings.Cut(list, "\n")
	for name := range strings.SplitSeq(list, ", ") {
		if name == "recorded" || name == "sim" {
			continue
		}
		assert.Contains(t, patients, name)
	}
}
