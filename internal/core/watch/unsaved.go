package watch

import (
	"bytes"
	"encoding/gob"
	"fmt"
	"slices"
)

// unsaved is what the readings since the last saved state do not bring back: alarms about which there were entries in the journal since
// then, with their places, and failures of sensors. Their state goes to the disk with the entry; that of all others follows from the
// saved state and the readings.
type unsaved struct {
	all      bool // it takes a whole state
	alarms   []*alarm
	places   []string
	pairings []int32
	faults   []*fault // of sensors that had failed: no reading brings that back

	buffer *bytes.Buffer // of the encoder that has written the last whole state; what its types are is in that alone
	writer *gob.Encoder
}

// Save returns the state for [Core.Restore]: where part is true only what the readings since the last call do not bring back,
// to be restored on top of what the calls since the last whole one have returned. Where whole is asked for it is whole.
func (c *Core) Save(whole bool) (state []byte, part bool, err error) {
	u := &c.unsaved
	s := c.head()
	if s.Part = !whole && !u.all; s.Part {
		c.addUnsaved(&s)
	} else {
		c.addAll(&s)
		u.buffer = new(bytes.Buffer)
		u.writer = gob.NewEncoder(u.buffer)
	}
	u.buffer.Reset()
	if err := u.writer.Encode(&s); err != nil {
		u.all = true
		return nil, false, fmt.Errorf("writing the state of the core: %w", err)
	}
	c.unsaved = unsaved{
		alarms: u.alarms[:0], places: u.places[:0], pairings: u.pairings[:0], faults: u.faults[:0], buffer: u.buffer, writer: u.writer,
	}
	return bytes.Clone(u.buffer.Bytes()), s.Part, nil
}

// partly reports whether an event changes nothing but what readings bring back, and alarms with their places.
func (ev *Event) partly() bool {
	switch ev.Kind {
	case ReadingEvent, TickEvent, SensorEvent, ComponentEvent:
		return true
	case CommandEvent:
		switch ev.Command.Verb {
		case Acknowledge, Reset, Shelve, Unshelve, OutOfService, InService, Repeat, Remind, Report:
			return true
		}
	}
	return false
}

// touch notes that an alarm has changed, with the places of its points.
func (c *Core) touch(a *alarm) {
	if c.unsaved.all || slices.Contains(c.unsaved.alarms, a) {
		return
	}
	c.unsaved.alarms = append(c.unsaved.alarms, a)
	if a.point >= 0 {
		c.touchPlace(a.place)
	}
	if a.fault >= 0 {
		f := &c.faults[a.fault]
		c.touchFault(f)
		for _, channel := range f.feeds { // the readings were judged by it
			c.touchPlace(channel.Feeds.Place)
		}
	}
}

func (c *Core) touchFault(f *fault) {
	if !c.unsaved.all && !slices.Contains(c.unsaved.faults, f) {
		c.unsaved.faults = append(c.unsaved.faults, f)
	}
}

// touchPlace notes a place, and those whose points look at or are derived from its own: a reading that one of them has seen must not
// be missing to the other, nor come twice.
func (c *Core) touchPlace(place string) {
	if slices.Contains(c.unsaved.places, place) {
		return
	}
	c.unsaved.places = append(c.unsaved.places, place)
	for i := range c.points {
		p := &c.points[i]
		switch {
		case p.name.Place == place:
			if len(p.inputs) > 0 && !slices.Contains(c.unsaved.pairings, p.pairing) {
				c.unsaved.pairings = append(c.unsaved.pairings, p.pairing)
			}
		case p.lead >= 0 && c.points[p.lead].name.Place == place,
			slices.ContainsFunc(p.inputs, func(input int32) bool { return c.points[input].name.Place == place }):
			c.touchPlace(p.name.Place)
		}
	}
}

// addUnsaved adds what has changed to a state.
func (c *Core) addUnsaved(s *snapshot) {
	touched := func(place string) bool { return slices.Contains(c.unsaved.places, place) }
	for i := range c.points {
		if p := &c.points[i]; touched(p.name.Place) {
			s.Points = append(s.Points, p.saved())
		}
	}
	for _, i := range c.unsaved.pairings {
		s.Pairings = append(s.Pairings, c.savedPairing(i))
	}
	for i := range c.alarms { // readings change an active one too
		if a := &c.alarms[i]; slices.Contains(c.unsaved.alarms, a) || a.Active && touched(a.place) {
			s.Alarms = append(s.Alarms, a.saved())
		}
	}
	for _, f := range c.unsaved.faults {
		s.Sensors = append(s.Sensors, savedSensor{f.id, f.faultMemory})
	}
	for _, m := range c.misters {
		if touched(m.place.ID) {
			s.Misters = append(s.Misters, savedMister{m.place.ID, m.Tracker})
		}
	}
}
