package trial

import (
	"math"
	"time"

	"dewline/internal/core/care"
)

// resolved is how much longer than its allowed time a stay must last before it is clear: two intervals between readings, which is
// what readings a minute apart can show.
const resolved = 2 * stepTime

// living is how old a right answer of a sensor may be for it to be alive: the gap over which dewline joins readings.
const living = 3

// Kind says what could have been known of a true stay beyond a limit; see the package documentation.
type Kind uint8

// The kinds of stays.
const (
	Clear     Kind = iota // a living sensor could show it
	Close                 // too close to call, in value or in time
	Blind                 // no sensor of the point lived for long enough
	Powerless             // the board had no power for long enough
	Unheard               // clear, but the keeper's phone was off or the uplink away for as long as a message would have been in time
	kindCount
)

// String returns the name of a kind.
func (k Kind) String() string {
	return [...]string{"clear", "close", "blind", "powerless", "unheard"}[k]
}

// place of a limit in the truth.
type limitOf struct {
	point int
	limit care.Limit
}

// Group is what stays are counted by.
type Group struct {
	Band     string        // a stage, or "room" or "enclosure" for the place's own band
	Quantity string        // what is measured
	Critical bool          // a critical limit
	Allowed  time.Duration // its allowed time
}

// stay is a true stay beyond a limit, as it goes on.
type stay struct {
	limitOf
	from, to int // steps; to is the first one back inside, or −1 while it goes on
	group    Group
	allowed  time.Duration
	long     bool    // it has lasted longer than the allowed time
	runs     [3]int  // since when it has been beyond by more than the accuracy; and the board had power; and a sensor lived
	kept     [3]bool // which of the runs have lasted long enough
	shown    int     // since when it has been beyond by anything, the board had power and a sensor lived
	began    int     // shown, at the beginning of the first run that was kept
	clearly  int     // that beginning
	notified [playerCount]notice
	foreseen notice // by a forecast of dewline
	sudden   bool   // it began too soon after a jump, darkness or blindness for anyone to foresee it
	fault    bool   // dewline had reported a fault of the point's sensor
	unheard  bool   // he could not be reached in time
	silence  bool   // the keeper had been notified that the board is silent
}

// notice is when the keeper knew of a stay from a player, if ever.
type notice struct {
	found bool
	at    int // step
}

// foresee notes a forecast of a step. It must be there before the stay is as long as is allowed.
func (s *stay) foresee(raised int) {
	if s.foreseen.found && s.foreseen.at <= raised || time.Duration(raised-s.from)*stepTime > s.allowed {
		return
	}
	s.foreseen = notice{true, raised}
}

// late is how long after its allowed time a notification of a stay still counts.
const late = 30 * time.Minute

// inTime reports whether a notification at a step is early enough. The time counts from when the stay could be known for certain.
func (s *stay) inTime(at int) bool {
	from := s.from
	if s.kind() == Clear {
		from = s.clearly
	}
	return time.Duration(at-from)*stepTime <= s.allowed+late
}

// delay returns the steps from the crossing to a notification, or from when the board had power and a sensor lived, if that was later.
func (s *stay) delay(at int) int { return max(at-s.began, 0) }

func (s *stay) kind() Kind {
	switch {
	case s.kept[2] && s.unheard:
		return Unheard
	case s.kept[2]:
		return Clear
	case s.kept[1]:
		return Blind
	case s.kept[0]:
		return Powerless
	}
	return Close
}

// truth follows the true values against the bands in force.
type truth struct {
	setting *setting
	start   time.Time
	moved   map[string][]care.Since

	step     int
	values   []float64
	bands    []band
	changed  []int // of each point: the last step at which its band changed
	bandsEnd time.Time
	lived    []int // last step at which a sensor of the point answered rightly
	powered  bool

	last   []float64 // the values of the step before
	dark   int       // the last step without power at the board
	blind  []int     // of each point: the last step at which no sensor of it lived
	jumped []int     // of each point: the last step in which it jumped

	open   []*stay // one for each point and limit, nil where the value is inside
	active []*stay // those that are open or have just ended, oldest first
}

func newTruth(s *setting, start time.Time) *truth {
	t := &truth{setting: s, start: start, moved: map[string][]care.Since{}, values: make([]float64, len(s.points)), bands: make([]band, len(s.points)), changed: make([]int, len(s.points)), lived: make([]int, len(s.points))}
	t.open = make([]*stay, len(s.points)*care.LimitCount)
	t.blind, t.jumped, t.dark = make([]int, len(s.points)), make([]int, len(s.points)), -1<<30
	for i := range t.lived {
		t.lived[i], t.changed[i], t.blind[i], t.jumped[i] = -1<<30, -1<<30, -1<<30, -1<<30
	}
	return t
}

