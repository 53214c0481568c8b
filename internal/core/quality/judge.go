package quality

import (
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// Observation is the result of one read of one channel.
type Observation struct {
	At       instant.Instant
	Value    float64 // after calibration, in the canonical unit; NaN where no value was obtained
	Measured float64 // before calibration
	Raw      uint64  // the word the value was computed from
	// Wrong means that the value is known to be wrong, such as a power-on value.
	Wrong bool
	// First means that this is the first conversion after the device appeared or was reset.
	First bool
	// Heated means that a heater ran during or shortly before the read.
	Heated bool
}

// Verdict is the judgement of the [Judge] on an observation.
type Verdict struct {
	Flag quantity.Flag
	// Why is the test that decided; for the flag "not evaluated", what prevented the tests; [NoTest] for a pass.
	Why Test
	// Erratic means that the channel jumps to and fro: no single value of it can be believed.
	Erratic bool
	// Amended means that the previous reading gets another flag, now that the spike test knows both its neighbours.
	Amended   bool
	Amendment Amendment
}

// Amendment is a late flag of an earlier reading.
type Amendment struct {
	At   instant.Instant // of the reading
	Flag quantity.Flag
	Why  Test
}

// Judge flags the readings of one channel of one sensor as they come.
//
// A reading is not evaluated (2) until its successor comes within the gap, and then pass, suspect or fail by the spike
// test; all other tests flag it at once. A reading without such a neighbour on either side stays not evaluated.
// No test fails a value for changing fast: a real heat wave passes or is suspect, and both are usable. Only a lone value
// far from both its neighbours fails, afterwards. A value that failed is compared with no other.
//
// A channel that jumps to and fro is erratic until it has been free of jumps for [Settled]. In that time a value fails unless it
// agrees with those of the last minutes and is one that the room can have: a channel that raves rests at the end of its range.
type Judge struct {
	tests Tests

	before  sample // the good reading before last
	last    sample // the last good reading
	raw     uint64
	rawFrom instant.Instant // the raw word has been the same since then
	rawLast instant.Instant
	rawSeen int
	calm    steady
	calmEnd instant.Instant // last reading in calm

	heaterUntil instant.Instant
	heated      bool
	erratic     erratic
}

// sample is a good reading that later ones are compared with. The zero value is none.
type sample struct {
	known   bool
	at      instant.Instant
	value   float64
	flag    quantity.Flag // by all tests but the spike
	why     Test
	pending bool // published as not evaluated
}

// NewJudge returns a judge of one channel.
func NewJudge(tests Tests) *Judge {
	j := &Judge{tests: tests}
	if tests.Calm != nil {
		j.calm.tolerance = tests.Calm.Range
	}
	return j
}

// Distrust takes the channel to be erratic from a time on: it was so at the end of the last run.
func (j *Judge) Distrust(at instant.Instant) { j.erratic.active, j.erratic.jumped = true, at }

// Shift moves all remembered times by a step of the clock, so that no test sees the step.
func (j *Judge) Shift(by time.Duration) {
	instant.Shift(by, &j.before.at, &j.last.at, &j.rawFrom, &j.rawLast, &j.calmEnd, &j.heaterUntil)
	j.calm.shift(by)
	j.erratic.shift(by)
}

// Judge takes the next observation and returns its flag.
func (j *Judge) Judge(o Observation) Verdict {
	if o.Heated {
		j.heated, j.heaterUntil = true, o.At.Add(j.tests.AfterHeater)
	}
	switch {
	case absent(o.Value):
		return Verdict{Flag: quantity.Missing, Why: NoValue}
	case o.Wrong:
		return Verdict{Flag: quantity.Fail, Why: KnownWrong}
	}
	v := Verdict{Flag: quantity.Pass}
	disagrees := false
	if heating := o.Heated || j.heated && o.At < j.heaterUntil; j.tests.Rate != nil && !o.First && !heating {
		disagrees = j.erratic.follow(o.At, o.Value, j.tests.Rate, j.tests.gap())
		v.Erratic = j.erratic.active
	}
	if !j.tests.Possible.Contains(o.Measured) {
		v.Flag, v.Why = quantity.Fail, GrossLimits
		return v
	}
	if disagrees || v.Erratic && !j.tests.Expected.Contains(o.Value) {
		v.Flag, v.Why = quantity.Fail, Erratic
		return v
	}
	saturated := j.tests.SaturatedAt > 0 && o.Measured >= j.tests.SaturatedAt
	v.worse(j.stuck(o, saturated))
	if saturated {
		v.worse(quantity.Suspect, Saturated)
	}
	if !j.tests.Expected.Contains(o.Value) {
		v.worse(quantity.Suspect, Expectation)
	}
	if o.Heated || j.heated && o.At < j.heaterUntil {
		// A heated sensor does not measure the room, and its cooling is no event in the room.
		v.worse(quantity.Suspect, HeaterPulse)
		j.before, j.last = sample{}, sample{}
		return v
	}
	j.heated = false
	if o.First {
		// Some parts answer with an old or a default value: later readings must not be compared with it.
		j.before, j.last = sample{}, sample{}
		if v.Flag == quantity.Pass {
			v.Flag, v.Why = quantity.NotEvaluated, FirstValue
		}
		return v
	}
	if j.lifeless(o) && !saturated {
		v.worse(quantity.Suspect, Lifeless)
	}
	if v.Flag == quantity.Fail {
		return v
	}
	j.compare(o, &v)
	return v
}

// compare makes the tests that need the readings before, and amends the flag of the last one.
func (j *Judge) compare(o Observation, v *Verdict) {
	gap := j.tests.gap()
	if j.last.known && (o.At <= j.last.at || o.At.Sub(j.last.at) > gap) {
		j.before, j.last = sample{}, sample{}
	}
	if j.tests.Spike != nil && j.before.known && j.last.pending {
		j.amend(o, v)
	}
	if j.tests.Rate != nil && j.last.known && j.tests.Rate.exceeded(o.Value-j.last.value, o.At.Sub(j.last.at)) {
		v.worse(quantity.Suspect, RateTest)
	}
	j.before = j.last
	j.last = sample{known: true, at: o.At, value: o.Value, flag: v.Flag, why: v.Why, pending: j.tests.Spike != nil}
	if j.last.pending && v.Flag == quantity.Pass {
		v.Flag, v.Why = quantity.NotEvaluated, AwaitingNext
	}
}

// amend makes the spike test of the last reading. One that fails is dropped: later readings are not compared with it.
func (j *Judge) amend(o Observation, v *Verdict) {
	apart := o.At.Sub(j.before.at)
	spike := j.tests.Spike.grade(spikeHeight(j.before.value, j.last.value, o.Value), apart)
	published := j.last.flag
	if published == quantity.Pass {
		published = quantity.NotEvaluated
	}
	final := Verdict{Flag: j.last.flag, Why: j.last.why}
	final.worse(spike, SpikeTest)
	if final.Flag != published {
		v.Amended, v.Amendment = true, Amendment{j.last.at, final.Flag, final.Why}
	}
	j.last.pending = false
	if final.Flag != quantity.Fail {
		return
	}
	j.last, j.before = j.before, sample{}
	if o.At.Sub(j.last.at) > j.tests.gap() {
		j.last = sample{}
	}
}

// worse sets a flag if it is worse than the present one.
func (v *Verdict) worse(flag quantity.Flag, why Test) {
	if rank(flag) > rank(v.Flag) {
		v.Flag, v.Why = flag, why
	}
}

// stuck follows the raw word. A saturated sensor may well repeat itself, so it does not fail for that.
func (j *Judge) stuck(o Observation, saturated bool) (quantity.Flag, Test) {
	test := j.tests.Stuck
	if test == nil {
		return quantity.Pass, NoTest
	}
	broken := j.rawSeen == 0 || o.Raw != j.raw || o.At < j.rawLast || o.At.Sub(j.rawLast) > j.tests.gap()
	j.rawLast = o.At
	if broken {
		j.raw, j.rawFrom, j.rawSeen = o.Raw, o.At, 1
		return quantity.Pass, NoTest
	}
	j.rawSeen++
	lasting := o.At.Sub(j.rawFrom)
	switch {
	case j.rawSeen < 3 || lasting < test.Suspect:
		return quantity.Pass, NoTest
	case test.Fail > 0 && lasting >= test.Fail && !saturated:
		return quantity.Fail, StuckTest
	}
	return quantity.Suspect, StuckTest
}

// lifeless follows the range of the values over the window.
func (j *Judge) lifeless(o Observation) bool {
	test := j.tests.Calm
	if test == nil {
		return false
	}
	if o.At < j.calmEnd || j.calm.count > 0 && o.At.Sub(j.calmEnd) > j.tests.gap() {
		j.calm = steady{tolerance: test.Range}
	}
	j.calmEnd = o.At
	span, _ := j.calm.push(o.At, o.Value)
	return span >= test.Window
}
