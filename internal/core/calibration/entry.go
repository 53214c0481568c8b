package calibration

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quality"
	"dewline/internal/core/quantity"
)

// Entry is one entry of the record of the sensors.
type Entry struct {
	ID       string // of the journal entry
	Seq      uint64
	Run      string
	At       instant.Instant // when it was recorded
	Since    instant.Instant // from when on it is true
	Kind     journal.Kind    // sensor.calibrated, sensor.replaced, or a note that withdraws one of them
	Sensor   string
	Channel  string
	Part     string
	Found    journal.Calibration
	Corrects string // the ID of the entry whose place it takes
}

// Kinds returns the kinds of journal entries from which follows what is in force.
func Kinds() []journal.Kind {
	return []journal.Kind{journal.SensorCalibrated, journal.SensorReplaced, journal.Note}
}

// Of reads an entry of the journal. It reports false for one that says nothing about calibrations.
func Of(e *journal.Entry) (Entry, bool) {
	read := Entry{ID: e.ID(), Seq: e.Seq, Run: e.Run, At: e.At, Since: e.At, Kind: e.Kind, Sensor: e.Sensor, Channel: e.Channel, Part: e.Part, Corrects: e.Corrects}
	if e.Since != nil && !e.Since.IsNone() && *e.Since != 0 {
		read.Since = *e.Since
	}
	switch e.Kind {
	case journal.SensorCalibrated:
		if e.Calibration == nil || e.Sensor == "" {
			return Entry{}, false
		}
		read.Found = *e.Calibration
	case journal.SensorReplaced:
	case journal.Note:
		return read, e.Corrects != ""
	default:
		return Entry{}, false
	}
	return read, true
}

// Read reads those of the entries of a journal that [Of] can.
func Read(entries []*journal.Entry) (record []Entry) {
	for _, e := range entries {
		if read, ok := Of(e); ok {
			record = append(record, read)
		}
	}
	return record
}

// WriteTo fills in the fields of a journal entry that carry the entry.
func (e *Entry) WriteTo(j *journal.Entry) {
	since := e.Since
	j.Since, j.Sensor, j.Channel, j.Part, j.Corrects = &since, e.Sensor, e.Channel, e.Part, e.Corrects
	if e.Kind == journal.SensorCalibrated {
		j.Calibration = new(e.Found)
	}
}

// CanCorrect reports whether the entry can take the place of an older one: of one of its kind about the same channel, or, as a note, of
// any but a note.
func (e *Entry) CanCorrect(older *Entry) bool {
	switch {
	case older.Seq >= e.Seq || older.Kind == journal.Note:
		return false
	case e.Kind == journal.Note:
		return true
	}
	return e.Kind == older.Kind && e.Sensor == older.Sensor && e.Channel == older.Channel
}

// corrections are how entries about sensors correct each other.
var corrections = journal.Corrections[Entry]{
	ID: func(e *Entry) string { return e.ID }, Corrects: func(e *Entry) string { return e.Corrects }, May: (*Entry).CanCorrect, Words: (*Entry).words,
}

// words are what a keeper calls an entry, and what it is about.
func (e *Entry) words() (kind, about string) {
	switch e.Kind {
	case journal.SensorCalibrated:
		return "a calibration", e.Channel + " of " + e.Sensor
	case journal.SensorReplaced:
		return "a replacement", e.Sensor
	}
	return "a note", "the site"
}

// Record is what is on record of the sensors of a site. The zero value is empty.
type Record struct {
	Seeds   []Seed
	Entries []Entry
}

// Add adds entries, except those that it has.
func (r *Record) Add(entries ...Entry) {
	for _, e := range entries {
		if !slices.ContainsFunc(r.Entries, func(o Entry) bool { return o.ID == e.ID }) {
			r.Entries = append(r.Entries, e)
		}
	}
}

// Has reports whether an entry with the ID is on record.
func (r *Record) Has(id string) bool { return r.find(id) != nil }

func (r *Record) find(id string) *Entry {
	for i := range r.Entries {
		if r.Entries[i].ID == id {
			return &r.Entries[i]
		}
	}
	return nil
}