// now returns the true time.
func (t *truth) now() time.Time { return t.start.Add(time.Duration(t.step) * stepTime) }

// move notes that a cohort has moved to a stage.
func (t *truth) move(cohort string, to care.Stage) {
	t.moved[cohort] = append(t.moved[cohort], care.Since{Stage: to, At: t.now()})
	t.bandsEnd = time.Time{}
}

// enter puts the bands of a step in force.
func (t *truth) enter() {
	now := t.now()
	if now.Before(t.bandsEnd) {
		return
	}
	for i := range t.setting.points {
		in := t.setting.bandAt(t.setting.points[i].name, now, t.moved)
		if t.step > 0 && !in.same(&t.bands[i]) {
			t.changed[i] = t.step
		}
		t.bands[i] = in
	}
	t.bandsEnd = t.setting.nextBand(now, t.moved)
}

// beyond returns how far a point is beyond a limit, negative inside; false where there is no such limit.
func (t *truth) beyond(point int, limit care.Limit) (float64, bool) {
	b := &t.bands[point]
	if !b.has(limit) {
		return 0, false
	}
	return over(t.values[point], b.limits[limit], limit), true
}

// allowed returns how long a stay that begins at a step may last.
func (t *truth) allowed(point int, limit care.Limit, from int) time.Duration {
	allowed := t.bands[point].allowed[limit]
	if since := time.Duration(from-t.changed[point]) * stepTime; !limit.Critical() && since >= 0 && since < settling {
		return max(allowed, settling)
	}
	return allowed
}

// over returns how far a value is beyond a limit.
func over(value, level float64, limit care.Limit) float64 {
	if limit.Above() {
		return value - level
	}
	return level - value
}

// follow brings the stays up to the step. What sensors answered in it is known by now.
func (t *truth) follow() {
	t.followSudden()
	for point := range t.bands {
		if t.bands[point].who == "" && t.idle(point) {
			continue
		}
		for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
			t.followLimit(point, limit)
		}
	}
}

// followSudden notes what makes a stay that begins soon one that could not be foreseen.
func (t *truth) followSudden() {
	if !t.powered {
		t.dark = t.step
	}
	for i, v := range t.values {
		if t.step-t.lived[i] >= living {
			t.blind[i] = t.step
		}
		if t.last != nil && math.Abs(v-t.last[i]) > jump(t.setting.points[i].name.Quantity) {
			t.jumped[i] = t.step
		}
	}
	t.last = append(t.last[:0], t.values...)
}

// suddenly reports whether a stay of a point that begins now could not be foreseen.
func (t *truth) suddenly(point int) bool {
	return t.step-max(t.dark, t.blind[point], t.jumped[point]) <= int(sudden/stepTime)
}

// idle reports whether no stay of the point is open.
func (t *truth) idle(point int) bool {
	for limit := range care.LimitCount {
		if t.open[point*care.LimitCount+limit] != nil {
			return false
		}
	}
	return true
}

func (t *truth) followLimit(point int, limit care.Limit) {
	at := point*care.LimitCount + int(limit)
	s := t.open[at]
	far, present := t.beyond(point, limit)
	if !present || !(far > 0) {
		if s != nil {
			s.to = t.step
			t.open[at] = nil
		}
		return
	}
	if s == nil {
		now := t.step
		s = &stay{limitOf: limitOf{point, limit}, from: now, to: -1, runs: [3]int{now, now, now}, shown: now, sudden: t.suddenly(point)}
		t.open[at] = s
		t.active = append(t.active, s)
	}
	allowed := t.allowed(point, limit, s.from)
	if lasting := time.Duration(t.step-s.from) * stepTime; !s.long && lasting > allowed || s.group.Band == "" {
		b := &t.bands[point]
		s.long, s.allowed = lasting > allowed, allowed
		s.group = Group{b.who, t.setting.points[point].name.Quantity.String(), limit.Critical(), b.allowed[limit]}
	}
	clear, lives := far > t.setting.accuracyOf(point, t.values), t.powered && t.step-t.lived[point] < living
	if !lives {
		s.shown = t.step + 1
	}
	for i, holds := range [3]bool{clear, clear && t.powered, clear && lives} {
		if !holds {
			s.runs[i] = t.step + 1
		} else if time.Duration(t.step-s.runs[i])*stepTime > allowed+resolved && !s.kept[i] {
			s.kept[i] = true
			s.began, s.clearly = s.shown, s.runs[i]
		}
	}
}

// scored reports whether stays of a point are scored: those of measured quantities, which all players see.
func (s *setting) scored(point int) bool {
	return !s.points[point].name.Quantity.Derived() && len(s.points[point].sensors) > 0
}
