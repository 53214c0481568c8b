package mqttfed

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/format/senml"
	"dewline/internal/mqtt"
	"dewline/sensors"
)

const (
	maxPayload  = senml.MaxBytes
	maxEvidence = 256
	// ahead is how far the clock of a sender may be ahead.
	ahead = time.Minute
)

// Options configure a [Feed]. The zero value is usable.
type Options struct {
	// Now stamps the messages in [Feed.Run]; nil means the machine's clock.
	Now func() time.Time
	// Look is how often Run looks for silent sources; 0 means a second.
	Look time.Duration
	// Log gets what the samples do not contain; nil means silence.
	Log *slog.Logger
}

// Feed turns the messages of one broker into samples. Its methods may be called from any goroutine.
type Feed struct {
	options Options
	topics  []string // distinct, in the order of the sources

	mu      sync.Mutex
	sources []*source
	exact   map[string][]*source // those whose topic has no wildcard, by it
	others  []*source
}

// New checks the sources and returns a feed of them. Sources share a topic, or their topics have nothing in common:
// from topics that overlap by wildcards a broker may send a message twice.
func New(sources []Source, o Options) (*Feed, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Look <= 0 {
		o.Look = time.Second
	}
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	f := &Feed{options: o, exact: map[string][]*source{}}
	for _, s := range sources {
		p, err := prepare(s)
		if err != nil {
			return nil, fmt.Errorf("sensor %q: %w", s.ID, err)
		}
		if slices.ContainsFunc(f.sources, func(other *source) bool { return other.ID == s.ID }) {
			return nil, fmt.Errorf("sensor %q is there twice", s.ID)
		}
		f.sources = append(f.sources, p)
		if strings.ContainsAny(s.Topic, "+#") {
			f.others = append(f.others, p)
		} else {
			f.exact[s.Topic] = append(f.exact[s.Topic], p)
		}
		if slices.Contains(f.topics, s.Topic) {
			continue
		}
		for _, other := range f.topics {
			if mqtt.Overlap(other, s.Topic) {
				return nil, fmt.Errorf("sensor %q: the topic %s overlaps with %s of another sensor", s.ID, s.Topic, other)
			}
		}
		f.topics = append(f.topics, s.Topic)
	}
	return f, nil
}

// Take turns a message, which arrived at m.At, into samples of the sources that listen to its topic.
func (f *Feed) Take(m mqtt.Received) []intake.Sample {
	f.mu.Lock()
	defer f.mu.Unlock()
	m.At = m.At.Round(0) // without the monotonic clock, which the times of records do not have
	var samples []intake.Sample
	for _, s := range f.exact[m.Topic] {
		samples = append(samples, f.throttled(s, m)...)
	}
	for _, s := range f.others {
		if mqtt.Match(s.Topic, m.Topic) {
			samples = append(samples, f.throttled(s, m)...)
		}
	}
	return samples
}

// throttled is take within the throttle of a source. A message that is left out still proves that the source is not silent.
func (f *Feed) throttled(s *source, m mqtt.Received) []intake.Sample {
	samples := f.take(s, m)
	every, burst := s.every(), s.burst()
	return slices.DeleteFunc(samples, func(intake.Sample) bool {
		room, say := s.throttle.take(m.At, every, burst)
		if say {
			f.options.Log.Warn("a sensor sends faster than its readings are taken: some are left out", "sensor", s.ID, "topic", bounded(m.Topic),
				"left_out", s.throttle.left, "taken_every", every)
			s.throttle.left = 0
		}
		return !room
	})
}

// take turns a message into samples of one source.
func (f *Feed) take(s *source, m mqtt.Received) []intake.Sample {
	s.heal(m.At)
	old := m.Retained || m.Duplicate
	switch {
	case len(m.Payload) == 0:
		s.ignored = "the last one was empty"
		return nil
	case old && s.form != pack:
		s.ignored = "the last one was an old one that the broker had retained"
		return nil
	}
	if len(m.Payload) > maxPayload {
		return f.failed(s, m, old, &problem{sensors.Checksum, fmt.Sprintf("%d bytes are more than the limit of %d", len(m.Payload), maxPayload)})
	}
	switch s.form {
	case bare:
		return []intake.Sample{f.sample(s, m, m.At, s.bare(m.Payload))}
	case document:
		return []intake.Sample{f.sample(s, m, m.At, s.document(m.Payload))}
	}
	return f.pack(s, m, old)
}

// moment is the records of one source with one time.
type moment struct {
	at       time.Time
	own      bool // the record carries the time
	findings []finding
}

// pack turns a SenML pack into samples, one for each time in it.
func (f *Feed) pack(s *source, m mqtt.Received, old bool) []intake.Sample {
	records, err := senml.Decode(m.Payload, instant.Of(m.At))
	if err != nil {
		return f.failed(s, m, old, &problem{sensors.Checksum, err.Error()})
	}
	moments := s.moments(records)
	if len(moments) == 0 {
		s.ignored = "the last one had no record of this sensor"
		return nil
	}
	var samples []intake.Sample
	for i, at := range moments {
		believed := !at.at.Before(m.At.Add(-s.StaleAfter)) && !at.at.After(m.At.Add(ahead))
		timed := at.own && believed
		switch {
		case old && !timed:
			s.ignored = "the last one was an old one that the broker had retained"
			continue
		case timed && !at.at.After(s.own):
			s.ignored = "the last one was a repetition"
			continue
		case !believed && (!at.own || i < len(moments)-1):
			s.ignored = "the last one was too old by its own time, or from the future"
			continue
		}
		when := at.at
		if !believed || when.After(m.At) {
			when = m.At
		}
		if timed {
			s.own = at.at
		}
		if when.Before(s.last) {
			s.ignored = "the last one was older than the one before"
			continue
		}
		samples = append(samples, f.sample(s, m, when, at.findings))
	}
	return samples
}

