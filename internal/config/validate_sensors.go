package config

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/sensors"
	"dewline/sensors/drivers"
)

func (v *validator) sensors() {
	ids, places := each(v.Sensors, func(s SensorConfig) string { return s.ID }), v.placeIDs()
	v.ids("sensor", "sensors", ids)
	for i, id := range ids {
		if id == journal.HistoryComponent || strings.HasPrefix(id, journal.NotifierComponents) {
			v.errorf(join(index("sensors", i), "id"), "no sensor can have the id %s: the alarms of dewline's own parts have such names", quoted(id))
		}
	}
	if _, written := v.origins[""]; written && len(v.Sensors) == 0 && !v.unsure.sensors {
		v.warnf("sensors", "there are no sensors: replay can use this configuration, a running daemon would watch nothing")
	}
	feeders := map[quantity.Point]int{}
	for i := range v.Sensors {
		for _, point := range v.Sensors[i].Feeds {
			feeders[point]++
		}
	}
	for i := range v.Sensors {
		sensor, path := &v.Sensors[i], index("sensors", i)
		drv := driverOf(sensor.Driver)
		if drv == nil {
			if sensor.Driver != "" {
				v.errorf(join(path, "driver"), "%s", UnknownWord("driver", sensor.Driver, driverNames()))
			}
			continue
		}
		v.feeds(sensor, drv, path, places)
		v.offered(sensor, drv, path)
		v.intervals(sensor, drv, path)
		v.calibrated(sensor, path)
		v.condensing(sensor, drv, path)
		for _, channel := range slices.Sorted(maps.Keys(sensor.Disagree)) {
			if point, fed := sensor.Feeds[channel]; !fed || feeders[point] < 2 {
				v.warnf(join(path, "disagree."+string(channel)), "there is no other sensor to disagree with: only %s feeds this point", sensor.ID)
			}
		}
		if sensor.Driver == "mqtt" {
			if sensor.Broker == "" && v.MQTT.Broker == "" && v.MQTT.Embedded.Listen == "" && !v.unsure.mqtt {
				v.required(join(path, "broker"), "sensor %s has no broker to listen to: give mqtt: {broker: …}, or a broker of its own", quoted(sensor.ID))
			}
			v.credentials(path, sensor.Broker, sensor.Username, sensor.PasswordFile)
		}
	}
	v.clashes()
}

// feeds checks what each channel of a sensor feeds.
func (v *validator) feeds(sensor *SensorConfig, drv *drivers.Driver, path string, places []string) {
	for _, channel := range slices.Sorted(maps.Keys(sensor.Feeds)) {
		point, at := sensor.Feeds[channel], join(path, "feeds."+string(channel))
		if v.place(point.Place) == nil && !v.unsure.places {
			v.errorf(at, "%s", UnknownWord("place", point.Place, without(places, "")))
		}
		switch {
		case !drv.Offers(channel):
			v.errorf(at, "%s has no channel %s: it offers %s", drv.Name, channel, strings.Join(channelNames(drv.Channels), ", "))
		case point.Quantity.Derived():
			v.errorf(at, "%s is computed from %s and cannot be fed", point.Quantity, quantityList(inputs(point.Quantity)))
		case quantityOf(channel).Unit() != point.Quantity.Unit():
			v.errorf(at, "channel %s (%s) cannot feed %s (%s)%s", channel, channel.Unit(), point.Quantity, point.Quantity.Unit().Symbol(), fits(channel))
		}
	}
}

// fits returns, for a message, which quantities a channel can feed.
func fits(channel sensors.Channel) string {
	var names []string
	for _, q := range quantity.All() {
		if !q.Derived() && q.Unit() == quantityOf(channel).Unit() {
			names = append(names, q.String())
		}
	}
	if len(names) == 0 {
		return ""
	}
	return ": it feeds " + strings.Join(names, ", ")
}

