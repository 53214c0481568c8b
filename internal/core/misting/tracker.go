package misting

import (
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
)

// Tracker follows one enclosure reading by reading, and says whether a misting was missed and whether the mister is stuck. It judges by the
// functions that [Look] judges by, and keeps only the minutes that they look at. Its exported fields are its whole state.
//
//	t := misting.NewTracker()
//	t.Temperature(at, celsius)
//	if t.Humidity(at, percent) { // a minute is complete
//		t.Judge(misting.Rules{Schedule: schedule, Location: location, Trusted: true})
//	}
//	… t.Missing, t.Stuck(misting.StuckAfter)
type Tracker struct {
	Percent, Celsius Means

	Waiting []instant.Instant // mistings that cannot be judged yet
	Laid    instant.Instant   // the schedule was laid out up to here; None = not at all
	Mister  bool              // a misting has been on record: there is a mister, whatever the configuration says
	Missing instant.Instant   // the time of the first misting that was missed since one was last seen; None = none was

	Plateau  plateau // of the humidity
	ByMister bool    // the plateau began after water had come

	next instant.Instant // when the schedule mists next; 0 = to be looked up
}

// Means are the means of the latest minutes of a quantity.
type Means struct {
	From   instant.Instant // the first of Values
	Values []int16         // hundredths; unknownMean where there was no reading
	Open   instant.Instant // the minute that is going on; None before the first reading
	Sum    float64         // of its readings
	Count  int
}

// Rules are what a judgement goes by.
type Rules struct {
	Schedule Schedule
	Location *time.Location
	// Timed says that the clock is right, without which the times of a schedule mean nothing; Trusted that the sensor is in no fault.
	Timed, Trusted bool
}

const (
	unknownMean = math.MinInt16
	// recentMinutes is how many minutes are looked at again: by a verdict, which waits lateMinutes longer for a slower sensor, and by the search
	// for what made the air wet.
	recentMinutes = verdictBefore + verdictAfter + 27
	lateMinutes   = 2
	plateauSeen   = 15 * minute // the length of a plateau when it is asked what began it: the rise before it is complete then
	maxWaiting    = 96
	searchEvery   = 5 // minutes: for a misting that nothing announces, which a notice waits for. It costs as much as a verdict.
)

// NewTracker returns a tracker that has seen nothing.
func NewTracker() Tracker {
	none := Means{From: instant.None, Open: instant.None}
	return Tracker{Percent: none, Celsius: none, Laid: instant.None, Missing: instant.None}
}

// take folds in a reading, and reports whether a minute is complete.
func (m *Means) take(at instant.Instant, value float64) (complete bool) {
	if !m.Open.IsNone() && at < m.Open.Add(minute) {
		m.Sum += value
		m.Count++
		return false
	}
	complete = !m.Open.IsNone()
	if complete {
		m.close()
	}
	m.Open, m.Sum, m.Count = at-at%instant.Instant(minute), value, 1
	return complete
}

// close adds the open minute to those that are complete, and the silence between them.
func (m *Means) close() {
	silent := 0
	if len(m.Values) > 0 {
		silent = int(m.Open.Sub(m.From)/minute) - len(m.Values)
	}
	if len(m.Values) == 0 || silent < 0 || silent > recentMinutes {
		m.From, m.Values = m.Open, m.Values[:0]
		silent = 0
	}
	for range silent {
		m.Values = append(m.Values, unknownMean)
	}
	m.Values = append(m.Values, int16(math.Round(100*max(-300, min(300, m.Sum/float64(m.Count))))))
	if old := len(m.Values) - recentMinutes; old > recentMinutes { // in one go, since it happens rarely
		m.Values = append(m.Values[:0], m.Values[old:]...)
		m.From = m.From.Add(time.Duration(old) * minute)
	}
}

// last returns the latest minute that is complete, and its mean.
func (m *Means) last() (at instant.Instant, value float64) {
	k := len(m.Values) - 1
	return m.From.Add(time.Duration(k) * minute), float64(m.Values[k]) / 100
}

// samples returns the minutes from a time on.
func (m *Means) samples(from instant.Instant) (all []Sample) {
	for i := max(0, int(from.Sub(m.From)/minute)); i < len(m.Values); i++ {
		if v := m.Values[i]; v != unknownMean {
			all = append(all, Sample{m.From.Add(time.Duration(i) * minute), float64(v) / 100})
		}
	}
	return all
}

// Temperature folds in a usable reading of the air, in °C.
func (t *Tracker) Temperature(at instant.Instant, celsius float64) { t.Celsius.take(at, celsius) }

// Humidity folds in a usable reading of the relative humidity, in %RH. It reports whether a minute is complete, after which [Tracker.Judge]
// may find something.
func (t *Tracker) Humidity(at instant.Instant, percent float64) (complete bool) {
	return t.Percent.take(at, percent)
}

// Misted takes in a misting that is on record.
func (t *Tracker) Misted(at instant.Instant) {
	t.Mister = true
	if k := t.waitingNear(at); k >= 0 { // the one of the schedule: the record knows better when it came
		t.Waiting[k] = at
		return
	}
	t.wait(at)
}

func (t *Tracker) wait(at instant.Instant) {
	if len(t.Waiting) < maxWaiting {
		t.Waiting = append(t.Waiting, at)
	}
}