// moments gathers the records of a source, which come in the order of their times.
func (s *source) moments(records []senml.Record) []moment {
	var moments []moment
	for i := range records {
		r := &records[i]
		for c := range s.channels {
			if s.channels[c].record != r.Name {
				continue
			}
			at := r.At.Time()
			if len(moments) == 0 || !moments[len(moments)-1].at.Equal(at) {
				moments = append(moments, moment{at: at, own: !r.Relative})
			}
			last := &moments[len(moments)-1]
			last.own = last.own && !r.Relative
			last.findings = append(last.findings, s.channels[c].recorded(r))
		}
	}
	return moments
}

// failed is the sample of a payload that cannot be read. An old one that cannot be read says nothing about now.
func (f *Feed) failed(s *source, m mqtt.Received, old bool, p *problem) []intake.Sample {
	if old {
		s.ignored = "the last one was an old one that the broker had retained"
		return nil
	}
	return []intake.Sample{f.sample(s, m, m.At, []finding{{problem: p}})}
}

// sample makes the sample of one moment: the good values, or an error where there are none.
func (f *Feed) sample(s *source, m mqtt.Received, at time.Time, findings []finding) intake.Sample {
	heard := m.At
	if m.Retained || m.Duplicate {
		heard = at
	}
	s.due, s.ignored = heard.Add(s.SilentAfter), ""
	sample := intake.Sample{Sensor: s.ID, At: at}
	sample.Reading.Evidence = slices.Clone(m.Payload[:min(len(m.Payload), maxEvidence)])
	var texts []string
	var first *problem
	for _, found := range findings {
		if p := found.problem; p != nil {
			first = cmp.Or(first, p)
			texts = append(texts, p.text)
			if p.kind == sensors.Implausible && found.value.Channel != "" {
				sample.Reading.Refused = append(sample.Reading.Refused, sensors.Refusal{Value: found.value, Err: sensors.Errorf(p.kind, "%s", p.text)})
			}
			continue
		}
		// Of two records with one name and time the last counts.
		sample.Reading.Refused = slices.DeleteFunc(sample.Reading.Refused, func(r sensors.Refusal) bool { return r.Channel == found.value.Channel })
		sample.Reading.Values = slices.DeleteFunc(sample.Reading.Values, func(v sensors.Value) bool { return v.Channel == found.value.Channel })
		sample.Reading.Values = append(sample.Reading.Values, found.value)
	}
	text := strings.Join(texts, "; ")
	if len(sample.Reading.Values) == 0 {
		sample.Err = &sensors.Error{Kind: first.kind, Doing: s.doing("message", m.Topic), Err: errors.New(text)}
		return sample
	}
	s.last = at
	if text != "" && text != s.partial {
		f.options.Log.Warn("a message has only part of what it should", "sensor", s.ID, "topic", bounded(m.Topic), "err", text)
	}
	s.partial = text
	return sample
}

// doing names topic and sensor for an error.
func (s *source) doing(what, topic string) string {
	return fmt.Sprintf("%s on %s for sensor %s", what, bounded(topic), s.ID)
}

// bounded shortens a topic for a message: with a wildcard, its sender chooses it.
func bounded(topic string) string {
	const maxBytes = 200
	if len(topic) > maxBytes {
		topic = strings.ToValidUTF8(topic[:maxBytes], "") + "…"
	}
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '\uFFFD'
	}, topic)
}

// heal resets remembered times in the future: the clock was set back without a call of Shift.
func (s *source) heal(now time.Time) {
	if s.last.After(now.Add(ahead)) {
		s.last = time.Time{}
	}
	if s.own.After(now.Add(ahead)) {
		s.own = time.Time{}
	}
	if s.throttle.full.After(now.Add(s.burst())) {
		s.throttle = throttle{}
	}
	if s.due.After(now.Add(s.SilentAfter + s.Every)) {
		s.due = now.Add(s.SilentAfter)
	}
}

// Silent returns a sample with a Timeout error for each source from which nothing has come for too long, once for each interval
// of the source. The time of a sample is when the silence became too long, at most now. The first call starts the wait for sources
// that have never sent a message.
func (f *Feed) Silent(now time.Time) []intake.Sample {
	f.mu.Lock()
	defer f.mu.Unlock()
	now = now.Round(0)
	var samples []intake.Sample
	for _, s := range f.sources {
		s.heal(now)
		if s.due.IsZero() {
			s.due = now.Add(s.SilentAfter)
		}
		if now.Before(s.due) {
			continue
		}
		at := s.due.Add(now.Sub(s.due) / s.Every * s.Every)
		s.due = at.Add(s.Every)
		reason := "none came"
		if !s.last.IsZero() {
			reason = fmt.Sprintf("none came for %s", at.Sub(s.last).Round(time.Second))
		}
		if s.ignored != "" {
			reason = "none came that counts: " + s.ignored
		}
		samples = append(samples, intake.Sample{
			Sensor: s.ID, At: at,
			Err: &sensors.Error{Kind: sensors.Timeout, Doing: s.doing("waiting for a message", s.Topic), Err: errors.New(reason)},
		})
	}
	return samples
}

// Shift moves all remembered times by a step of the clock.
func (f *Feed) Shift(by time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, s := range f.sources {
		instant.ShiftKnown(by, &s.last, &s.due, &s.throttle.full, &s.throttle.complain)
	}
}