// offered checks that settings per channel are about channels the driver has.
func (v *validator) offered(sensor *SensorConfig, drv *drivers.Driver, path string) {
	check := func(key string, channels []sensors.Channel) {
		for _, channel := range channels {
			if !drv.Offers(channel) {
				v.errorf(join(path, key+"."+string(channel)), "%s has no channel %s: it offers %s", drv.Name, channel, strings.Join(channelNames(drv.Channels), ", "))
			}
		}
	}
	check("accuracy", slices.Sorted(maps.Keys(sensor.Accuracy)))
	check("inputs", slices.Sorted(maps.Keys(sensor.Inputs)))
	check("range", slices.Sorted(maps.Keys(sensor.Range)))
	check("disagree", slices.Sorted(maps.Keys(sensor.Disagree)))
	if sensor.Calibration != nil {
		check("calibration", slices.Sorted(maps.Keys(sensor.Calibration.Channels)))
	}
}

func (v *validator) intervals(sensor *SensorConfig, drv *drivers.Driver, path string) {
	if sensor.Every < drv.Minimum {
		v.warnf(join(path, "every"), "%s gives a new value every %s at best: %s only warms the sensor", drv.Name, formatDuration(drv.Minimum), formatDuration(sensor.Every))
	}
	if sensor.Gap > 0 && sensor.Gap < sensor.Every {
		v.errorf(join(path, "gap"), "a gap of %s is shorter than the interval of %s: no two readings would ever be joined", formatDuration(sensor.Gap), formatDuration(sensor.Every))
	}
	if sensor.StaleAfter > 0 && sensor.StaleAfter < sensor.GapOrDefault() {
		v.errorf(join(path, "stale-after"), "stale-after of %s is shorter than the gap of %s, up to which readings are still joined", formatDuration(sensor.StaleAfter), formatDuration(sensor.GapOrDefault()))
	}
}

// calibrated checks what calibrations may do to a sensor that is not broken.
func (v *validator) calibrated(sensor *SensorConfig, path string) {
	if sensor.Calibration == nil {
		return
	}
	for _, channel := range slices.Sorted(maps.Keys(sensor.Calibration.Channels)) {
		if _, err := sensor.CalibrationOf(channel); err != nil {
			at := join(path, "calibration."+string(channel))
			v.errorf(v.origins.first(join(at, "points"), join(at, "offset"), at), "%s", err)
		}
	}
}

// wet is the humidity from which a part rated for non-condensing air is out of place.
const wet = 90.0

// condensing warns of a part that is rated for non-condensing air in a place that is meant to be wet.
func (v *validator) condensing(sensor *SensorConfig, drv *drivers.Driver, path string) {
	if !drv.NonCondensing {
		return
	}
	seen := map[string]bool{}
	for _, channel := range slices.Sorted(maps.Keys(sensor.Feeds)) {
		id := sensor.Feeds[channel].Place
		place := v.place(id)
		if place == nil || seen[id] {
			continue
		}
		seen[id] = true
		whose := ""
		if band, ok := place.Bands[quantity.RelativeHumidity]; ok && reachesAbove(band, wet) {
			whose = "its own band"
		}
		for i := range v.Cohorts {
			cohort := &v.Cohorts[i]
			profile := v.Profiles[cohort.Profile]
			if cohort.Place != id || profile == nil || whose != "" {
				continue
			}
			for _, entry := range cohort.Stages {
				if band, ok := profile.Care[entry.Stage].Bands[quantity.RelativeHumidity]; ok && reachesAbove(band, wet) {
					whose = fmt.Sprintf("the band of %s at the stage %s", cohort.ID, entry.Stage)
				}
			}
		}
		if whose != "" {
			v.warnf(join(path, "driver"), "%s is rated for air in which nothing condenses, and %s of %s goes above %g %%RH: it will drift there, prefer an SHT3x, SHT4x or HDC302x", drv.Name, whose, id, wet)
		}
	}
}

// reachesAbove reports whether a band has a limit above a value, by day or by night.
func reachesAbove(both care.DayNight, value float64) bool {
	for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
		if both.Day.Limits[l] > value || both.Night.Limits[l] > value { // NaN is above nothing
			return true
		}
	}
	return false
}

