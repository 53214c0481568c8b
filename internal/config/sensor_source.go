package config

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"dewline/internal/core/quantity"
	"dewline/internal/format/jsonpointer"
	"dewline/sensors"
	"dewline/sensors/drivers"
)

// source reads the options of drivers that read no device.
func (l *loader) source(sensor *SensorConfig, drv *drivers.Driver, f fields, path string) {
	if drv.Name == "recorded" {
		sensor.File = l.existing(f["file"], join(path, "file"))
		sensor.Loop = l.boolean(f["loop"], join(path, "loop"))
		sensor.Speed = 1
		if text := l.text(f["speed"], join(path, "speed")); text != "" {
			speed, err := strconv.ParseFloat(text, 64)
			if err != nil || !(speed > 0 && speed <= 100_000) {
				l.errorf(join(path, "speed"), "speed is a number greater than 0 and at most 100000, and this is %s", quoted(text))
				speed = 1
			}
			sensor.Speed = speed
		}
		if f["file"] == nil {
			l.errorf(path, "sensor %s has no file of recorded readings: file: readings.csv", quoted(sensor.ID))
		}
	}
	if drv.Name != "mqtt" {
		return
	}
	sensor.Topic = l.text(f["topic"], join(path, "topic"))
	if f["topic"] == nil {
		l.errorf(path, "sensor %s has no topic", quoted(sensor.ID))
	} else if err := checkTopic(sensor.Topic, false); sensor.Topic != "" && err != nil {
		l.errorf(join(path, "topic"), "%s", err)
	}
	sensor.Broker = l.url(f["broker"], join(path, "broker"), brokerSchemes...)
	sensor.Username = l.text(f["username"], join(path, "username"))
	sensor.PasswordFile = l.secret(f["password-file"], join(path, "password-file"))
	sensor.CAFile = l.existing(f["ca-file"], join(path, "ca-file"))
	for _, key := range []string{"username", "password-file", "ca-file"} {
		if f[key] != nil && f["broker"] == nil {
			l.errorf(join(path, key), "%s belongs to a broker of the sensor's own: give broker as well, or the settings under mqtt", key)
		}
	}
	sensor.Pointer = l.ofEach(sensor, f["pointer"], join(path, "pointer"), func(text string) error {
		_, err := jsonpointer.Parse(text)
		return err
	})
	sensor.SenML = l.ofEach(sensor, f["senml"], join(path, "senml"), func(text string) error {
		if text == "" {
			return errors.New("the name of the SenML record is empty")
		}
		return nil
	})
	if f["pointer"] != nil && f["senml"] != nil {
		l.errorf(join(path, "senml"), "give either pointer or senml")
	}
	l.located(sensor, f, path)
	l.units(sensor, f, path)
}

// located checks that each channel's value can be found in a payload: only a payload that is one number needs no address.
func (l *loader) located(sensor *SensorConfig, f fields, path string) {
	if f["pointer"] == nil && f["senml"] == nil {
		if len(sensor.Feeds) > 1 {
			l.errorf(join(path, "feeds"), "a payload that is a bare number feeds one channel: say with pointer or senml where each value is")
		}
		return
	}
	key, where := "pointer", sensor.Pointer
	if f["senml"] != nil {
		key, where = "senml", sensor.SenML
	}
	if len(where) == 0 {
		return // its problem is reported already
	}
	for _, channel := range slices.Sorted(maps.Keys(sensor.Feeds)) {
		if _, ok := where[channel]; !ok {
			l.errorf(join(path, key), "%s does not say where the channel %s is", key, channel)
		}
	}
}

// ofEach reads an option that a sensor has per channel: a mapping, or one text for the only channel it feeds.
func (l *loader) ofEach(sensor *SensorConfig, n *node, path string, check func(text string) error) map[sensors.Channel]string {
	if n == nil {
		return nil
	}
	read := func(n *node, path string, channel sensors.Channel) (string, bool) {
		text := l.text(n, path)
		if n == nil || n.kind != scalar {
			return "", false
		}
		if err := check(text); err != nil {
			l.errorf(path, "%s", err)
			return "", false
		}
		if _, fed := sensor.Feeds[channel]; !fed {
			l.errorf(path, "channel %s feeds nothing", channel)
		}
		return text, true
	}
	if n.kind == mapping {
		return perChannel(l.decoder, n, path, read)
	}
	switch len(sensor.Feeds) {
	case 0: // reported at feeds
		return nil
	case 1:
	default:
		l.errorf(path, "this sensor feeds more than one channel: write one for each, such as {temperature: …, humidity: …}")
		return nil
	}
	values := map[sensors.Channel]string{}
	for channel := range sensor.Feeds {
		if text, ok := read(n, path, channel); ok {
			values[channel] = text
		}
	}
	return values
}

// units reads in which units the payload of a message has its values. SenML says so itself.
func (l *loader) units(sensor *SensorConfig, f fields, path string) {
	at := join(path, "unit")
	if f["senml"] != nil {
		if f["unit"] != nil {
			l.errorf(at, "SenML records carry their unit: leave out unit")
		}
		return
	}
	sensor.Unit = map[sensors.Channel]quantity.Unit{}
	refused := false
	texts := l.ofEach(sensor, f["unit"], at, func(text string) error {
		_, err := quantity.ParseUnit(text)
		refused = refused || err != nil
		return withUnitHint(err, "1 "+text)
	})
	for channel, text := range texts {
		unit, err := quantity.ParseUnit(text)
		if err == nil {
			unit, err = unit.For(quantityOf(channel))
		}
		if err != nil {
			l.errorf(l.origins.first(join(at, string(channel)), at), "%s", err)
			refused = true
			continue
		}
		sensor.Unit[channel] = unit
	}
	for _, channel := range feedable {
		_, known := sensor.Unit[channel]
		if _, fed := sensor.Feeds[channel]; fed && !known && !refused && (f["unit"] == nil || f["unit"].kind == mapping) {
			l.errorf(l.origins.first(at, path), "sensor %s has no unit for %s, in which a payload has bare numbers: unit: {%s: %s}",
				quoted(sensor.ID), channel, channel, quantityOf(channel).Unit())
		}
	}
}

// checkTopic checks an MQTT topic, or a filter, in which + matches one level and # all that follow (MQTT 3.1.1, section 4.7).
func checkTopic(text string, filter bool) error {
	switch {
	case text == "":
		return fmt.Errorf("a topic must not be empty")
	case len(text) > 1024:
		return fmt.Errorf("a topic of more than 1024 bytes is not taken")
	case !filter && strings.ContainsAny(text, "+#"):
		return fmt.Errorf("topic %s names more than one topic: + and # have no place here", quoted(text))
	}
	levels := strings.Split(text, "/")
	for i, level := range levels {
		if strings.Contains(level, "#") && (level != "#" || i < len(levels)-1) || strings.Contains(level, "+") && level != "+" {
			return fmt.Errorf("filter %s: + stands for one whole level, # for the last one", quoted(text))
		}
	}
	return nil
}
