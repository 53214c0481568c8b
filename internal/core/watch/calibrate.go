package watch

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// savedPart is which part a sensor was and what it fed under the configuration of a state.
type savedPart struct {
	Sensor, Part string
	Feeds        []string
}

// aboutSensors takes a calibration, or the word that a sensor was replaced, into the record of the sensors. What was recorded before
// stays as it was recorded: the line of intake corrects what it takes from now on.
func (c *Core) aboutSensors(at instant.Instant, cmd *Command, out []Effect) []Effect {
	e := calibration.Entry{Seq: c.seq + 1, At: at, Since: cmd.since(at), Sensor: cmd.Sensor, Channel: cmd.Channel, Corrects: cmd.Corrects}
	if problem := cmp.Or(c.inTheFuture(at, cmd), c.unknownSensor(cmd.Sensor)); problem != "" {
		return c.Refuse(at, cmd, problem, out)
	}
	if cmd.Verb == ReplaceSensor {
		e.Kind, e.Channel = journal.SensorReplaced, ""
	} else {
		e.Kind, e.Part = journal.SensorCalibrated, c.partOf(cmd.Sensor)
		if cmd.Calibration == nil {
			return c.Refuse(at, cmd, "a calibration must say what was found: an offset, or one or two points", out)
		}
		found, problem := c.found(cmd, e.Since)
		if problem != "" {
			return c.Refuse(at, cmd, problem, out)
		}
		e.Found = found
	}
	if problem := c.sensors.Refusal(&e); problem != "" {
		return c.Refuse(at, cmd, problem, out)
	}
	if c.sensors.InForceAlready(&e) {
		return out
	}
	return c.recordSensor(at, e, cmd, out)
}

// recordSensor writes an entry about a sensor, and puts it in force.
func (c *Core) recordSensor(at instant.Instant, e calibration.Entry, cmd *Command, out []Effect) []Effect {
	j := c.newEntry(e.Kind, at)
	e.ID, e.Seq, e.Run, e.At = j.ID(), j.Seq, j.Run, at
	e.WriteTo(j)
	j.By, j.Reason, j.Text, j.Place = cmd.By, cmd.Reason, cmd.Text, cmd.Place
	if e.Kind == journal.SensorCalibrated {
		for i := range c.sensors.Seeds {
			if s := &c.sensors.Seeds[i]; s.Sensor == e.Sensor && s.Channel == e.Channel {
				j.Place, j.Unit = s.Point.Place, s.Point.Quantity.Unit().Symbol()
			}
		}
	}
	c.unsaved.all = true
	if e.Kind != journal.SensorAssigned {
		c.sensors.Add(e)
		c.settleCalibrations()
	}
	return append(out, Effect{Kind: Record, Point: -1, Entry: j})
}

// maxMethod bounds the words for what a channel was compared with.
const maxMethod = 200

// found returns what a command says of a calibration as the record keeps it: gain and offset follow from the points where there are any.
func (c *Core) found(cmd *Command, at instant.Instant) (journal.Calibration, string) {
	said := *cmd.Calibration
	said.Method = strings.TrimSpace(said.Method)
	switch {
	case len(said.Method) > maxMethod:
		return said, fmt.Sprintf("the method is longer than %d bytes", maxMethod)
	case said.Uncertainty < 0 || said.Residual < 0:
		return said, "an uncertainty or a residual is negative"
	}
	if said.Method == "" {
		said.Method = "by hand"
	}
	for i := range c.sensors.Seeds {
		s := &c.sensors.Seeds[i]
		if s.Sensor != cmd.Sensor || s.Channel != cmd.Channel {
			continue
		}
		made, err := s.Correction(&said, at)
		if err != nil {
			return said, err.Error()
		}
		said.Gain, said.Offset = made.Gain, made.Offset
	}
	return said, ""
}

func (c *Core) unknownSensor(id string) string {
	if id == "" {
		return "name the sensor"
	}
	var known []string
	for i := range c.site.Sensors {
		if len(c.site.Sensors[i].Channels) > 0 {
			known = append(known, c.site.Sensors[i].ID)
		}
	}
	if !slices.Contains(known, id) {
		return fmt.Sprintf("there is no sensor %q: there are %s", id, strings.Join(known, ", "))
	}
	return ""
}