// occupant is a device that answers at an address of an I²C bus.
type occupant struct {
	what, path string
	bus        string
	address    uint16
	mux        *drivers.Mux // nil: directly on the bus
	bridge     bool         // a bridge to a 1-Wire bus, which several sensors share
}

// clashes reports sensors that would answer for one another.
func (v *validator) clashes() {
	devices := map[string]int{} // ROM code or kernel name → sensor
	var onBus []occupant
	for i := range v.Sensors {
		sensor, path := &v.Sensors[i], index("sensors", i)
		drv := driverOf(sensor.Driver)
		if drv == nil {
			continue
		}
		if drv.OneWire && sensor.Address != "" || drv.Kernel && (sensor.Name != "" || drv.Name == "board") {
			key := sensor.Address
			if drv.Kernel {
				key = strings.Join([]string{drv.Name, sensor.Name, key}, " ")
			}
			if before, twice := devices[key]; twice {
				v.errorf(v.origins.first(join(path, "address"), join(path, "name"), path), "sensor %s reads this device already%s: let one sensor feed all its points",
					quoted(v.Sensors[before].ID), v.line(index("sensors", before)))
			} else {
				devices[key] = i
			}
		}
		if drv.Addresses == nil || sensor.Bus == "" {
			continue
		}
		bus := busKey(sensor.Bus)
		if sensor.Mux != nil && sensor.Mux.Address != 0 {
			v.checkMux(sensor, join(path, "mux"), onBus, bus)
			onBus = append(onBus, occupant{what: "the multiplexer of sensor " + quoted(sensor.ID), path: path, bus: bus, address: sensor.Mux.Address})
		}
		mine := occupant{what: "sensor " + quoted(sensor.ID), path: path, bus: bus, address: sensor.I2C, mux: sensor.Mux}
		at := v.origins.first(join(path, "address"), path)
		if drv.Name == "ds248x" {
			mine.address, mine.bridge, mine.what = sensor.Bridge, true, "the bridge of sensor "+quoted(sensor.ID)
			at = v.origins.first(join(path, "bridge"), path)
		}
		if mine.address == 0 {
			continue // refused, and reported
		}
		for _, other := range onBus {
			if mine.clashesWith(other) {
				if other.path == path {
					v.errorf(at, "the multiplexer has the address 0x%02x itself%s: give one of the two another address", mine.address, v.line(join(path, "mux")))
				} else {
					v.errorf(at, "%s answers at 0x%02x of %s already%s", other.what, mine.address, sensor.Bus, v.line(other.path))
				}
				break
			}
		}
		onBus = append(onBus, mine)
	}
}

// checkMux reports a multiplexer at the address of a device listed before it.
func (v *validator) checkMux(sensor *SensorConfig, path string, onBus []occupant, bus string) {
	for _, other := range onBus {
		isMux := strings.HasPrefix(other.what, "the multiplexer")
		if other.bus == bus && other.address == sensor.Mux.Address && !isMux {
			v.errorf(v.origins.first(join(path, "address"), path), "%s answers at 0x%02x of %s already%s", other.what, other.address, sensor.Bus, v.line(other.path))
			return
		}
	}
}

// clashesWith reports whether two occupants answer at once. Behind different channels of multiplexers they do not, since
// only one channel is open at a time; what sits directly on the bus always hears.
func (o occupant) clashesWith(other occupant) bool {
	if o.bus != other.bus || o.address != other.address {
		return false
	}
	if o.mux == nil || other.mux == nil {
		return !(o.bridge && other.bridge && o.mux == nil && other.mux == nil)
	}
	return *o.mux == *other.mux && !(o.bridge && other.bridge)
}

// busKey makes the spellings of one I²C bus equal: I2C1, i2c-1, /dev/i2c-1 and 1.
func busKey(bus string) string {
	lower := strings.ToLower(strings.TrimPrefix(bus, "/dev/"))
	number := strings.TrimPrefix(strings.TrimPrefix(lower, "i2c"), "-")
	if number != "" && strings.Trim(number, "0123456789") == "" {
		return number
	}
	return bus
}