// waitingNear returns the index of a misting that waits and is the same as one at that time; −1 for none.
func (t *Tracker) waitingNear(at instant.Instant) int {
	return slices.IndexFunc(t.Waiting, func(w instant.Instant) bool { return w.Sub(at).Abs() <= missedWithin*minute })
}

// Judge judges what can be judged after a minute of humidity is complete.
func (t *Tracker) Judge(by Rules) {
	at, percent := t.Percent.last()
	t.lay(at, &by)
	t.judgeWaiting(at, by.Trusted)
	if !t.Missing.IsNone() && int64(at)/int64(minute)%searchEvery == 0 && t.seenAfter(at, t.Missing.Add(missedWithin*minute)) {
		t.Missing = instant.None
	}
	was := t.Plateau.lasted(plateauSeen)
	t.Plateau.take(at, percent)
	switch {
	case !t.Plateau.On:
		t.ByMister = false
	case !was && t.Plateau.lasted(plateauSeen):
		t.ByMister = t.seenAfter(at, t.Plateau.Since.Add(-wetWithin))
	}
}

// lay adds to what waits the mistings that the schedule has had before a time.
func (t *Tracker) lay(now instant.Instant, by *Rules) {
	if !by.Timed {
		t.Waiting, t.Laid = nil, instant.None
		return
	}
	if len(by.Schedule) == 0 || t.Laid.IsNone() {
		t.Laid, t.next = now, 0
		return
	}
	if t.next == 0 {
		t.next = t.after(t.Laid, by)
	}
	if now > t.next {
		for _, m := range by.Schedule.Over(max(t.Laid, now.Add(-recentMinutes*minute)), now, by.Location) {
			if t.waitingNear(m.At) < 0 {
				t.wait(m.At)
			}
		}
		t.next = t.after(now, by)
	}
	t.Laid = max(t.Laid, now)
}

// after returns the first misting of the schedule at a time or later.
func (t *Tracker) after(at instant.Instant, by *Rules) instant.Instant {
	const enough = 50 * time.Hour // has every time of day
	if all := by.Schedule.Over(at, at.Add(enough), by.Location); len(all) > 0 {
		return all[0].At
	}
	return at.Add(enough)
}

// judgeWaiting judges the mistings after which enough time has passed.
func (t *Tracker) judgeWaiting(now instant.Instant, trusted bool) {
	ripe := func(w instant.Instant) bool { return now.Sub(w) >= JudgedAfter+lateMinutes*minute }
	if !slices.ContainsFunc(t.Waiting, ripe) {
		return
	}
	s := t.recent(now)
	for _, w := range t.Waiting {
		if !ripe(w) || !trusted {
			continue
		}
		switch v, _ := s.verdict(s.index(w)); {
		case v == Came:
			t.Missing = instant.None
		case v == Missed && t.Missing.IsNone():
			t.Missing = w
		}
	}
	t.Waiting = slices.DeleteFunc(t.Waiting, ripe)
}

// seenAfter reports whether the recent minutes show a misting that came after a time. Of the first of them it is not known what was before,
// such as a door that the air recovers from.
func (t *Tracker) seenAfter(now, after instant.Instant) bool {
	s := t.recent(now.Add(-lateMinutes * minute))
	return slices.ContainsFunc(s.recognise(), func(m int) bool { return s.at(m) > after && m >= beforeMinutes+doorFall })
}

// recent returns the minutes up to now that are looked at.
func (t *Tracker) recent(now instant.Instant) *series {
	r := &Recording{From: now.Add(-recentMinutes * minute), To: now.Add(minute)}
	r.Humidity, r.Air = t.Percent.samples(r.From), t.Celsius.samples(r.From)
	return newSeries(r)
}

// Stuck reports whether the air has stayed saturated for that long after a misting, and since when it is saturated.
func (t *Tracker) Stuck(after time.Duration) (since instant.Instant, stuck bool) {
	return t.Plateau.Since, t.ByMister && t.Plateau.lasted(after)
}

// Step takes a step of the clock in: minutes of before and after it do not fit together. What has begun goes on.
func (t *Tracker) Step(by time.Duration) {
	mister, missing, wet, byMister := t.Mister, t.Missing, t.Plateau, t.ByMister
	*t = NewTracker()
	t.Mister, t.Missing, t.ByMister = mister, missing, byMister
	instant.Shift(by, &t.Missing)
	if wet.On {
		t.Plateau = plateau{true, wet.Since.Add(by), wet.Last.Add(by)}
	}
}

// Valid reports whether a stored tracker can be one that this package has written; times are checked by valid.
func (t *Tracker) Valid(valid func(...instant.Instant) bool) bool {
	ok := valid(t.Laid, t.Missing, t.Plateau.Since, t.Plateau.Last) && valid(t.Waiting...) && len(t.Waiting) <= maxWaiting
	for _, m := range [2]*Means{&t.Percent, &t.Celsius} {
		ok = ok && valid(m.From, m.Open) && len(m.Values) <= 2*recentMinutes+1 && m.Count >= 0 && !math.IsNaN(m.Sum) && !math.IsInf(m.Sum, 0)
	}
	return ok && !slices.Contains(t.Waiting, instant.None)
}