func (c *Core) partOf(sensor string) string {
	for i := range c.site.Sensors {
		if c.site.Sensors[i].ID == sensor {
			return c.site.Sensors[i].Part
		}
	}
	return ""
}

// settleCalibrations works out what is in force for each channel, and from it how far the points can be believed.
func (c *Core) settleCalibrations() {
	c.calibrationsChanged++
	c.calibrations = c.sensors.States(maxTime)
	widest := map[int32]float64{}
	recorded := map[int32]bool{}
	for i := range c.calibrations {
		s := &c.calibrations[i]
		index, ok := c.index[s.Point]
		if !ok {
			continue
		}
		widest[index] = max(widest[index], s.Uncertainty)
		recorded[index] = recorded[index] || s.Origin == calibration.Journal || s.Lapsed
	}
	for i := range c.site.Points {
		if index, ok := c.index[c.site.Points[i].Point]; ok {
			c.points[index].ownAccuracy = c.site.Points[i].Accuracy // that of the configuration
			if recorded[index] {
				c.points[index].ownAccuracy = widest[index]
			}
		}
	}
}

// Calibrations returns what is in force for each channel of the sensors, and a number that changes with it. The list must not be changed.
func (c *Core) Calibrations() ([]calibration.State, int) {
	return c.calibrations, c.calibrationsChanged
}

// RememberSensors takes in the record of the sensors of a journal, as [Core.Remember] does that of the animals.
func (c *Core) RememberSensors(entries []calibration.Entry) {
	c.sensors.Entries = slices.DeleteFunc(c.sensors.Entries, func(e calibration.Entry) bool {
		return slices.ContainsFunc(entries, func(o calibration.Entry) bool { return o.ID == e.ID })
	})
	c.sensors.Add(entries...)
	for i := range entries {
		c.seq = max(c.seq, entries[i].Seq)
	}
	c.settleCalibrations()
}

// parts returns which part each sensor is, and what it feeds.
func (c *Core) parts() (list []savedPart) {
	for i := range c.site.Sensors {
		s := &c.site.Sensors[i]
		if len(s.Channels) == 0 {
			continue
		}
		saved := savedPart{Sensor: s.ID, Part: s.Part}
		for _, channel := range s.Channels {
			saved.Feeds = append(saved.Feeds, channel.Feeds.String())
		}
		list = append(list, saved)
	}
	return list
}

// followParts records which parts a new configuration has exchanged, and which points are measured by another sensor. The points keep
// their history.
func (c *Core) followParts(at instant.Instant, out []Effect) []Effect {
	before := c.partsBefore
	c.partsBefore = nil
	by := &Command{By: "the configuration", Reason: "its sensors were changed"}
	for i := range before {
		now := c.partOf(before[i].Sensor)
		if was := before[i].Part; was != "" && now != "" && was != now {
			by.Text = fmt.Sprintf("%s is %s now, and was %s", before[i].Sensor, now, was)
			out = c.recordSensor(at, calibration.Entry{At: at, Since: at, Kind: journal.SensorReplaced, Sensor: before[i].Sensor, Part: now}, by, out)
		}
	}
	if before == nil {
		return out
	}
	for i := range c.points {
		point := c.points[i].name
		was, now := feeding(before, point.String()), feeding(c.parts(), point.String())
		if len(was) == 0 || len(now) == 0 || slices.ContainsFunc(now, func(id string) bool { return slices.Contains(was, id) }) {
			continue
		}
		by.Text, by.Place = fmt.Sprintf("%s is measured by %s now, and was by %s", point, strings.Join(now, ", "), strings.Join(was, ", ")), point.Place
		out = c.recordSensor(at, calibration.Entry{At: at, Since: at, Kind: journal.SensorAssigned, Sensor: now[0], Part: c.partOf(now[0])}, by, out)
	}
	return out
}

func feeding(parts []savedPart, point string) (ids []string) {
	for i := range parts {
		if slices.Contains(parts[i].Feeds, point) {
			ids = append(ids, parts[i].Sensor)
		}
	}
	return ids
}