// inForce returns the entries whose place no other one has taken, in the order in which they count.
func (r *Record) inForce() []Entry {
	list := corrections.InForce(r.Entries)
	slices.SortStableFunc(list, func(a, b Entry) int {
		return cmp.Or(cmp.Compare(a.Since, b.Since), cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.ID, b.ID))
	})
	return list
}

// Shift moves the times of entries that were written by a clock which has since been set, except the dates that people gave.
func (r *Record) Shift(runs []string, by time.Duration) {
	for i := range r.Entries {
		if e := &r.Entries[i]; slices.Contains(runs, e.Run) {
			if e.Since == e.At {
				e.Since = e.Since.Add(by)
			}
			e.At = e.At.Add(by)
		}
	}
}

// InForceAlready reports whether the record says the same already.
func (r *Record) InForceAlready(e *Entry) bool {
	return e.Corrects == "" && slices.ContainsFunc(r.inForce(), func(o Entry) bool {
		return o.Kind == e.Kind && o.Sensor == e.Sensor && o.Channel == e.Channel && o.Part == e.Part && o.Since == e.Since && equal(&o.Found, &e.Found)
	})
}

// Refusal returns why an entry cannot be taken into the record, in words for the keeper; "" if it can.
func (r *Record) Refusal(e *Entry) string {
	if why := corrections.Refusal(r.Entries, e); why != "" {
		return why
	}
	if e.Kind != journal.SensorCalibrated {
		return ""
	}
	seed := r.seed(e.Sensor, e.Channel)
	if seed == nil {
		return fmt.Sprintf("no channel %q of the sensor %q feeds a point: there are %s", e.Channel, e.Sensor, r.channels())
	}
	if _, err := seed.Correction(&e.Found, e.Since); err != nil {
		return err.Error()
	}
	return ""
}

func (r *Record) seed(sensor, channel string) *Seed {
	for i := range r.Seeds {
		if s := &r.Seeds[i]; s.Sensor == sensor && s.Channel == channel {
			return s
		}
	}
	return nil
}

func (r *Record) channels() string {
	var names []string
	for i := range r.Seeds {
		names = append(names, r.Seeds[i].Channel+" of "+r.Seeds[i].Sensor)
	}
	if names == nil {
		return "no sensors"
	}
	return strings.Join(names, ", ")
}

// Correction returns the correction that follows from what a comparison with a reference has shown. The error says why it is not to be
// believed. Where the uncertainty of the reference is not known, that of the sensor stays in force.
func (s *Seed) Correction(found *journal.Calibration, at instant.Instant) (*quality.Calibration, error) {
	var points []quality.Comparison
	for _, p := range found.Points {
		c := quality.Comparison(p)
		c.ReferenceUncertainty = cmp.Or(c.ReferenceUncertainty, s.Accuracy)
		points = append(points, c)
	}
	offset := quality.Comparison{Reference: found.Offset, ReferenceUncertainty: s.Accuracy}
	if found.Uncertainty > 0 {
		offset.ReferenceUncertainty = found.Uncertainty
	}
	return quality.FromPoints(s.Point.Quantity, at, offset, points)
}

// FoundOf returns a correction in the form in which the journal keeps it.
func FoundOf(method string, c *quality.Calibration, residual float64) journal.Calibration {
	found := journal.Calibration{Method: method, Gain: c.Gain, Offset: c.Offset, Uncertainty: c.Uncertainty, Residual: residual}
	for _, p := range c.Points {
		found.Points = append(found.Points, journal.Comparison(p))
		if p.ReferenceUncertainty <= 0 {
			found.Uncertainty = 0
		}
	}
	return found
}

// Seed is a channel of a sensor of the configuration, with the calibration that the configuration has for it.
type Seed struct {
	Sensor, Channel string
	Point           quantity.Point // that the channel feeds
	Part            string         // which part it is, as far as its driver and address say
	Accuracy        float64        // expanded (k = 2), without a calibration; 0 where it is not known
	Every           time.Duration  // how long a calibration is trusted; 0 means [quality.CalibrateEvery]
	// Calibration is that of the configuration, nil for none; its At is 0 where the configuration gives no date.
	Calibration *quality.Calibration
	// Uncertainty is that which the configuration gives with its calibration; 0 where it gives none.
	Uncertainty float64
}
